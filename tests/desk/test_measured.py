"""*Measured*: shown before it is kept, kept whole or not at all, taken back, and no write lost."""

from __future__ import annotations

import io
import itertools
import json
import re
import shutil
import threading
from pathlib import Path

import pandas as pd
import pytest
from waitress.server import create_server

from pipelines.cli import main
from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.desk.safety import FORM
from pipelines.ledger import store
from pipelines.workspace.folders import Workspace
from tests.desk.conftest import marked, text_of
from tests.desk.looking import WIDTHS, too_wide, wrong_with

KEY = "the key of this session"
RED = {"readings": "38, 62.5, 34", "ink": "Bright red", "garment": "Black"}


class Browser:
    """One browser on the page of a shop."""

    def __init__(self, app):
        self.client = app.test_client()
        self.client.get("/screen/")
        with self.client.session_transaction() as session:
            session[FORM] = KEY

    def get(self, path):
        return self.client.get(path)

    def post(self, path, **data):
        return self.client.post(path, data={FORM: KEY, **data})

    def look(self, **data):
        """The address of what was handed in, before it is kept."""
        reply = self.post("/measured/look", **data)
        assert reply.status_code == 303, text_of(reply.text)
        return reply.location

    def keep(self, path):
        return self.post(f"{path}/keep", seen=self.seen(path))

    def seen(self, path):
        return re.search(r'name="seen" value="([^"]+)"', self.get(path).text)[1]


@pytest.fixture
def root(learnt_workspace, tmp_path):
    return Path(shutil.copytree(learnt_workspace, tmp_path / "w"))


@pytest.fixture
def browsers(root):
    app = make_app(Desk(Workspace(root), None))[0]
    return Browser(app), Browser(app)


@pytest.fixture
def client(browsers):
    return browsers[0]


def ledger(root):
    workspace = Workspace(root)
    return store.read_ledger(workspace.database(workspace.pick(None)))


def stored(root):
    """Every byte of the shop's database."""
    workspace = Workspace(root)
    return workspace.database(workspace.pick(None)).read_bytes()


def latest(root, n=3):
    """The shop's latest prints as a file of new ones."""
    workspace = Workspace(root)
    prints = store.read(workspace.database(workspace.pick(None))).tables["prints"]
    prints = prints[prints["L"].str.strip() != ""] if "L" in prints else prints
    prints = prints.tail(n).assign(print_id=[f"NEW{i}" for i in range(n)])
    return prints.reset_index(drop=True)


def upload(table, name="monday.csv"):
    return {"file": (io.BytesIO(table.to_csv(index=False).encode()), name)}


def expected(client, given):
    """What the page expects of a print."""
    page = text_of(client.get(client.look(**given)).text)
    found = re.search(r"Expected ([\d.]+) ± [\d.]+ (-?[\d.]+) ± [\d.]+ (-?[\d.]+) ±", page)
    return tuple(map(float, found.groups()))


def test_nothing_is_stored_before_keep_and_then_it_can_be_taken_back_and_put_back(client, root):
    before = stored(root)
    at = client.look(**RED, target="38,62,34", tolerance="2")
    page = text_of(client.get(at).text)
    assert "Not kept yet" in page and "Nothing is stored yet" in page
    assert "Bright red" in page and "Black" in page and "dE00 from the target" in page
    assert "Filled in: " in page
    assert stored(root) == before

    kept = client.keep(at)
    assert kept.status_code == 303 and "/measured/batch/2" in kept.location
    assert len(ledger(root).batches) == 2
    page = client.get(kept.location)
    assert kept.location.endswith("/measured/batch/2")
    assert "dE00 from the target" in text_of(page.text)  # the target is kept with the print
    assert client.get(at).status_code == 400  # kept once, and no more

    client.post("/measured/batch/2/back", seen=client.seen("/measured/batch/2"), do="back")
    assert ledger(root).states()[2] is False
    assert "is taken back" in text_of(client.get("/measured/batch/2").text)
    client.post("/measured/batch/2/back", seen=client.seen("/measured/batch/2"), do="in")
    assert ledger(root).states()[2] is True


