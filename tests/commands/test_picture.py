"""`strikeoff picture`: the predicted colours, pixel by pixel; words for a customer; refusals."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from learn.colour.colorimetry import srgb_hex, viewing
from pipelines.cli import main
from pipelines.commands.picture import read_map
from pipelines.workspace.problems import UserError

SETUP = ["--mesh", "M77-55", "--strokes", "1", "--press", "P1"]
RED, WHITE = (210, 43, 78), (255, 255, 255)
MAPPED = ["--map", "d22b4e=deep red", "--map", "ffffff=garment"]


@pytest.fixture
def logo(learnt_workspace, monkeypatch, tmp_path):
    """A picture of two flat colours on a transparent ground, in the current folder."""
    pixels = np.zeros((40, 60, 4), np.uint8)
    pixels[5:35, 5:30] = (*RED, 255)
    pixels[5:35, 30:55] = (*WHITE, 255)
    Image.fromarray(pixels).save(tmp_path / "logo.png")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STRIKEOFF_WORKSPACE", str(learnt_workspace))
    return pixels


def predicted(garment, ink="C10"):
    """The screen colour of a print, from the table that `predict` writes."""
    asked = ["predict", *SETUP, "--ink", ink, "--garment", garment, "--out", "one.csv"]
    assert main(asked) == 0
    lab = pd.read_csv("one.csv")[["L", "a", "b"]].to_numpy(float)[0]
    return list(bytes.fromhex(str(srgb_hex(lab, viewing()))[1:]))


def pixels_of(path):
    with Image.open(path) as picture:
        return np.asarray(picture)


def visible(page):
    """What a reader sees: the text between the tags."""
    body = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", body))


def test_artwork_has_the_predicted_colour_in_every_pixel(logo, capsys):
    asked = ["picture", "--garment", "G01,black cotton", "--artwork", "logo.png", *MAPPED, *SETUP]
    assert main([*asked, "--out", "printed.png", "--page", "p.html"]) == 0
    told = capsys.readouterr().out
    for i, garment in enumerate(("G01", "G02")):
        assert f"printed-{i + 1}.png" in told
        drawn = pixels_of(f"printed-{i + 1}.png")
        red = logo[..., 0] == RED[0]
        assert (drawn[red] == predicted(garment)).all()
        (cloth,) = np.unique(drawn[~red], axis=0)  # white and transparent alike
        assert cloth.mean() > 200 if garment == "G01" else cloth.mean() < 80
    page = Path("p.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 2
    assert 'src="http' not in page


def test_an_ink_has_the_set_up_of_its_own(logo, capsys):
    asked = ["picture", "G01", "--artwork", "logo.png", *SETUP, "--map", "ffffff=garment"]
    drawn = []
    for own in ("", "; strokes=3; mesh=M43-80"):
        assert main([*asked, "--map", f"d22b4e=C02{own}", "--out", "printed.png"]) == 0
        drawn.append(pixels_of("printed.png")[10, 10].astype(int))
    assert drawn[0].tolist() == predicted("G01", "C02")
    assert np.abs(drawn[0] - drawn[1]).max() > 5  # a clear magenta, much thicker


def test_the_page_speaks_to_a_customer(logo, capsys):
    asked = ["picture", "warm yellow,bright red", "white cotton,black cotton", *SETUP]
    assert main([*asked, "--target", "#aa2233", "--page", "p.html"]) == 0
    told = capsys.readouterr().out
    page = Path("p.html").read_text(encoding="utf-8")
    seen = visible(page)
    assert "On screen, not a proof." in seen
    assert not re.search(r"dE00|%|±|\bC\d\d\b|\bG\d\d\b|M77|chance|L\*|model", seen)
    for words in (
        "On White, cotton",
        "On Black, cotton",
        "Warm yellow",
        "Your colour",
        "Ink alone",
    ):
        assert words in seen
    assert seen.count("at worst like this") == 4
    # bright red was never printed; warm yellow was, often
    white, black = seen.split("On White, cotton")[1].split("On Black, cotton")
    assert "a test print of this first" not in white.split("Bright red")[0]
    assert "a test print of this first" in black.split("Bright red")[1]
    assert told.count("Bright red: ") == 2  # the shop reads the verdicts
    r, g, b = predicted("G02", "C06")
    assert f"background:#{r:02x}{g:02x}{b:02x}" in page


def test_a_colour_no_screen_can_show_is_marked(logo, capsys):
    asked = ["picture", "deep red", "white cotton", *SETUP, "--page", "p.html"]
    assert main([*asked, "--target", "60,20,30"]) == 0
    assert "Your colour*" not in Path("p.html").read_text(encoding="utf-8")
    assert main([*asked, "--target", "55,-37,-50"]) == 0  # beyond sRGB: see test_colorimetry
    page = Path("p.html").read_text(encoding="utf-8")
    assert "Your colour*" in page
    assert "* More vivid than a screen can show" in page


REFUSED = [
    (["--map", "ffffff=garment"], "logo.png: nobody has said what prints #d22b4e (50 % of the"),
    ([], "#d22b4e (50 % of the area) and #ffffff (50 % of the area); add --map d22b4e=INK"),
    ([*MAPPED, "--map", "d22b4=deep red"], '--map d22b4=deep red: "d22b4" is no colour'),
    ([*MAPPED, "--map", "d22b4e=C02"], "#d22b4e is mapped already"),
    ([*MAPPED, "--map", "00ff00"], "--map 00ff00: write it as HEX=INK"),
    (["--map", "d22b4e=Depe red", "--map", "ffffff=garment"], '--map: "Depe red" is not in'),
    (["--map", "d22b4e=C10; mush=3"], '"mush=3" says nothing of a set-up'),
    (["--map", "d22b4e=garment", "--map", "ffffff=garment"], "Every --map says garment"),
    ([*MAPPED, "--ink", "C10"], "name inks by --map"),
    ([*MAPPED, "--strokes", "1,2"], "--strokes is given several times"),
    ([*MAPPED, "--out", "logo.png"], "logo.png: this file is read from already"),
    ([*MAPPED, "--out", "new.jpg"], "call it .png"),
    ([*MAPPED, "--target", "50,0,0"], "--target goes without --artwork"),
]


@pytest.mark.parametrize(("options", "said"), REFUSED, ids=[said for _, said in REFUSED])
def test_a_mistake_is_one_sentence_and_writes_nothing(logo, capsys, tmp_path, options, said):
    asked = ["picture", "--garment", "G01", "--artwork", "logo.png", "--page", "p.html", *options]
    assert main(asked) == 2
    told = capsys.readouterr().err.strip()
    assert said in told
    assert len([line for line in told.splitlines() if not line.startswith("note:")]) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["logo.png"]


def test_an_artwork_takes_no_ink_beside_its_garment(logo, capsys):
    asked = ["picture", "turquoise", "G01", "--artwork", "logo.png", "--page", "p.html"]
    assert main(asked) == 2
    assert "With --artwork name the garment alone" in capsys.readouterr().err


def test_pictures_of_several_garments_never_replace_the_artwork(logo, capsys, tmp_path):
    (tmp_path / "logo.png").rename(tmp_path / "logo-2.png")
    asked = ["picture", "G01,G02", "--artwork", "logo-2.png", *MAPPED, *SETUP, "--out", "logo.png"]
    assert main(asked) == 2
    assert "logo-2.png: this file is read from already" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["logo-2.png"]


def test_pictures_of_several_garments_replace_no_file_that_is_none_of_them(logo, capsys, tmp_path):
    asked = ["picture", "G01,G02", "--artwork", "logo.png", *MAPPED, *SETUP, "--out", "new.png"]
    assert main(asked) == 0 and main(asked) == 0
    (tmp_path / "new-2.png").write_bytes((tmp_path / "logo.png").read_bytes())
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert set(before) == {"logo.png", "new-1.png", "new-2.png"}
    capsys.readouterr()
    assert main(asked) == 2
    assert "new-2.png: another file has this name already; move it" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_what_is_mapped_in_vain_is_told(logo, capsys):
    asked = ["picture", "G01", "--artwork", "logo.png", *MAPPED, *SETUP, "--out", "new.png"]
    assert main([*asked, "--map", "00aa00=C19"]) == 0
    assert "logo.png has no #00aa00" in capsys.readouterr().err


def test_the_map_is_read_as_people_write_it():
    (one, two) = read_map(['#D22B4E = "bright red" ; strokes = 2', "ffffff=Garment"])
    assert one.code == "d22b4e"
    assert one.cells == {"ink_id": "bright red", "strokes": "2"}
    assert two.cells == {}
    with pytest.raises(UserError, match="at most 16"):
        read_map([f"{i:06x}=C10" for i in range(17)])
