"""What goes into the store comes out again; what is damaged is said so; nothing is half-done."""

from __future__ import annotations

import csv
import io
import json
import os
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.ledger import store
from pipelines.registry import versions
from pipelines.tables import csvfile
from pipelines.tables.folder import Given, read_folder
from pipelines.workspace.problems import Findings, UserError
from tests.tiny_shop import TINY, with_cell, write_shop

TODAY = date(2026, 1, 1)


@pytest.fixture
def tables(tmp_path: Path) -> Given:
    prints = with_cell("prints.csv", 3, "L", "n/a")
    return read_folder(
        write_shop(tmp_path / "tables", prints=prints), name="tiny", today=TODAY
    ).given


def assert_same_given(one: Given, other: Given) -> None:
    assert (one.name, one.shop_toml, one.set_aside) == (
        other.name,
        other.shop_toml,
        other.set_aside,
    )
    for name, frame in one.tables.items():
        pd.testing.assert_frame_equal(frame, other.tables[name])


def test_the_store_gives_back_what_was_given(tmp_path, tables):
    store.save(tables, tmp_path / "shop.db")
    back = store.read(tmp_path / "shop.db")
    assert_same_given(back, tables)
    assert back.tables["inks"].loc[3].tolist() == ["007", "Red, warm", "plastisol", "colour", ""]
    assert back.tables["prints"].loc[2, "L"] == "46.00"
    assert back.tables["prints"].loc[3, "L"] == "n/a"
    assert versions.fingerprint(back) == versions.fingerprint(tables)


def test_prints_set_aside_are_kept_but_not_loaded(tmp_path, tables):
    store.save(tables, tmp_path / "shop.db")
    shop = store.load_shop(tmp_path / "shop.db")
    assert shop.prints["print_id"].tolist() == ["P1", "P3"]
    fresh = read_folder(tmp_path / "tables", name="tiny", today=TODAY).shop
    pd.testing.assert_frame_equal(shop.prints, fresh.prints)
    pd.testing.assert_frame_equal(shop.substrates, fresh.substrates)


@pytest.mark.parametrize("first", [True, False])
def test_an_interrupted_save_leaves_the_store_as_before(tmp_path, tables, monkeypatch, first):
    path = tmp_path / "datasets" / "shop.db"
    if not first:
        store.save(tables, path)
    before = path.read_bytes() if path.exists() else None

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(store, "_lines", interrupt)
    with pytest.raises(KeyboardInterrupt):
        store.save(Given("other", None, tables.tables, tables.set_aside), path)
    assert (path.read_bytes() if path.exists() else None) == before
    assert [p.name for p in path.parent.iterdir()] == ([] if first else ["shop.db"])


@pytest.mark.parametrize(
    "content", [b"", b"not a database at all", b"SQLite format 3\0" + b"x" * 99]
)
def test_a_damaged_store_is_told_in_one_sentence(tmp_path, content):
    (tmp_path / "shop.db").write_bytes(content)
    with pytest.raises(UserError, match="import the tables again") as error:
        store.read(tmp_path / "shop.db")
    assert len(str(error.value).splitlines()) == 1


def test_a_store_of_another_version_is_told(tmp_path, tables):
    store.save(tables, tmp_path / "shop.db")
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'shop.db'}")
    with engine.begin() as connection:
        connection.execute(sa.text("update facts set value = 'x' where key = 'format'"))
    engine.dispose()
    with pytest.raises(UserError, match="written by another version"):
        store.read(tmp_path / "shop.db")


TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6)


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(cells=st.lists(st.tuples(TEXT, TEXT), min_size=1, max_size=4))
def test_csv_text_goes_out_and_in_unchanged(tmp_path_factory, cells):
    cells = [pair for pair in cells if any(map(str.strip, pair))]
    frame = pd.DataFrame(cells, columns=["x", "y"], dtype=object)
    text = csvfile.to_csv(frame)
    # The csv module of the standard library reads the same cells (an independent reader).
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert [tuple(row) for row in rows[1:]] == cells
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    path.write_bytes(text.encode())
    back, _ = csvfile.read_cells(path, Findings())
    assert back.to_numpy().tolist() == frame.to_numpy().tolist()
    assert csvfile.to_csv(back) == text


# --- models --------------------------------------------------------------------------------

ARRAYS = {"weights": np.arange(6.0).reshape(2, 3), "names": np.array(["a", "ö"])}


def test_a_model_is_given_back_and_versions_count_up(tmp_path):
    facts = {"validation": {"median_dE00": np.float64(0.5), "by_group": {"job": float("nan")}}}
    assert versions.save(tmp_path, ARRAYS, {"n": np.int64(3)}, facts) == "0001"
    assert versions.save(tmp_path, ARRAYS, {"n": 4}, facts) == "0002"
    stored = versions.load(tmp_path)
    assert (stored.version, stored.meta) == ("0002", {"n": 4})
    assert stored.facts["validation"]["median_dE00"] == 0.5
    assert versions.load(tmp_path, "0001").meta == {"n": 3}
    for name, array in ARRAYS.items():
        np.testing.assert_array_equal(stored.arrays[name], array)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0001", "0002", "CURRENT"]


def test_a_model_never_holds_objects(tmp_path):
    with pytest.raises(TypeError, match="not Python objects"):
        versions.save(tmp_path, {"x": np.array([None])}, {}, {})
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
    versions.save(tmp_path, ARRAYS, {}, {})
    damage(tmp_path / "0001")
    with pytest.raises(UserError, match="run strikeoff learn") as error:
        versions.load(tmp_path)
    assert len(str(error.value).splitlines()) == 1


def test_an_interrupted_save_keeps_the_current_model(tmp_path, monkeypatch):
    versions.save(tmp_path, ARRAYS, {"n": 1}, {})

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "rename", interrupt)
    with pytest.raises(KeyboardInterrupt):
        versions.save(tmp_path, ARRAYS, {"n": 2}, {})
    assert versions.load(tmp_path).meta == {"n": 1}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0001", "CURRENT"]


def test_the_fingerprint_sees_every_cell():
    frame = pd.DataFrame({"x": ["1"]}, index=[2], dtype=object)
    one = versions.fingerprint(Given("s", TINY["shop.toml"], {"prints": frame}))
    other = versions.fingerprint(
        Given("s", TINY["shop.toml"], {"prints": frame.replace("1", "1.0")})
    )
    assert one != other
