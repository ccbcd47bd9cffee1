"""A flipped bit in the shop's database is told, or has changed nothing."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import sqlalchemy as sa

from pipelines.cli import main
from pipelines.ledger import store
from tests.tiny_shop import TINY, write_shop

DATABASE = Path("datasets/tiny/shop.db")
FLIPS = 200


def exported() -> dict[str, bytes]:
    shutil.rmtree("out", ignore_errors=True)
    assert main(["export", "out"]) == 0
    return {path.name: path.read_bytes() for path in Path("out").iterdir()}


def shop(folder: Path, monkeypatch) -> None:
    """A batch imported, one recorded, two decisions; the current folder."""
    monkeypatch.chdir(folder)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    write_shop(folder / "tables")
    header, row, *_ = TINY["prints.csv"].splitlines()
    batch = [header, *(row.replace("P1", f"R{n}") for n in range(20)), row.replace("P1", "R1")]
    (folder / "batch.csv").write_text("\n".join(batch) + "\n")
    for command in (
        ["import", "tables", "--shop", "tiny"],
        ["record", "batch.csv"],
        ["doubts", "set-aside", "P1", "--reason", "smeared"],
        ["doubts", "correct", "R2", "--lab", "45,58,31"],
    ):
        assert main(command) == 0


def test_a_flipped_bit_is_told_or_has_changed_nothing(tmp_path, monkeypatch, capfd):
    shop(tmp_path, monkeypatch)
    good, data = exported(), DATABASE.read_bytes()
    rng = np.random.default_rng(12)
    filled = np.flatnonzero(np.frombuffer(data, np.uint8))  # most of so small a file is empty
    told = 0
    for _ in range(FLIPS):
        flipped = bytearray(data)
        at = rng.choice(filled)
        flipped[at] ^= 1 << rng.integers(8)
        DATABASE.write_bytes(flipped)
        shutil.rmtree("out", ignore_errors=True)
        capfd.readouterr()
        code = main(["export", "out"])
        said = capfd.readouterr().err
        if code == 0:
            assert {path.name: path.read_bytes() for path in Path("out").iterdir()} == good, at
        else:
            assert (code, len(said.splitlines())) == (2, 1), at
            assert str(DATABASE) in said
            told += 1
    assert told > FLIPS / 4


def test_an_edited_cell_is_told_and_another_import_keeps_the_damaged_file(
    tmp_path, monkeypatch, capfd
):
    shop(tmp_path, monkeypatch)
    with sqlite3.connect(DATABASE) as connection:
        connection.execute("UPDATE lines SET cells = replace(cells, '46.00', '64.00')")
    assert main(["export", "out"]) == 2
    assert "is damaged (batch " in capfd.readouterr().err
    assert main(["import", "tables", "--shop", "tiny"]) == 0
    assert main(["export", "out"]) == 0
    assert len(list(DATABASE.parent.glob("shop.db.damaged-*"))) == 1


def test_what_was_stored_without_a_seal_is_read_and_sealed_by_the_next_writer(source, tmp_path):
    from pipelines.tables.folder import read_folder

    def seals() -> list[str]:
        with store.database.reading(source) as connection:
            return sorted(connection.execute(sa.text("SELECT of FROM seals")).scalars())

    given = read_folder(write_shop(tmp_path / "tables"), name="tiny").given
    assert store.save(given, source) == 1
    assert seals() == ["batch 1"]
    with store.database.writing(source) as connection:
        connection.execute(sa.text("DROP TABLE seals"))
    pd.testing.assert_frame_equal(store.read(source).tables["inks"], given.tables["inks"])
    inks = TINY["inks.csv"].replace("Base white", "Another white")
    other = read_folder(write_shop(tmp_path / "other", inks=inks), name="tiny").given
    assert store.save(other, source) == 2
    assert seals() == ["batch 1", "batch 2"]