@pytest.mark.parametrize(
    ("target", "said"), [("38,62,34", "Pass"), ("38,58,30", "Fail")], ids=["pass", "fail"]
)
def test_pass_and_fail_are_by_the_distance_to_the_target(client, target, said):
    """The measured colour is what the model expects, so that no doubt stands before it."""
    L, a, b = expected(client, RED)
    aim = f"{L},{a},{b}" if said == "Pass" else f"{L},{a - 12},{b}"
    at = client.look(**RED | {"readings": f"{L}, {a}, {b}"}, target=aim)
    big = re.search(r'<p class="big \w+">.*?<span>([^<]+)', client.get(at).text, re.S)[1]
    assert big == said


def test_one_bad_row_is_a_sentence_and_everything_is_as_it_was(client, root):
    before, table = stored(root), latest(root)
    table.loc[1, "ink_id"] = "no such ink"
    reply = client.post("/measured/look", **upload(table))
    assert reply.status_code == 400
    page = text_of(reply.text)
    assert "row 3" in page and "no such ink" in page and "Traceback" not in page
    assert stored(root) == before


def test_a_file_is_read_and_every_print_of_it_shown(client, root):
    at = client.look(**upload(latest(root)))
    page = text_of(client.get(at).text)
    assert all(f"NEW{i}" in page for i in range(3))
    assert "dE00 from expected" in page
    client.keep(at)
    assert "was recorded before, as batch 2" in text_of(
        client.get(client.look(**upload(latest(root)))).text
    )


def test_a_draft_outlives_the_page_with_all_that_was_decided_on_it(client, root):
    at = client.look(**RED | {"print": "ONE"}, target="38,62,34", tolerance="2.5")
    told = {"print": "ONE", "do": "aside", "reason": "smeared"}
    assert client.post(f"{at}/decide", seen=client.seen(at), **told).status_code == 303
    before = text_of(client.get(at).text)
    assert "smeared" in before and "tolerance 2.5" in before
    again = Browser(make_app(Desk(Workspace(root), None))[0])  # another server
    assert text_of(again.get(at).text) == before
    assert again.keep(at).status_code == 303
    assert not list(root.glob("datasets/*/drafts/*.json"))
    page = text_of(again.get("/measured/batch/2").text)
    assert "tolerance 2.5" in page and "smeared" in page


def test_a_draft_that_was_damaged_is_gone_and_no_name_is_a_path(client, root):
    at = client.look(**RED)
    file = next(root.glob("datasets/*/drafts/*.json"))
    whole = json.loads(file.read_text())
    for wrong in ("", "[]", "{}", json.dumps(whole | {"answers": [{"verb": "kept"}]}),
                  json.dumps(whole | {"incoming": {"file": "x"}}), "\xff"):  # fmt: skip
        file.write_text(wrong)
        reply = client.get(at)
        assert reply.status_code == 400 and "no longer here" in text_of(reply.text)
    (root / "elsewhere.json").write_text(json.dumps(whole))
    for name in ("..%2F..%2F..%2Felsewhere", "elsewhere", "%2Fetc%2Fpasswd"):
        assert client.get(f"/measured/new/{name}").status_code in (400, 404)


def test_a_shop_keeps_no_more_drafts_than_it_needs(client, root, monkeypatch):
    monkeypatch.setattr("pipelines.desk.draft_files.MOST", 2)
    first, *later = [client.look(**RED | {"print": f"P{i}"}) for i in range(3)]
    assert client.get(first).status_code == 400
    assert all(client.get(at).status_code == 200 for at in later)


def test_a_batch_that_a_command_recorded_tells_its_targets_too(client, root, tmp_path):
    table = latest(root, 1).assign(target="38,62,34", tolerance_dE00="2.5")
    table.to_csv(tmp_path / "in.csv", index=False)
    assert main(["--workspace", str(root), "record", str(tmp_path / "in.csv")]) == 0
    assert "tolerance 2.5" in text_of(client.get("/measured/batch/2").text)


