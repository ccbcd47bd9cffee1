"""What goes into the store comes out again; what is damaged is said so; nothing is half-done."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
import sqlalchemy as sa

from pipelines.ledger import store
from pipelines.registry import versions
from pipelines.tables.folder import Given, read_folder, to_shop
from pipelines.workspace.problems import UserError
from tests.tiny_shop import with_cell, write_shop

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
    shop = to_shop(store.read(tmp_path / "shop.db"))
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
