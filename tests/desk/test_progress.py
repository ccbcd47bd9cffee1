"""*Progress*: batch by batch as the report card tells it, versions, and learning from the page."""

from __future__ import annotations

import re
import shutil
import time

import pandas as pd
import pytest

from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.desk.progress import _months
from pipelines.desk.safety import FORM
from pipelines.registry import report_card, versions
from pipelines.registry.in_folder import InFolder
from pipelines.workspace.folders import Workspace
from tests.desk.conftest import text_of
from tests.small_demo import as_before, small_model, small_shop

PATIENCE_S = 120


@pytest.fixture
def root(learnt_workspace, tmp_path):
    return shutil.copytree(learnt_workspace, tmp_path / "w")


@pytest.fixture
def own(root):
    """A client whose forms are taken, on a shop of its own."""
    client = make_app(Desk(Workspace(root), None))[0].test_client()
    with client.session_transaction() as session:
        session[FORM] = "k"
    return client


def record(n: int, sure: int, held: int) -> report_card.Record:
    """A batch of ``n`` prints of which ``sure`` needed no test print; ``held`` of these held."""
    forecasts = pd.DataFrame(
        {
            "print_id": [f"P{i}" for i in range(n)],
            "job": [f"J{i}" for i in range(n)],
            "dE00": [0.5] * n,
            "inside": [3] * (n - 1) + [0],
            **dict.fromkeys(("energy", "expected", "crps", "distance"), 1.0),
            "sure": [i < sure for i in range(n)],
            "held": [i < held for i in range(n)],
        }
    )
    return report_card.Record("0001", True, "0001", forecasts, {}, when="2026-03-31T08:15:02")


def test_test_prints_spared_are_counted(own, root):
    shop = Workspace(root).pick(None)
    folder = Workspace(root).models(shop)
    assert "Test prints spared" not in text_of(own.get("/progress/").text)
    old = record(5, 0, 0)
    old = report_card.Record(
        old.version, True, old.fitted, old.forecasts.drop(columns=["sure", "held"]), {}
    )
    report_card.add(InFolder(folder), [old, record(10, 7, 6), record(4, 2, 2)])
    said = text_of(own.get("/progress/").text)
    assert "Prints forecast beforehand 14 Needed no test print 9" in said
    assert "Of these within 2 dE00 8 Wanted a test print 5" in said
    assert "7, of which 6 held" in said
    assert "0.50 dE00 90 %" in said  # 27 of 30 values in their bands
    assert "2026-03-31 08:15" in said


def test_another_version_is_put_in_charge_and_back(own, root):
    folder = Workspace(root).models(Workspace(root).pick(None))
    before = versions.in_charge(InFolder(folder))
    stored = versions.load(InFolder(folder))
    versions.save(InFolder(folder), stored.arrays, stored.meta, stored.facts)
    other = next(name for name in InFolder(folder).names() if name != before)
    for name in (before, other, before):
        reply = own.post("/progress/use/", data={FORM: "k", "version": name})
        assert reply.status_code == 303
        assert versions.in_charge(InFolder(folder)) == name
    for nonsense in ("../0001", "9999", ""):
        reply = own.post("/progress/use/", data={FORM: "k", "version": nonsense})
        assert reply.status_code == 400
        assert "no such version" in reply.text
    assert own.post("/progress/use/", data={"version": other}).status_code == 403
    assert versions.in_charge(InFolder(folder)) == before


def test_a_model_that_cannot_be_read_is_told_with_the_way_on(own, root):
    kept = InFolder(Workspace(root).models(Workspace(root).pick(None)))
    whole = versions.load(kept)
    name = versions.save(kept, *as_before(small_model()), whole.facts)
    html = own.get("/", follow_redirects=True).text
    assert "was learnt by an earlier version of this program" in html
    assert "learn anew" in html and "No model yet" not in html
    assert 'class="button" href="/progress/"' in html
    begin = text_of(own.get("/begin/").text)
    assert "The model learnt before cannot be read" in begin and "first model" not in begin
    assert own.post("/progress/use/", data={FORM: "k", "version": whole.version}).status_code == 303
    reply = own.post("/progress/use/", data={FORM: "k", "version": name})
    assert reply.status_code == 400 and "by an earlier version" in reply.text
    assert versions.in_charge(kept) == whole.version


def test_it_learns_while_the_page_goes_on(own):
    assert own.post("/progress/learn/", data={FORM: "k"}).status_code == 303
    html = own.get("/progress/").text
    assert "data-pending" in html or "What came of it" in html
    assert own.get("/ask/").status_code == 200
    begun = time.monotonic()
    while "data-pending" in (html := own.get("/progress/").text):
        assert time.monotonic() - begun < PATIENCE_S
        time.sleep(0.3)
    assert "What came of it" in html
    assert "Nothing new since model 0001 learnt" in text_of(html), text_of(html)[300:900]
    assert not re.search(r"\[ *\d+ s\]", html)


def test_what_each_press_laid(client):
    said = text_of(client.get("/progress/drift/").text)
    for press in small_shop().prints["press_id"].dropna().unique():
        assert press in said
    film = pd.DataFrame(
        {"press": "P1", "month": pd.to_datetime(["2025-01-01", "2025-02-01"]), "prints": 3,
         "percent": [0.0, 90.0], "lo": [-10.0, 80.0], "hi": [10.0, 100.0]}
    )  # fmt: skip
    inside, beyond = _months(film)["P1"]
    assert (inside.at, inside.low, inside.wide) == (50, 25, 50)
    assert beyond.at == 100 and beyond.low + beyond.wide <= 101
    assert beyond.percent == "+90 %"