def test_two_browsers_lose_no_write_and_an_older_form_is_told_so(browsers, root):
    one, other = browsers
    first = one.look(**RED, print="ONE")
    second = other.look(**RED, print="OTHER")
    old = other.seen(second)
    assert one.keep(first).status_code == 303
    reply = other.post(f"{second}/keep", seen=old)
    assert reply.status_code == 409
    assert "Meanwhile something else came in" in text_of(reply.text)
    assert len(ledger(root).batches) == 2
    assert other.keep(second).status_code == 303
    workspace = Workspace(root)
    ids = set(store.read(workspace.database(workspace.pick(None))).tables["prints"]["print_id"])
    assert {"ONE", "OTHER"} <= ids

    old = one.seen("/measured/batch/2")
    decided = {"print": "ONE", "do": "aside", "reason": "smeared"}
    assert one.post("/measured/batch/2/decide", seen=old, **decided).status_code == 303
    late = other.post("/measured/batch/2/decide", seen=old, print="ONE", do="keep")
    assert late.status_code == 409
    assert [d.what for d in ledger(root).decisions if d.print_id == "ONE"][-1] == "set aside"


def test_a_likely_slip_is_a_button_and_the_button_puts_it_right(client, root):
    given = RED | {"print": "MIXED"}
    L, a, b = expected(client, given)
    assert b > 10  # so that its sign is no small thing
    at = client.look(**given | {"readings": f"{L}, {a}, {-b}"})
    html = client.get(at).text
    button = re.search(r'value="(fix-\d+)">([^<]*sign of b lost[^<]*)<', html)
    assert "Look again" in text_of(html) and button
    done = client.post(f"{at}/decide", seen=client.seen(at), print="MIXED", do=button[1])
    assert done.status_code == 303
    assert "Look again" not in text_of(client.get(at).text)
    client.post(f"{at}/decide", seen=client.seen(at), do="undo")
    assert "Look again" in text_of(client.get(at).text)
    client.post(f"{at}/decide", seen=client.seen(at), print="MIXED", do=button[1])
    assert len(ledger(root).batches) == 1
    client.keep(at)
    made = [d for d in ledger(root).decisions if d.print_id == "MIXED"]
    assert [d.what for d in made] == ["doubted", "corrected"]
    assert float(made[1].new["b"]) == pytest.approx(b)


def test_setting_aside_needs_a_reason_and_correcting_a_right_name(client, root):
    client.keep(client.look(**RED, print="ONE"))
    at = "/measured/batch/2"
    for data, sentence in (
        ({"do": "aside"}, "Say why it is set aside"),
        ({"do": "correct"}, "Nothing to correct is filled in"),
        (
            {"do": "correct", "ink": "turqoise"},
            "Ink &#34;turqoise&#34; is not known here; is Turquoise meant?",
        ),
        ({"do": "correct", "lab": "1, 2"}, "is not three numbers"),
    ):
        reply = client.post(f"{at}/decide", seen=client.seen(at), print="ONE", **data)
        assert reply.status_code == 400 and sentence in text_of(reply.text)
    n = len(ledger(root).decisions)
    reply = client.post(
        f"{at}/decide", seen=client.seen(at), print="ONE", do="correct", lab="38,62,33"
    )
    assert reply.status_code == 303
    assert ledger(root).decisions[n].new == {"a": "62", "b": "33"}


def test_a_correction_that_cannot_be_is_refused_by_its_field_and_stays_typed(client, root):
    """Of a doubtful print too, kept or not."""
    at = client.look(**RED | {"readings": "70, 2, 2"}, print="ONE", strokes="1")
    wrong = {"print": "ONE", "do": "correct", "flashes": "2", "lot": "L 7"}
    for path in (at, "/measured/batch/2"):
        reply = client.post(f"{path}/decide", seen=client.seen(path), **wrong)
        assert reply.status_code == 400
        assert "Flashes between strokes: 2 flashes do not fit" in text_of(reply.text)
        assert re.search(r'<details open>.*name="flashes" value="2".*"L 7"', reply.text, re.S)
        assert "2 flashes do not fit" in marked(reply.text).pop("flashes")[0]
        bad = {"print": "ONE", "do": "correct", "strokes": "x"}
        reply = client.post(f"{path}/decide", seen=client.seen(path), **bad)
        ((field, told),) = marked(reply.text).items()
        assert field == "strokes" and told[0].startswith("Strokes: &#34;x&#34; is not a number")
        bad = {"print": "ONE", "do": "aside"}
        reply = client.post(f"{path}/decide", seen=client.seen(path), **bad)
        assert list(marked(reply.text)) == ["reason"]
        if path == at:
            client.keep(at)
    n, right = len(ledger(root).decisions), {"base_screen": "77-55"}
    right |= {"print": "ONE", "do": "correct", "day": "27.11.2025", "off_contact": "3,3"}
    reply = client.post(f"{path}/decide", seen=client.seen(path), **right)
    assert reply.status_code == 303
    assert ledger(root).decisions[n].new == {
        "underbase_mesh_id": "M77-55",
        "printed_on": "2025-11-27",
        "off_contact_mm": "3.3",
    }


