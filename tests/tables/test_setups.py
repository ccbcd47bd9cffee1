"""Set-ups to predict."""

from __future__ import annotations

import pytest

from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import read_setups
from pipelines.workspace.problems import InputProblems
from tests.tables.reading import read
from tests.tiny_shop import SETUPS


def test_single_strokes_need_no_column_of_flashes(tmp_path):
    header = "setup_id,substrate_id,ink_id,mesh_id,strokes\n"
    known = Catalogue.of(read(tmp_path / "tables").shop).names()
    file = tmp_path / "s.csv"
    file.write_text(f"{header}a,tee-black,007,77-55,1\nb,tee-black,blue,77-55,1\n")
    setups, said = read_setups(file, known)
    assert setups["flash_count"].tolist() == [0, 0]
    assert said == []
    file.write_text(f"{header}a,tee-black,007,77-55,1\nb,tee-black,blue,77-55,2\n")
    with pytest.raises(InputProblems, match="column flash_count: the column is missing; add it,"):
        read_setups(file, known)


def test_setups_keep_their_order(tmp_path):
    known = Catalogue.of(read(tmp_path).shop).names()
    (tmp_path / "s.csv").write_text(SETUPS)
    setups, warnings = read_setups(tmp_path / "s.csv", known)
    assert setups["setup_id"].tolist() == ["S2", "S1"]
    assert setups["target_L"].isna().tolist() == [False, True]
    assert warnings == []


def test_every_problem_of_a_setups_file_is_told(tmp_path):
    known = Catalogue.of(read(tmp_path).shop).names()
    text = SETUPS.replace("blue", "blaugrau").replace("S1", "S2").replace("58,31,2", ",31,2")
    (tmp_path / "s.csv").write_text(text.replace("77-55,2,1", "77-55,2,5"))
    with pytest.raises(InputProblems) as error:
        read_setups(tmp_path / "s.csv", known)
    said = str(error.value)
    assert "s.csv, row 2, column flash_count: 5 flashes do not fit between 2 strokes" in said
    assert "s.csv, row 2: one of target_L, target_a, target_b is missing" in said
    assert 's.csv, row 3, column setup_id: "S2" stands in row 2 already' in said
    assert 's.csv, row 3, column ink_id: "blaugrau" is not in inks.csv' in said
    assert said.endswith("4 problems. Nothing was changed.")
