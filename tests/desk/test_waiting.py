"""*Waiting*: every doubtful print can be decided on from the page, and turned round again."""

from __future__ import annotations

import io
import re
import time
from unittest import mock

from pipelines.desk.answers import stamp_of
from pipelines.desk.batch import plain_reason
from pipelines.ledger import store
from pipelines.ledger.state import current
from pipelines.tasks import doubts
from pipelines.workspace.folders import Workspace
from tests.commands.test_lots import batch
from tests.commands.test_waiting import ODD
from tests.desk.conftest import text_of

FAR = {"ink": "Bright red", "garment": "Black", "readings": "38, 62, -34", "print": "FAR-1"}
TO = "/measured/waiting/decide"


def ledger(own):
    workspace = Workspace(own.root)
    return store.read_ledger(workspace.database(workspace.pick(None)))


def state(own):
    return current(ledger(own))


def stands(own, print_id):
    now = state(own)
    return now.standing[now.row_of(print_id)]


def seen(own):
    return stamp_of(ledger(own))


def test_why_a_print_cannot_be_is_told_by_what_the_page_calls_it():
    assert plain_reason("flash_count: 2 flashes") == "Flashes between strokes: 2 flashes"
    said = 'Strokes: "0" is outside 1 to 20; Printed on: "x" is not a date'
    assert plain_reason('strokes: "0" is outside 1 to 20; printed_on: "x" is not a date') == said
    assert (
        plain_reason("12 dE00 off; looks like L and a: b") == "12 dE00 off; looks like L and a: b"
    )


def test_a_lot_left_in_doubt_is_told_and_held_back(own):
    two = batch("X1", ODD, 2).to_csv(index=False).encode()
    looked = own.send("/measured/look", file=(io.BytesIO(two), "two.csv")).location
    mark = re.search(r'name="seen" value="([^"]+)"', own.get(looked).text)[1]
    kept = own.send(f"{looked}/keep", seen=mark).location
    told = "Turquoise (C19), lot X1: both latest prints of it lie far from expected"
    assert told in text_of(own.get(kept).text)
    for _ in range(100):
        today = text_of(own.get("/today/").text)
        if told in today:
            break
        time.sleep(0.1)
    assert told in today and "Until somebody decides" in today
    asked = text_of(own.get("/ask/?ink=turquoise&garment=G01&target=50,-60,-8").text)
    assert "prints of lot X1 came out far from expected" in asked


def test_what_waits_is_decided_on_and_turned_round(own):
    before = len(doubts.set_aside(state(own)))
    looked = own.send("/measured/look", **FAR).location
    mark = re.search(r'name="seen" value="([^"]+)"', own.get(looked).text)[1]
    assert own.send(f"{looked}/keep", seen=mark).status_code == 303
    assert stands(own, "FAR-1").doubted

    today = own.get("/today/").text
    assert f"{before + 1} set aside on arrival" in text_of(today)
    assert 'href="/measured/waiting/"' in today and 'href="/measured/waiting/"' in (
        own.get("/measured/").text
    )
    page = own.get("/measured/waiting/").text
    assert 'aria-label="FAR-1"' in page and "put it right" in text_of(page)

    refused = own.send(TO, seen=seen(own), print="FAR-1", do="aside")
    assert refused.status_code == 400 and "Say why it is set aside" in text_of(refused.text)
    old = seen(own)
    assert own.send(TO, seen=old, print="FAR-1", do="keep").status_code == 303
    assert stands(own, "FAR-1").why is None
    page = own.get("/measured/waiting/").text
    assert 'aria-label="FAR-1"' not in page and "FAR-1 : kept" in text_of(page)
    assert own.send(TO, seen=old, print="FAR-1", do="keep").status_code == 409

    sent = {"seen": seen(own), "print": "FAR-1", "do": "aside", "reason": "decided otherwise"}
    assert own.send(TO, **sent).status_code == 303
    assert stands(own, "FAR-1").why == "decided otherwise"


def test_what_the_model_doubts_waits_too(own):
    fixed, other = state(own).given.tables["prints"]["print_id"].iloc[:2]
    facts = {"facts": {"set_aside": [{"print_id": fixed, "reason": "far from the others"}]}}
    with mock.patch("pipelines.tasks.doubts.versions.described", return_value=facts):
        page = text_of(own.get("/measured/waiting/").text)
        assert fixed in page and "far from the others" in page and "Look again" in page
        assert own.send(TO, seen=seen(own), print=other, do="keep").status_code == 409
        assert own.send(TO, seen=seen(own), print=fixed, do="keep").status_code == 303
        assert "far from the others" not in text_of(own.get("/measured/waiting/").text)
