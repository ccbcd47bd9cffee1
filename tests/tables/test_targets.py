"""Targets: the column of a table of jobs, and the shop's own list."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from learn.colour.colorimetry import viewing
from pipelines.measured.target import with_chips
from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import read_setups, targets_of
from pipelines.tables.targets import TARGET_LAB, Targets
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import read, refused

NAMED = "name,hex,L,a,b,tolerance_dE00\nHarbour Blue,,30,5,-40,1.2\nChalk,#ffffff,,,,\n"
HEAD = "setup_id,substrate_id,underbase_ink_id,underbase_mesh_id,ink_id,mesh_id,strokes,flash_count"


@pytest.fixture
def setups_of(tmp_path):
    """Reads jobs of the tiny shop: a header of further columns, and their cells a job."""
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "targets.csv").write_text(NAMED)
    checked = read(tmp_path / "tables")
    known = Catalogue.of(checked.shop).names()
    targets = Targets(viewing(), lambda: targets_of(checked.given)[0])
    targets = with_chips(targets, checked.shop.settings, tmp_path)

    def setups(more, *cells):
        rows = [f"S{n},tee-black,,,007,77-55,1,0,{cell}" for n, cell in enumerate(cells)]
        (tmp_path / "jobs.csv").write_text("\n".join([f"{HEAD},{more}", *rows, ""]))
        return read_setups(tmp_path / "jobs.csv", known, targets)

    return setups


def test_a_target_is_read_in_every_form(setups_of):
    frame, warnings = setups_of(
        "tolerance_dE00,target", "2,#ffffff", ',"45,0 60,0 30"', ",harbour  BLUE", "3,Chalk", ","
    )
    assert warnings == []
    lab = frame[TARGET_LAB].to_numpy()
    expected = [[100, 0, 0], [45, 60, 30], [30, 5, -40], [100, 0, 0], [np.nan] * 3]
    assert_allclose(lab, expected, atol=0.05)  # the white of IEC 61966-2-1 is the shop's white
    assert_allclose(frame["tolerance_dE00"], [2, np.nan, 1.2, 3, np.nan])


def test_a_target_that_is_not_understood_refuses_the_file(setups_of):
    with pytest.raises(InputProblems) as error:
        setups_of("target", "#ffffff", "Harbor Blue", "as last year", '"45,60"', "#b520")
    said = str(error.value)
    assert 'row 3, column target: "Harbor Blue" is no target' in said
    assert '(is "Harbour Blue" meant?)' in said
    assert all(f"row {row}, column target" in said for row in (4, 5, 6))


def test_a_target_may_be_a_measured_chip_beside_the_jobs(setups_of, tmp_path):
    (tmp_path / "chip.txt").write_text("sample,L,a,b\nchip,45,60,30\nchip,45.4,60.2,30\n")
    frame, warnings = setups_of("target", "chip.txt", "chalk")
    assert_allclose(frame[TARGET_LAB], [[45.2, 60.1, 30], [100, 0, 0]], atol=0.05)
    assert "chip.txt: mean of 2 readings taken as the target." in warnings
    (tmp_path / "chips.txt").write_text("sample,L,a,b\nred,45,60,30\nblue,30,5,-40\n")
    with pytest.raises(InputProblems) as error:
        setups_of("target", "#ffffff", "chips.txt")
    assert len(str(error.value).splitlines()) == 1
    assert 'row 3, column target: "chips.txt" holds 2 readings that are not of one chip: ' in str(
        error.value
    )


def test_two_targets_in_one_row_agree_or_are_refused(setups_of):
    columns = f"target,{','.join(TARGET_LAB)}"
    frame, _ = setups_of(columns, "#ffffff,100,0,0", "Harbour Blue,,,")
    assert_allclose(frame["target_L"], [100, 30])
    with pytest.raises(InputProblems, match=r"target_L, target_a, target_b lie 6.* dE00 apart"):
        setups_of(columns, "Chalk,30,5,-40")


def test_the_list_of_targets_is_checked_as_the_other_tables(tmp_path):
    for text, sentence in (
        ("name,L,a,b\nred,45,60,30\nRED,46,60,30\n", '"RED" stands in row 2 already'),
        ("name,hex\n#b5203a,#b5203a\n", '"#b5203a" is a colour, not a name'),
        ("name,hex\nred,#b520\n", "row 2, column hex"),
        ("name,hex,L,a,b\nred,#b5203a,45,60,30\n", "stands beside L; give one colour a row"),
        ("name\nred\n", "no colour columns"),
        ("name,hex\nred,\n", "has no colour"),
    ):
        (tmp_path / "targets.csv").write_text(text)
        assert sentence in refused(tmp_path)
