"""`check` from the command line."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from learn.assessment import learning_curve as curve
from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.unlearnt import NONE
from tests.assessment.checked import forecast_once
from tests.small_demo import small_shop, stored_small_model


@pytest.fixture
def workspace(tmp_path, monkeypatch):
    """A workspace whose model is the small demo shop's."""
    opened = SimpleNamespace(
        model=stored_small_model(),
        since=NONE,
        version="0001",
        catalogue=Catalogue.of(small_shop()),
        notes=[],
    )
    (tmp_path / "datasets" / "small").mkdir(parents=True)
    (tmp_path / "datasets" / "small" / "shop.db").touch()
    monkeypatch.setattr("pipelines.registry.opened.open_model", lambda *_: opened)
    monkeypatch.setattr(store, "read", lambda _: None)
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: small_shop())
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STRIKEOFF_WORKSPACE", raising=False)
    return opened


def test_check_from_the_command_line_with_a_real_refit(workspace, capsys, monkeypatch):
    monkeypatch.setattr(curve, "SHARES", (0.3,))
    monkeypatch.setattr(curve, "ITERATIONS", 2)
    monkeypatch.setenv("LOKY_MAX_CPU_COUNT", "2")  # as on a shop's computer
    with forecast_once():
        assert main(["check", "--page", "check.html", "--figure", "check.png"]) == 0
    assert Path("check.png").read_bytes().startswith(b"\x89PNG")
    said = capsys.readouterr()
    assert "learning curve: again from" in said.err
    assert "in time order" in said.out
    assert "What to do:" in said.out
    assert "The page is check.html." in said.out


def test_bad_input_is_one_sentence(workspace, capsys, monkeypatch, tmp_path):
    def refused(*arguments: str) -> str:
        assert main(["check", *arguments]) == 2
        err = [x for x in capsys.readouterr().err.splitlines() if not x.startswith("[")]
        assert len(err) == 1
        return err[0]

    assert 'No shop "east"' in refused("--shop", "east")
    assert "is a folder" in refused("--page", str(tmp_path))
    assert "there is no folder no" in refused("--page", "no/check.html")
    assert "a page goes there" in refused("--page", "check.svg")
    workspace.since = NONE._replace(new=["P1"])
    assert "have changed since version 0001" in refused()
    workspace.since = NONE
    few = replace(small_shop(), prints=small_shop().prints.head(3))
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: few)
    assert "at least 5 are needed" in refused()
    none = replace(few, prints=few.prints.head(0))
    monkeypatch.setattr("pipelines.tables.folder.to_shop", lambda _: none)
    assert "holds no measured print" in refused()
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    assert "no model has been learnt yet" in refused()
