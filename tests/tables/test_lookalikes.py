"""A column that is not understood and matters refuses the file."""

from __future__ import annotations

import pytest

from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import read_setups
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import read, refused
from tests.tiny_shop import SETUPS, TINY


@pytest.fixture
def read_with(tmp_path):
    """Reads the tiny shop's set-ups, the second without a target, with one column more."""
    known = Catalogue.of(read(tmp_path / "tables").shop).names()

    def setups(name, *cells, without=()):
        header, *rows = [line.split(",") for line in SETUPS.splitlines()]
        keep = [i for i, column in enumerate(header) if column not in without]
        lines = [[*header, name], *([*row, cell] for row, cell in zip(rows, cells, strict=True))]
        text = "\n".join(",".join(line[i] for i in [*keep, -1]) for line in lines)
        (tmp_path / "jobs.csv").write_text(text + "\n")
        return read_setups(tmp_path / "jobs.csv", known)

    return setups


@pytest.mark.parametrize(
    ("name", "cell", "meant"),
    [
        ("Customer aim", "deep red", "target"),
        ("targt", "deep red", "target"),
        ("remark", "#b5203a", "target"),  # by what stands in it
        ("tol.", "1", "tolerance_dE00"),
        ("White base?", "yes", "underbase_ink_id"),
        ("base screen hung", "4", "underbase_mesh_id"),
        ("Weißunterlage", "white", "underbase_ink_id"),
        ("Fond blanc", "white", "underbase_ink_id"),
        ("White under", "white", "underbase_ink_id"),
        ("Unterlegung Gewebe", "43-80", "underbase_mesh_id"),
        ("Unterlegung Anzahl", "2", "underbase_strokes"),
    ],
)
def test_what_looks_like_a_column_that_matters_is_not_read_past(read_with, name, cell, meant):
    with pytest.raises(InputProblems) as error:
        read_with(name, "", cell)
    said = str(error.value)
    assert f"jobs.csv, row 3, column {name}: was not understood; " in said
    assert said.endswith(f'(is "{meant}" meant?).')


@pytest.mark.parametrize(
    ("name", "cells"),
    [
        ("aim", ("deep red", "")),  # that row has its target in target_L, a, b
        ("aim", ("", "")),
        ("target date", ("", "2026-03-31")),
        ("operator", ("", "B")),
    ],
)
def test_a_column_that_does_no_harm_is_kept_out_and_told(read_with, name, cells):
    setups, warnings = read_with(name, *cells)
    assert len(setups) == 2
    assert warnings == [f"jobs.csv: column {name} is not known and was kept out."]


def test_several_unknown_columns_are_one_note(read_with):
    names = [f"x{i}" for i in range(14)]
    _, warnings = read_with(",".join(names), "," * 13, "," * 13)
    assert warnings == [
        f"jobs.csv: columns {', '.join(names[:12])} and 2 more are not known and were kept out."
    ]


def test_a_base_in_the_history_is_not_learnt_as_none(tmp_path):
    lines = TINY["prints.csv"].splitlines()
    more = [f"{line},{cell}" for line, cell in zip(lines, ["base", "", "white", ""], strict=True)]
    said = refused(tmp_path, prints="\n".join(more) + "\n")
    assert "prints.csv, row 3, column base: was not understood; " in said


def test_a_setting_nearly_spelt_right_is_not_left_aside(tmp_path):
    for key, meant in (("tolerance", "tolerance_dE00"), ("confidance", "confidence")):
        said = refused(tmp_path, shop=f"{key} = 0.9\n")
        assert f"shop.toml, {key}: " in said
        assert f'is "{meant}" meant?' in said
