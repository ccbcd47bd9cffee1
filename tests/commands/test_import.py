"""Tables that take the place of others: what they leave out is told, before and after."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from pipelines.cli import main
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from tests.servers import fresh_database
from tests.tiny_shop import TINY, write_shop


@pytest.fixture
def url(server: str) -> Iterator[str]:
    with fresh_database(server) as url:
        yield url


def without_print(name: str) -> str:
    """The table of prints without one of them."""
    rows = TINY["prints.csv"].splitlines(keepends=True)
    return "".join(row for row in rows if not row.startswith(f"{name},"))


def test_prints_that_new_tables_do_not_hold_are_told(shop, capsys):
    tables = str(write_shop(shop.parent / "older", prints=without_print("P1")))
    capsys.readouterr()
    assert main(["import", tables, "--shop", "tiny", "--dry-run"]) == 0
    line = "1 print in use is not in these tables and would no longer be counted: P1."
    assert line in capsys.readouterr().out
    assert main(["import", tables, "--shop", "tiny"]) == 0
    said = capsys.readouterr().out
    assert "1 print in use is not in these tables and no longer counted; " in said
    assert "strikeoff history --take-back 2 undoes that: P1." in said
    assert main(["import", tables, "--shop", "tiny"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Nothing was changed, as just these were imported last: shop tiny")
    assert "P1" not in said


def test_a_database_that_is_not_named_is_no_file(shop, capsys):
    """A variable of the shell that is not set."""
    for tables in (["../tables"], []):
        assert main(["import", *tables, "--shop", "other", "--database", ""]) == 2
        assert "--database is empty" in capsys.readouterr().err
    assert not (shop / "datasets" / "other").exists()
    assert main(["import", "--shop", "tiny"]) == 2
    assert "Name the folder or workbook" in capsys.readouterr().err


def test_a_second_computer_joins_a_shop_and_no_other_shop_takes_its_place(
    shop, url, tmp_path, capsys
):
    tables = write_shop(tmp_path / "here")
    (tables / "shop.toml").write_text('name = "North"\n', encoding="utf-8")
    server = ["--shop", "north", "--database", url]
    assert main(["import", str(tables), *server]) == 0
    second, third = tmp_path / "second", tmp_path / "third"
    second.mkdir()
    third.mkdir()
    assert main(["--workspace", str(second), "import", *server, "--dry-run"]) == 0
    assert not (second / "datasets").exists()
    assert main(["--workspace", str(second), "import", *server]) == 0
    assert "Joined shop North as north" in capsys.readouterr().out
    assert Workspace(second).database("north") == url
    (tables / "shop.toml").write_text('name = "South"\n', encoding="utf-8")
    assert main(["--workspace", str(third), "import", str(tables), *server]) == 2
    assert 'holds the shop "North", and these tables are of "South"' in capsys.readouterr().err
    with pytest.raises(UserError, match="No shop in the workspace"):
        Workspace(third).pick("north")
