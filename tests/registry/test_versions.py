"""Stored models: given back, damaged, interrupted."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from pipelines.registry.sealed import CURRENT, SEAL
from pipelines.tables.folder import Given
from pipelines.workspace.problems import UserError
from tests.tiny_shop import TINY

ARRAYS = {"weights": np.arange(6.0).reshape(2, 3), "names": np.array(["a", "ö"])}


def test_a_model_is_given_back_and_versions_count_up(tmp_path):
    facts = {"validation": {"median_dE00": np.float64(0.5), "by_group": {"job": float("nan")}}}
    assert versions.save(InFolder(tmp_path), ARRAYS, {"n": np.int64(3)}, facts) == "0001"
    assert versions.save(InFolder(tmp_path), ARRAYS, {"n": 4}, facts) == "0002"
    stored = versions.load(InFolder(tmp_path))
    assert (stored.version, stored.meta) == ("0002", {"n": 4})
    assert stored.facts["validation"]["median_dE00"] == 0.5
    assert versions.load(InFolder(tmp_path), "0001").meta == {"n": 3}
    for name, array in ARRAYS.items():
        np.testing.assert_array_equal(stored.arrays[name], array)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0001", "0002", "CURRENT"]


def test_a_model_never_holds_objects(tmp_path):
    with pytest.raises(TypeError, match="not Python objects"):
        versions.save(InFolder(tmp_path), {"x": np.array([None])}, {}, {})
    assert list(tmp_path.iterdir()) == []


def _pickled(folder: Path) -> None:
    """A file that would run code if it were unpickled, with a checksum that agrees."""
    import hashlib

    with (folder / "arrays.npz").open("wb") as file:
        np.savez(file, x=np.array([print], dtype=object))
    facts = json.loads((folder / "model.json").read_text())
    facts["arrays_sha256"] = hashlib.sha256((folder / "arrays.npz").read_bytes()).hexdigest()
    (folder / "model.json").write_text(json.dumps(facts))


@pytest.mark.parametrize(
    "damage",
    [
        lambda folder: (folder / "arrays.npz").write_bytes(b"PK"),
        lambda folder: (folder / "arrays.npz").unlink(),
        lambda folder: (folder / "model.json").write_text("{"),
        lambda folder: (folder / "model.json").write_text("[]"),
        lambda folder: (folder / "model.json").write_text("[" * 100_000 + "]" * 100_000),
        lambda folder: (folder / SEAL).unlink(),
        lambda folder: (folder / "model.json").write_bytes(b"\xff\xfe"),
        lambda folder: (folder / "model.json").write_text('{"format": "other"}'),
        lambda folder: (folder / "model.json").write_text('{"format": "strikeoff model 1"}'),
        lambda folder: (folder.parent / "CURRENT").write_text("0009"),
        lambda folder: (folder.parent / "CURRENT").write_text("../elsewhere"),
        lambda folder: (folder.parent / "CURRENT").unlink(),
        lambda folder: os.truncate(folder / "arrays.npz", 100),
        _pickled,
    ],
)
def test_a_damaged_or_foreign_model_is_told_in_one_sentence(tmp_path, damage):
    versions.save(InFolder(tmp_path), ARRAYS, {}, {})
    damage(tmp_path / "0001")
    with pytest.raises(UserError, match=r"run strikeoff learn|models --use VERSION") as error:
        versions.load(InFolder(tmp_path))
    assert len(str(error.value).splitlines()) == 1


def _edited(folder: Path) -> None:
    """What a slip of hand in an editor does."""
    text = (folder / "model.json").read_text()
    (folder / "model.json").write_text(text.replace('"n": 1', '"n": 7'))


def _swapped(folder: Path) -> None:
    """A sound version under the name of another."""
    shutil.rmtree(folder)
    shutil.copytree(folder.parent / "0002", folder)


@pytest.mark.parametrize("damage", [_edited, _swapped])
def test_a_version_that_is_not_what_was_stored_is_refused(tmp_path, damage):
    for n in (1, 2):
        versions.save(InFolder(tmp_path), ARRAYS, {"n": n}, {"validation": {}})
    damage(tmp_path / "0001")
    for read in (versions.load, versions.described):
        with pytest.raises(UserError, match="damaged, changed or missing"):
            read(InFolder(tmp_path), "0001")


def test_folders_that_only_look_like_versions_are_none(tmp_path):
    versions.save(InFolder(tmp_path), ARRAYS, {}, {"validation": {}})
    for name in ("1\u00b2", "2", "0001 (copy)", "0" * 9, "9" * 200):
        (tmp_path / name).mkdir()
    assert InFolder(tmp_path).names() == ["0001"]
    assert versions.save(InFolder(tmp_path), ARRAYS, {}, {}) == "0002"


def test_a_version_of_before_the_seals_is_read(tmp_path):
    versions.save(InFolder(tmp_path), ARRAYS, {"n": 1}, {})
    facts = tmp_path / "0001" / "model.json"
    facts.write_text(facts.read_text().replace(versions.FORMAT, versions.UNSEALED))
    (tmp_path / "0001" / SEAL).unlink()
    (tmp_path / CURRENT).write_text("0001\n")
    assert versions.load(InFolder(tmp_path)).meta == {"n": 1}


def test_which_is_in_charge_is_not_changed_by_hand(tmp_path):
    for n in (1, 2):
        versions.save(InFolder(tmp_path), ARRAYS, {"n": n}, {"validation": {}})
    current = tmp_path / CURRENT
    for text in ("0001\n", current.read_text().replace("0002", "0001")):
        current.write_text(text)
        with pytest.raises(UserError, match=r"names 0001 and was not written so.*--use VERSION"):
            versions.load(InFolder(tmp_path))
    versions.put_in_charge(InFolder(tmp_path), "0001")
    assert versions.load(InFolder(tmp_path)).meta == {"n": 1}


def test_an_interrupted_save_keeps_the_current_model(tmp_path, monkeypatch):
    versions.save(InFolder(tmp_path), ARRAYS, {"n": 1}, {})

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "rename", interrupt)
    with pytest.raises(KeyboardInterrupt):
        versions.save(InFolder(tmp_path), ARRAYS, {"n": 2}, {})
    assert versions.load(InFolder(tmp_path)).meta == {"n": 1}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0001", "CURRENT"]


def test_a_print_set_aside_is_nothing_to_learn():
    """After a doubtful print alone has come in there is nothing to learn, and nothing says so."""
    frame = pd.DataFrame({"print_id": ["P1", "P2"], "L": ["50", "51"]})
    before = Given("s", TINY["shop.toml"], {"prints": frame.iloc[:1]})
    after = Given("s", TINY["shop.toml"], {"prints": frame}, {1: "in doubt"})
    assert versions.fingerprint(before) == versions.fingerprint(after)
    kept = replace(after, set_aside={})
    assert versions.fingerprint(kept) != versions.fingerprint(before)


def test_the_fingerprint_sees_every_cell():
    frame = pd.DataFrame({"x": ["1"]}, index=[2], dtype=object)
    one = versions.fingerprint(Given("s", TINY["shop.toml"], {"prints": frame}))
    other = versions.fingerprint(
        Given("s", TINY["shop.toml"], {"prints": frame.replace("1", "1.0")})
    )
    assert one != other
