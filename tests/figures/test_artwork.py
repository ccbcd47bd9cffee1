"""Artwork files: what is no picture is refused in one sentence, what is one is read as it is."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from pipelines.figures.artwork import read_artwork, write_png
from pipelines.workspace.problems import InputProblems


def saved(path, picture, **how):
    picture.save(path, **how)
    return path


def test_every_kind_of_png_is_read(tmp_path):
    grey = np.array([[0, 100 * 257], [200 * 257, 65535]], np.uint16)
    read = read_artwork(saved(tmp_path / "grey16.png", Image.fromarray(grey)))
    assert read[..., 0].tolist() == [[0, 100], [200, 255]]
    few = Image.new("P", (2, 1))
    few.putpalette([10, 20, 30, 40, 50, 60])
    few.putpixel((1, 0), 1)
    read = read_artwork(saved(tmp_path / "few.png", few, transparency=1))
    assert read.tolist() == [[[10, 20, 30, 255], [40, 50, 60, 0]]]
    one = Image.new("1", (1, 1), 1)
    assert read_artwork(saved(tmp_path / "one.png", one)).tolist() == [[[255] * 4]]


@pytest.mark.parametrize(
    ("size", "said"), [((7000, 7000), "has 7000 x 7000 pixels"), ((40_000, 10_000), "far too")]
)
def test_a_huge_picture_is_refused_by_its_size_alone(tmp_path, size, said):
    path = saved(tmp_path / "huge.png", Image.new("1", size))
    assert path.stat().st_size < 200_000  # small as a file
    with pytest.raises(InputProblems, match=said) as refused:
        read_artwork(path)
    assert len(str(refused.value).splitlines()) == 1


def test_what_is_no_picture_for_a_screen_is_refused(tmp_path):
    (tmp_path / "text.png").write_text("a letter\n", encoding="utf-8")
    saved(tmp_path / "moving.gif", Image.new("P", (4, 4)))
    saved(tmp_path / "press.jpg", Image.new("CMYK", (4, 4)))
    said = {
        "text.png": "no PNG",
        "moving.gif": "no PNG",
        "press.jpg": "CMYK",
        "gone.png": "no such",
    }
    for name, words in said.items():
        with pytest.raises(InputProblems, match=words):
            read_artwork(tmp_path / name)


def test_a_damaged_file_is_a_sentence_whatever_is_damaged(tmp_path):
    rng = np.random.default_rng(3)
    picture = Image.fromarray(rng.integers(0, 255, (40, 40, 3), np.uint8))
    path = tmp_path / "damaged"
    said = []
    for kind in ("PNG", "JPEG"):
        stream = io.BytesIO()
        picture.save(stream, kind)
        for _ in range(150):
            data = bytearray(stream.getvalue())
            for at in rng.integers(8, len(data), 4):
                data[at] = rng.integers(256)
            path.write_bytes(data[: rng.integers(20, len(data))])
            try:
                assert read_artwork(path).ndim == 3
            except InputProblems as error:
                said.append(str(error))
    assert len(said) > 100
    assert all(one.startswith("damaged: ") and "\n" not in one for one in said)


def test_what_is_written_is_read_again(tmp_path):
    pixels = np.random.default_rng(4).integers(0, 255, (5, 7, 3)).astype(np.uint8)
    write_png(tmp_path / "a.png", pixels, "On screen, not a proof.")
    assert (read_artwork(tmp_path / "a.png")[..., :3] == pixels).all()
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.info["Comment"] == "On screen, not a proof."
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png"]