@pytest.mark.parametrize(
    ("given", "field", "sentence"),
    [
        ({}, "readings", "neither three numbers"),
        ({"readings": "45,60"}, "readings", "neither three numbers"),
        ({"readings": "45,60,30"}, "ink", "Ink: nothing is given"),
        (RED | {"ink": "turqoise"}, "ink", "is Turquoise meant?"),
        (RED | {"day": "2026-02-31"}, "day", "Printed on: &#34;2026-02-31&#34; is not a date"),
        (RED | {"readings": "138, 62, 34"}, "readings", "Readings: &#34;138&#34; is outside 0 to"),
        (RED | {"readings": "38, 62, 34\n9, 61, x"}, "readings", "&#34;9, 61, x&#34; is not three"),
        (
            RED | {"strokes": "1,5"},
            "strokes",
            "Strokes: &#34;1.5&#34; is not a whole number; give all strokes",
        ),
        (RED | {"flashes": "9"}, "flashes", "Flashes between strokes: 9 flashes do not fit"),
        (RED | {"strokes": "x"}, "strokes", "Strokes: &#34;x&#34; is not a number"),
        (RED | {"target": "a shade of dawn"}, "target", "is no target"),
        (RED | {"target": "45,60,30", "tolerance": "none"}, "tolerance", "is no dE00"),
        ({"file": (io.BytesIO(b"MZ"), "readings.exe")}, "", "readings.exe"),
    ],
)
def test_a_mistake_is_a_sentence_and_what_was_typed_stays(app, given, field, sentence):
    reply = Browser(app).post("/measured/look", **given)
    assert reply.status_code == 400
    assert sentence in text_of(reply.text) and "--" not in text_of(reply.text)
    found = marked(reply.text)
    assert list(found) == list(filter(None, [field])), "its field alone is marked"
    assert all(sentence in one[0] for one in found.values())
    if "ink" in given:
        assert f'value="{given["ink"]}"' in reply.text
    assert ("<details open>" in reply.text) == bool({"strokes", "flashes", "day"} & {*given})


def test_a_print_that_is_there_already_is_refused_by_its_name_and_told_by_its_colour(client, root):
    client.keep(client.look(**RED, print="ONE"))
    reply = client.post("/measured/look", **RED | {"print": "ONE", "readings": "40,60,30"})
    assert reply.status_code == 400 and 'value="ONE"' in reply.text
    assert "&#34;ONE&#34; is a print of the shop already" in text_of(reply.text)
    once_more = "Print ONE of this ink and garment measured just so"
    for given, told in (({}, True), ({"readings": "38,62.5,34.1"}, False)):
        page = client.get(client.look(**RED | given)).text
        assert (once_more in text_of(page)) == told


def test_what_lies_outside_the_band_with_each_number_inside_is_told(client):
    """L, a and b move together: a print may be out by how they do."""
    given = RED | {"garment": "White"}
    page = text_of(client.get(client.look(**given)).text)
    found = re.findall(r"([-\d.]+) ± ([\d.]+)", page)
    (L, a, b), halves = [[float(one[i]) for one in found[:3]] for i in (0, 1)]
    ends = [
        [v + sign * 0.9 * half for v, half, sign in zip((L, a, b), halves, signs, strict=True)]
        for signs in itertools.product((-1, 1), repeat=3)
    ]
    pages = [
        text_of(client.get(client.look(**given | {"readings": f"{L}, {a}, {b}"})).text)
        for L, a, b in ends
    ]
    out = [page for page in pages if "outside the band" in page]
    assert out and all("each number lies in its own band" in page for page in out)


