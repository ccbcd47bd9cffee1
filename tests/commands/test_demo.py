"""`demo` from end to end, on a part of the invented shop small enough for a test run."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.commands import demo
from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from pipelines.tables.schema import PREDICTION_COLUMNS
from tests.pages.test_prediction import Reader
from tests.small_demo import DEMO, INKS, write_tables

TABLE, PAGE = (Path(f"datasets/demo/reports/next-week.{end}") for end in ("csv", "html"))


def every_fifth_job(prints: pd.DataFrame) -> pd.DataFrame:
    return prints[pd.factorize(prints["job_id"])[0] % 5 == 0]


@pytest.fixture
def part(tmp_path, monkeypatch) -> pd.DataFrame:
    """Next week's set-ups of the part; the current folder is an empty workspace."""
    write_tables(tmp_path / "shop" / "tables", INKS, every_fifth_job)
    week = pd.read_csv(DEMO / "next_week.csv", dtype=str, keep_default_na=False)
    week = week[week["ink_id"].isin(INKS) & week["underbase_ink_id"].isin(["", *INKS])]
    week.to_csv(tmp_path / "shop" / "next_week.csv", index=False)
    monkeypatch.setattr(demo, "demo_folder", lambda: tmp_path / "shop")
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return week


def files() -> list[str]:
    return sorted(str(path) for path in Path().rglob("*") if path.is_file())


def test_demo_imports_learns_predicts_and_writes(part, capsys, monkeypatch):
    monkeypatch.setenv("LOKY_MAX_CPU_COUNT", "2")  # as on a shop's computer
    assert main(["demo"]) == 0
    said = capsys.readouterr()
    assert files() == [
        "datasets/demo/.week-lock",
        str(TABLE),
        str(PAGE),
        "datasets/demo/shop.db",
        "datasets/demo/week.csv",
        "models/demo/.learning",
        *(
            f"models/demo/{name}"
            for name in ("0001/SHA256", "0001/arrays.npz", "0001/model.json", "CURRENT")
        ),
    ]
    table = pd.read_csv(TABLE)
    assert list(table) == PREDICTION_COLUMNS
    assert table["setup_id"].tolist() == part["setup_id"].tolist()
    assert table["target_dE00"].notna().tolist() == (part["target_L"] != "").tolist()
    assert set(table["test_print"]) == {"yes", "no"}

    page = Reader(PAGE.read_text(encoding="utf-8"))
    assert len([tag for tag, _ in page.tags if tag == "article"]) == len(part)
    assert all(setup in page.text and setup in said.out for setup in part["setup_id"])
    assert f"{len(part)} set-ups: " in said.out
    assert str(PAGE.resolve()) in said.out
    assert str(TABLE.resolve()) in said.out
    assert versions.load(InFolder(Path("models/demo"))).facts["validation"]["median_dE00"] < 2

    before = TABLE.read_bytes()
    assert main(["demo"]) == 0  # once more: nothing new is learnt, nothing else comes out
    assert "Nothing new since model 0001" in capsys.readouterr().out
    assert TABLE.read_bytes() == before


@pytest.mark.usefixtures("part")
def test_a_demo_that_cannot_learn_leaves_nothing(monkeypatch, capsys):
    def full(*_):
        assert Path("datasets/demo/shop.db").is_file(), "the tables are in by then"
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ShiftModel, "fit", full)
    assert main(["demo"]) == 2
    told = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("[")]
    assert len(told) == 1 and "No space left on device" in told[0]
    assert list(Path().iterdir()) == []
