"""Colours of a shop's tables that contradict each other, and right ones that look alike."""

from __future__ import annotations

import numpy as np
import pytest

from learn.colour.colorimetry import lab_from_reflectance, viewing
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import read, refused

NM = np.arange(400, 701, 10)
RED = 0.05 + 0.6 / (1 + np.exp((590 - NM) / 20))
BLACK = 0.0075 + 0.0003 * np.sin(NM / 50)
HEAD = ",".join(f"r{nm}" for nm in NM) + ",L,a,b\n"
PRINT = "tee-black,007,77-55,1,0"
PRINTS = f"print_id,substrate_id,ink_id,mesh_id,strokes,flash_count,{HEAD}"


def row(spectrum: np.ndarray | None, lab: list[float] | None = None, digits: int = 4) -> str:
    cells = [""] * 31 if spectrum is None else [f"{value:.{digits}f}" for value in spectrum]
    return ",".join([*cells, *(["", "", ""] if lab is None else [f"{v:.2f}" for v in lab])])


def lab(spectrum: np.ndarray, illuminant: str = "D50", observer: str = "2") -> list[float]:
    return lab_from_reflectance(spectrum[None], viewing(illuminant, observer))[0].tolist()


def prints(*rows: str) -> str:
    return PRINTS + "".join(f"P{i},{PRINT},{one}\n" for i, one in enumerate(rows))


def set_aside(tmp_path, *rows: str) -> dict[int, str]:
    return read(tmp_path, prints=prints(*rows)).given.set_aside


def test_lab_that_contradicts_its_spectrum_is_set_aside_in_prints(tmp_path):
    L, a, b = lab(RED)
    wrong = ([L, b, a], [L + 2, a, b], lab(RED, "D65", "10"))
    told = set_aside(tmp_path, row(RED, [L, a, b]), *(row(RED, one) for one in wrong))
    assert sorted(told) == [3, 4, 5]
    assert "a and b are exchanged: put them right" not in told[4]
    assert "dE00 apart under D50/2" in told[4]
    assert "dE00 apart under D50/2" in told[5]


@pytest.mark.parametrize(
    ("table", "head", "start"),
    [
        ("substrates", "substrate_id,kind,", "tee-black,garment,"),
        ("drawdowns", "ink_id,substrate_id,film_um,", "007,card-white,50,"),
    ],
)
def test_and_refused_in_the_other_tables(table, head, start, tmp_path):
    L, a, b = lab(RED)
    said = refused(tmp_path, **{table: f"{head}{HEAD}{start}{row(RED, [L, b, a])}\n"})
    assert f"{table}.csv, row 2, column L: Lab and spectrum are " in said
    assert "dE00 apart under D50/2; a and b are exchanged: put them right" in said


def test_rounding_and_fluorescent_inks_are_no_contradiction(tmp_path):
    glowing = 0.05 + 1.3 * np.exp(-(((NM - 610) / 40.0) ** 2))
    fine = [row(RED, lab(RED), 2), row(BLACK, lab(BLACK), 3), row(glowing, lab(glowing))]
    assert set_aside(tmp_path, *fine) == {}


def test_colours_of_no_surface_are_set_aside(tmp_path):
    told = set_aside(tmp_path, row(None, [50, 145, 0]), row(None, [60, -10, 140]), row(RED))
    assert "no surface has the colour 50, 145, 0" in told[2]
    assert list(told) == [2, 3]


def test_a_dark_ink_in_percent_is_found_by_its_other_colours(tmp_path):
    dark = [row(BLACK), row(None, [7, 0, 0])]
    head = "ink_id,substrate_id,film_um," + HEAD
    black = f"{head}007,card-white,bucket,{row(BLACK)}\n"
    given = read(tmp_path, prints=prints(*dark, row(100 * BLACK)), drawdowns=black).given
    assert list(given.set_aside) == [4]
    assert "reads as pale, and 007 is dark elsewhere (L about 7)" in given.set_aside[4]
    percent = f"{black}007,card-white,50,{row(100 * BLACK)}\n"
    said = refused(tmp_path, prints=prints(*dark), drawdowns=percent)
    assert "drawdowns.csv, row 3, column r400: the spectrum reads as pale" in said


def test_an_ink_seen_through_is_no_dark_one_in_percent(tmp_path):
    dark = [row(None, [12, 0, 0])] * 4  # nothing but the black garment beneath it
    clear = "ink_id,substrate_id,film_um," + HEAD
    clear += f"007,card-white,50,{row(100 * BLACK)}\n007,card-white,60,{row(99 * BLACK)}\n"
    assert read(tmp_path, prints=prints(*dark), drawdowns=clear).given.set_aside == {}
    base = "underbase_ink_id,underbase_mesh_id,underbase_strokes,"
    head = PRINTS.replace("ink_id,", f"{base}ink_id,", 1)
    rows = [f"P{i},tee-black,,,,007,77-55,1,0,{one}\n" for i, one in enumerate(dark)]
    rows += [f"Q{i},tee-black,white,43-80,2,007,77-55,1,0,{row(100 * BLACK)}\n" for i in (1, 2)]
    assert read(tmp_path, prints=head + "".join(rows), drawdowns=clear).given.set_aside == {}


def test_points_beside_decimal_commas_refuse_the_file(tmp_path):
    head = "print_id;substrate_id;ink_id;mesh_id;strokes;flash_count;L;a;b\n"
    text = head + "A;tee-black;007;77-55;1;0;25,5;1.250;3\nB;tee-black;007;77-55;1;0;25;1,5;3\n"
    said = refused(tmp_path, prints=text)
    assert 'row 2, column a: "1.250" has a point, and "25,5" in row 2, column L, a decimal' in said
    assert read(tmp_path, prints=text.replace("1.250", "1,25")).given.set_aside == {}


BLUE = 0.05 + 0.6 / (1 + np.exp((NM - 480) / 20))


def test_exchanged_a_and_b_are_found_by_the_ink_s_spectra(tmp_path):
    L, a, b = lab(BLUE)
    assert a - b > 80

    def told(spectra: list[np.ndarray], *colours: list[float]) -> dict[int, str]:
        return set_aside(tmp_path, *map(row, spectra), *(row(None, one) for one in colours))

    known = [BLUE, BLUE * 0.97]
    exchanged, right = (
        ([L + 1, b, a], [L - 2, b + 2, a - 1]),
        ([L + 1, a, b], [L - 2, a - 1, b + 2]),
    )
    assert told(known, *right) == {}
    assert sorted(told(known, *right, exchanged[0])) == [6]
    # Where most that can be told are exchanged, so is what stands beside them: all is refused.
    with pytest.raises(InputProblems, match="a and b look exchanged, by what is known of 007"):
        told(known, *exchanged, [30, 2.0, 3.0])
    found = told(known, *exchanged, [30, 2.0, 3.0], right[0], [40, 3.0, 3.0])
    assert sorted(found) == [4, 5, 6]
    assert told(known[:1], *exchanged) == {}  # one print tells of nothing


def test_targets_are_checked_like_prints(tmp_path):
    L, a, b = lab(BLUE)

    def told(colour: str) -> str:
        (tmp_path / "targets.csv").write_text(f"name,{HEAD}sea,{colour}\n")
        return refused(tmp_path)

    (tmp_path / "targets.csv").write_text(f"name,{HEAD}sea,{row(BLUE, [L, a, b])}\n")
    read(tmp_path)
    assert "targets.csv, row 2, column L: Lab and spectrum are " in told(row(BLUE, [L, b, a]))
    assert "column L: no surface has the colour 95, 90, 90" in told(row(None, [95, 90, 90]))