def test_several_lines_are_readings_of_one_print_and_commas_are_read(client, root):
    given = RED | {"readings": "38,2 62,5 34\n38,8; 62,1; 34,2", "strokes": "2,0", "flashes": "1"}
    client.keep(client.look(**given, print="TWICE"))
    workspace = Workspace(root)
    prints = store.read(workspace.database(workspace.pick(None))).tables["prints"]
    row = prints[prints["print_id"] == "TWICE"].squeeze()
    assert [float(row[c]) for c in (*"Lab", "readings", "strokes")] == [38.5, 62.3, 34.1, 2, 2]


def test_what_is_left_empty_is_as_usual_whatever_else_is_typed(client, root):
    """A base is not left out without a word because the screen and the strokes are told."""
    told = {"screen": "M43-80", "strokes": "2", "flashes": "1", "press": "P2"}
    page = text_of(client.get(client.look(**RED, **told)).text)
    assert "White base (U1) through mesh M" in page and "Press P2" in page
    filled = re.search(r"Filled in: ([^:]+):", page)[1]
    assert filled.startswith("base, squeegee") and "press" not in filled
    page = text_of(client.get(client.look(**RED, **told | {"base": "none"})).text)
    assert "none, straight on the cloth" in page and "Filled in: base" not in page


def test_names_of_files_are_no_paths_and_are_escaped(client, root, tmp_path):
    table = latest(root, 1)
    for name in ("../../../../tmp/x.csv", "..\\x.csv", "/etc/passwd.csv"):
        page = client.get(client.look(**upload(table, name))).text
        assert name not in page
    attack = "<script>alert(1)</script>"
    page = client.get(client.look(**RED, print=attack)).text
    assert "&lt;script&gt;alert" in page and attack not in page
    assert attack not in client.post("/measured/look", **RED | {"ink": attack}).text
    assert not (tmp_path / "x.csv").exists()


def test_a_shop_without_a_model_takes_prints_in_and_says_so(client, root):
    shutil.rmtree(root / "models")
    page = text_of(client.get(client.look(**RED)).text)
    assert "Nothing has been learnt yet" in page and "Measured" in page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_from_typed_to_kept_in_a_browser_without_scripts(browser, root, scheme):
    app = make_app(Desk(Workspace(root), None))[0]
    server = create_server(app, host="127.0.0.1", port=0, threads=4)
    threading.Thread(target=server.run, daemon=True).start()
    context = browser.new_context(
        base_url=f"http://127.0.0.1:{server.effective_port}",
        color_scheme=scheme,
        java_script_enabled=False,
    )
    page = context.new_page()
    page.goto("/measured/")
    page.fill("[name=readings]", "70, 20, 60")
    by_hand = page.locator("form:has([name=readings])")
    for name, text in {"ink": "Bright red", "garment": "Black", "target": "38,62,34"}.items():
        by_hand.locator(f"[name={name}]").fill(text)
    by_hand.locator("button").click()
    page.wait_for_url("**/new/**")
    first = page.url
    page.click("text=Keep it")
    page.wait_for_url("**/batch/**")
    kept = page.url
    assert page.inner_text(".big") == "Look again"
    assert (
        page.evaluate("parseFloat(getComputedStyle(document.querySelector('.big')).fontSize)") > 90
    )
    assert "kept or left" in context.request.get(first).text()
    looking = browser.new_context(color_scheme=scheme, storage_state=context.storage_state())
    page = looking.new_page()
    page.goto(kept)
    page.click("summary")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        assert not too_wide(page, width)
        assert wrong_with(page) == {}
    looking.close()
    context.close()
    server.close()


def test_a_card_of_a_lot_is_handed_in_like_prints(client, root):
    own = pd.read_csv(root / "tables" / "drawdowns.csv", dtype=str)
    card = own[(own["ink_id"] == "C19") & (own["film_um"] != "bucket")]
    at = client.look(
        **upload(card.drop_duplicates("substrate_id").assign(ink_lot="X9"), "card.csv")
    )
    assert "New with it: 2 drawdowns" in text_of(client.get(at).text)
    told = text_of(client.get(client.keep(at).location).text)
    assert "Turquoise (C19), lot X9, is not printed yet; a card of it says it is as strong" in told
