"""Where models lie, a folder or a server's database: the same promises."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipelines.ledger import database
from pipelines.registry import report_card, versions
from pipelines.registry.archive import Archive, archive_of
from pipelines.registry.sealed import Overtaken
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from tests.registry.archives import does, import_shop, learn, numbers, record

Here = Callable[[], Archive]


@pytest.fixture
def here(source: Path | str, tmp_path: Path) -> Here:
    """The archive of a shop, opened anew at every call, as by every command."""
    workspace = Workspace(tmp_path)
    place = tmp_path / "datasets" / "tiny"
    place.mkdir(parents=True)
    if isinstance(source, Path):
        source = place / "shop.db"
    else:
        workspace.use_server("tiny", source)
    import_shop(source, tmp_path)
    return lambda: archive_of(workspace, "tiny")


def test_versions_count_up_are_given_back_and_one_is_in_charge(here: Here):
    assert (here().names(), here().current(), here().waiting()) == ([], None, [])
    with pytest.raises(UserError, match="no model has been learnt yet"):
        versions.load(here())
    assert [learn(here(), n) for n in (3, 4)] == ["0001", "0002"]
    assert learn(here(), 5, charge=False) == "0003"
    assert numbers(here()) == [3, 4, 5]
    assert versions.in_charge(here()) == "0002"
    versions.put_in_charge(here(), "0001")
    stored = versions.load(here())
    assert stored.version == "0001"
    np.testing.assert_array_equal(stored.arrays["x"], [0, 1, 2])
    assert versions.has_learnt(here(), "5")
    assert not versions.is_changed(here(), "0001")
    assert versions.refused(here(), "0002", "5") is None
    assert learn(here(), 6, after="0002", charge=False) == "0004"
    assert versions.refused(here(), "0002", "6") == "0004"
    for name in ("0009", "../0001", ""):
        with pytest.raises(UserError, match="there is no model version"):
            versions.load(here(), name)


def test_who_was_overtaken_is_told_and_nothing_is_stored(here: Here):
    before = here().mark()
    learn(here(), 1)
    with pytest.raises(Overtaken):
        versions.save(here(), {}, {}, {}, mark=before)
    assert here().names() == ["0001"]
    mark = here().mark()
    assert versions.put_in_charge(here(), "0001", mark) == here().mark()
    assert versions.save(here(), {}, {}, {}, mark=here().mark()) == "0002"
    with pytest.raises(Overtaken):
        versions.put_in_charge(here(), "0001", mark)
    assert versions.in_charge(here()) == "0002"


def test_the_card_grows_and_what_was_planned_on_an_older_one_is_not_added(here: Here):
    learn(here(), 1)
    assert report_card.read(here()) == []
    assert report_card.add(here(), [record("0001", "P1")], [])
    assert not report_card.add(here(), [record("0001", "P1")], [])
    card = report_card.read(here())
    assert report_card.add(here(), [record("0001", "P2"), record("0002", "P2")], card)
    assert [list(one.marks) for one in report_card.read(here())] == [["P1"], ["P2"], ["P2"]]


def test_a_server_that_holds_models_is_of_another_form_and_a_newer_one_is_refused(
    here: Here, source: Path | str, tmp_path: Path
):
    learn(here(), 1)
    in_files = isinstance(source, Path)
    place = tmp_path / "datasets" / "tiny" / "shop.db" if isinstance(source, Path) else source
    with database.reading(place) as connection:
        assert database.form(connection) == (database.FORM if in_files else database.FORM_MODELS)
    if isinstance(source, Path):
        assert sorted(p.name for p in (tmp_path / "models" / "tiny").iterdir()) == [
            "0001",
            "CURRENT",
        ]
        return
    does(source, "UPDATE facts SET value = 'strikeoff shop 4' WHERE key = 'format'")
    with pytest.raises(UserError, match=r"written by another version.*'strikeoff shop 4'") as error:
        here().names()
    assert len(str(error.value).splitlines()) == 1
