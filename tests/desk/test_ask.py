"""*Ask*: the same answers as `strikeoff predict`, by name, and one sentence for a mistake."""

from __future__ import annotations

import re
import shutil
import time
from threading import Thread

import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.desk.app import make_app
from pipelines.desk.asked import as_it_stands
from pipelines.desk.opened import Desk
from pipelines.workspace.folders import Workspace
from tests.commands.test_left_open import usual_jobs
from tests.desk.conftest import later, marked, text_of


def test_without_a_question_everything_can_be_picked(client):
    html = client.get("/ask/").text
    said = text_of(html)
    assert "Pick an ink and a garment" in said
    for name in ("Turquoise", "Black", "White base", "no base", "43-80"):
        assert name in said
    assert '<option value="Bright red">' in html


def test_the_answer_is_that_of_the_command(client, learnt_workspace, capsys):
    command = ["predict", "turquoise", "black tee", "--target", "45,-30,-20"]
    assert main(["--workspace", str(learnt_workspace), *command]) == 0
    told = " ".join(capsys.readouterr().out.split())
    query = {"ink": "turquoise", "garment": "black tee", "target": "45,-30,-20"}
    said = text_of(client.get("/ask/", query_string=query).text)
    miss = re.search(r"target to print ([\d.]+) dE00, 90 % ([\d.]+ to [\d.]+)", told)
    assert f"Target to print {miss[1]} dE00" in said and miss[2] in said
    shift = re.search(r"bucket to print ([\d.]+) dE00", told)
    assert f"Bucket to print {shift[1]} dE00" in said
    filled = re.search(r"Filled in (.*) Model", told)
    assert filled[1] in said
    why = re.search(r"Why (.*) Ink", told)
    assert why[1] in said


def test_a_press_that_is_picked_is_the_commands_press(client, learnt_workspace, capsys):
    """Its colours in numbers too, of which the page shows swatches."""
    query = {"ink": "turquoise", "garment": "black tee", "target": "45,-30,-20"}
    told = {}
    for press in ("P1", "P2"):
        command = ["predict", "turquoise", "black tee", "--target", "45,-30,-20", "--press", press]
        assert main(["--workspace", str(learnt_workspace), *command]) == 0
        said = " ".join(capsys.readouterr().out.split())
        html = client.get("/ask/", query_string=query | {"also": f"press_id:{press}"}).text
        assert f'<option value="press_id:{press}" selected>' in html
        assert '<option value="" id="usual-press" data-live>as usual</option>' in html
        told[press] = re.search(r"Print (L [\d.]+ \+- [\d.]+ .*?) +\(90 % band\)", said)[1]
        assert told[press].replace(" a", ", a").replace(" b", ", b") in text_of(html)
    assert told["P1"] != told["P2"]
    html = client.get("/ask/", query_string=query).text
    assert re.search(r'id="usual-press" data-live>as usual: P\d</option>', html)


def test_flashes_that_nobody_told_are_as_open_as_to_the_command(client, learnt_workspace, capsys):
    """Two strokes where one is usual: whether they are flashed nobody knows."""
    command = ["predict", "turquoise", "black tee", "--strokes", "2", "--target", "45,-30,-20"]
    assert main(["--workspace", str(learnt_workspace), *command]) == 0
    told = " ".join(capsys.readouterr().out.split())
    query = {"ink": "turquoise", "garment": "black tee", "target": "45,-30,-20", "strokes": "2"}
    html = client.get("/ask/", query_string=query).text
    said = text_of(html)
    assert re.search(r'id="usual-flashes" data-live>not told</option>', html)
    miss = re.search(r"target to print ([\d.]+) dE00, 90 % ([\d.]+ to [\d.]+)", told)
    assert f"Target to print {miss[1]} dE00" in said and miss[2] in said
    flashed = text_of(client.get("/ask/", query_string=query | {"flashes": "1"}).text)
    assert miss[2] not in flashed


def test_screen_and_strokes_that_are_picked_keep_the_usual_base(client):
    query = {"ink": "turquoise", "garment": "black", "screen": "M43-80", "strokes": "2"}
    said = text_of(client.get("/ask/", query_string=query).text)
    assert "as usual: White base" in said
    assert "mesh M43-80, 2 strokes" in said
    bare = text_of(client.get("/ask/", query_string=query | {"base": "none"}).text)
    assert "none, straight on the cloth" in bare


def test_a_step_is_shown_in_full_beside_the_answer(client):
    query = {"ink": "turquoise", "garment": "black"}
    html = client.get("/ask/", query_string=query).text
    steps = dict(re.findall(r'id="step-(\w+)-\d-\d+" href="([^"]+)"', html))
    assert set(steps) >= {"base_off", "coarser", "finer", "stroke"}
    beside = client.get(steps["base_off"].replace("&amp;", "&")).text
    assert "Beside it: Without base" in text_of(beside)
    off = client.get("/ask/", query_string=query | {"base": "none"}).text
    shown = re.compile(r"Bucket to print ([\d.]+) dE00")
    assert shown.findall(text_of(beside))[1] == shown.findall(text_of(off))[0]


def test_why_adds_up(client):
    query = {"ink": "turquoise", "garment": "black", "why": "1"}
    said = text_of(client.get("/ask/", query_string=query).text)
    shares = said.split("dE00 ", 1)[1]
    assert "together" in shares
    assert "Without the base it would lie" in said


def test_several_garments_have_a_card_each(client):
    html = client.get("/ask/?ink=turquoise&garment=Black&garment=White").text
    assert len(re.findall(r'<section class="card"', html)) == 2


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        (
            {"ink": "turqoise", "garment": "black"},
            'Ink "turqoise" is not known here; is Turquoise meant?',
        ),
        ({"ink": "red", "garment": "black"}, 'Ink "red" may be'),
        (
            {"ink": "turquoise", "garment": "C19"},
            'Garment: "C19" is the ink Turquoise (C19); name a garment here.',
        ),
        (
            {"ink": "turquoise", "garment": "blakc"},
            'Garment "blakc" is not known here; is Black meant?',
        ),
        (
            {"ink": "turquoise", "garment": "black", "strokes": "many"},
            'Strokes: "many" is not a number;',
        ),
        ({"ink": "turquoise", "garment": "black", "strokes": "1", "flashes": "3"}, "Flashes"),
        ({"ink": "turquoise", "garment": "black", "screen": "M43-81"}, 'Screen "M43-81" is'),
        ({"ink": "turquoise", "garment": "black", "tolerance": "-1"}, 'Tolerance: "-1" is outside'),
        ({"ink": "turquoise", "garment": "black", "tolerance": "-1,5"}, '"-1.5" is outside'),
        ({"ink": "turquoise", "garment": "black", "target": "a shade of dawn"}, "is no target"),
    ],
)
def test_a_mistake_is_a_sentence_in_the_words_of_the_page(client, query, sentence):
    reply = client.get("/ask/", query_string=query)
    assert reply.status_code == 400
    said = text_of(reply.text)
    assert sentence.replace('"', "&#34;") in said
    assert "Traceback" not in reply.text and "--" not in said


def test_each_field_with_a_mistake_is_marked_and_linked_to_its_sentence(client):
    query = {"ink": "turquoise", "garment": "black", "strokes": "many", "tolerance": "-1"}
    found = marked(client.get("/ask/", query_string=query).text)
    assert {name: [one[:9] for one in told] for name, told in found.items()} == {
        "strokes": ["Strokes: "],
        "tolerance": ["Tolerance"],
    }
    for field, text in {"ink": "turqoise", "garment": "blakc", "target": "dawn"}.items():
        wrong = {"ink": "turquoise", "garment": "black"} | {field: text}
        ((name, told),) = marked(client.get("/ask/", query_string=wrong).text).items()
        assert name == field and text in told[0]
    several = {"ink": "turqoise", "garment": "black", "target": "dawn", "screen": "M43-81"}
    reply = client.get("/ask/", query_string=several | {"strokes": "many", "base": "none"})
    assert set(marked(reply.text)) == {"ink", "target", "screen", "strokes"}
    assert "ink=Turquoise" in reply.text  # as what is meant, to be tapped
    stands = {"ink": "turquoise", "garment": "black", "screen": "M43-81", "whole": "1"}
    (told,) = marked(client.get("/ask/", query_string=stands).text).values()
    assert len(told) == 1 and "M43-81" in told[0]  # and not that none is given
    assert not marked(client.get("/ask/?ink=turquoise&garment=black").text)


def test_of_several_garments_a_wrong_one_stays_typed_and_the_others_picked(client):
    reply = client.get("/ask/?ink=turquoise&garment=Black&garment=Zebra")
    assert reply.status_code == 400 and 'value="Zebra"' in reply.text
    picked = re.findall(r'name="(?:ink|garment)" value="(\w+)"[^>]* checked', reply.text)
    assert picked == ["Turquoise", "Black"]


def test_names_are_escaped(client):
    attack = '"><script>alert(1)</script>'
    for name in ("ink", "garment", "base", "screen", "strokes", "target", "tolerance", "beside"):
        query = {"ink": "turquoise", "garment": "black"} | {name: attack}
        assert "<script>alert" not in client.get("/ask/", query_string=query).text


def test_what_changes_in_the_store_is_on_the_next_page(learnt_workspace, tmp_path):
    root = shutil.copytree(learnt_workspace, tmp_path / "w")
    client = make_app(Desk(Workspace(root), None))[0].test_client()
    query = {"ink": "turquoise", "garment": "black", "base": "none"}
    assert client.get("/ask/", query_string=query).status_code == 200
    inks = root / "tables" / "inks.csv"
    inks.write_text(inks.read_text().replace("Turquoise", "Lagoon"))
    assert main(["--workspace", str(root), "import", str(root / "tables"), "--shop", "s"]) == 0
    assert client.get("/ask/", query_string=query).status_code == 400
    assert "Lagoon" in client.get("/ask/", query_string=query | {"ink": "lagoon"}).text


def test_new_inks_that_take_long_come_in_behind_the_page(learnt_workspace, tmp_path, monkeypatch):
    monkeypatch.setattr("pipelines.desk.opened.MOST_NEW", 0)
    root = shutil.copytree(learnt_workspace, tmp_path / "w")
    inks = root / "tables" / "inks.csv"
    (row,) = (line for line in inks.read_text().splitlines() if "Turquoise" in line)
    inks.write_text(
        f"{inks.read_text()}{row.replace('Turquoise', 'Lagoon').replace('C', 'N', 1)}\n"
    )
    assert main(["--workspace", str(root), "import", str(root / "tables"), "--shop", "s"]) == 0
    client = make_app(Desk(Workspace(root), None))[0].test_client()
    query = {"ink": "lagoon", "garment": "black"}
    first = client.get("/ask/", query_string=query)
    assert first.status_code == 400 and "1 new ink came into the tables" in first.text
    assert client.get("/ask/", query_string=query | {"ink": "turquoise"}).status_code == 200
    last = time.monotonic() + 30
    while (reply := client.get("/ask/", query_string=query)).status_code != 200:
        assert time.monotonic() < last
        time.sleep(0.2)
    assert "Lagoon" in reply.text and "came into the tables" not in reply.text


def test_many_at_once_get_the_answers_of_one(app):
    inks = ["Turquoise", "Deep red", "Clear magenta", "Warm yellow"]
    alone = {i: app.test_client().get(f"/ask/?ink={i}&garment=Black").text for i in inks}
    wrong = []

    def ask(ink: str) -> None:
        for _ in range(3):
            if app.test_client().get(f"/ask/?ink={ink}&garment=Black").text != alone[ink]:
                wrong.append(ink)

    threads = [Thread(target=ask, args=(ink,)) for ink in inks * 2]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong


def test_a_shop_without_a_model_is_told_so(tmp_path):
    client = make_app(Desk(Workspace(tmp_path), None))[0].test_client()
    reply = client.get("/ask/")
    assert reply.status_code == 400
    assert "There is no shop here yet" in text_of(reply.text)


def test_a_lot_can_be_asked_about_and_goes_with_its_ink(client):
    query = {"ink": "Turquoise", "garment": "Black"}
    html = client.get("/ask/", query_string=query).text
    offered = re.findall(r'<option value="(ink_lot:[^"]+)"', html)
    assert offered[-1] == "ink_lot:new" and len(offered) > 1
    for lot in (offered[0], offered[-1]):
        html = client.get("/ask/", query_string=query | {"also": lot}).text
        assert f'value="{lot}" selected' in html and "Chance" in html
    other = client.get("/ask/", query_string=query | {"ink": "Deep red", "also": offered[0]}).text
    assert offered[0] not in other


def test_a_name_that_fits_several_is_offered_to_be_tapped(client):
    html = client.get("/ask/?ink=red&garment=Black&target=45,60,30").text
    tap = re.search(r'<a class="button" href="([^"]+)">Bright red</a>', html)[1]
    page = client.get(tap.replace("&amp;", "&"))
    assert page.status_code == 200 and "Bright red on Black" in text_of(page.text)
    assert 'name="target" list="targets" autocomplete="off" value="45,60,30"' in page.text


def a_card_may_do(app, tmp_path) -> tuple[dict, str, str]:
    """A set-up of which the page tells that a card may do instead of a test print, the address that
    asks about it, and what is said there."""
    row = usual_jobs(tmp_path, 1).iloc[0].to_dict()
    row |= {"ink_lot": "X9", "printed_on": "2026-03-02"}
    for tolerance in (f"{0.1 * (i + 5):g}" for i in range(26)):
        with app.test_request_context():
            asked = as_it_stands(row, (row["substrate_id"],), row["target"], tolerance)
            address = asked.address()
        said = later(app.test_client(), address)
        if "a card of it may do" in said:
            return row | {"tolerance_dE00": tolerance}, address, said
    pytest.fail("no card would do")


def test_a_card_that_would_do_instead_of_a_test_print_is_told_as_predict_tells_it(
    app, learnt_workspace, tmp_path, capsys
):
    row, _, said = a_card_may_do(app, tmp_path)
    told = re.search(r"Lot X9 of .* was never printed, .* the answer goes by that\.", said)[0]
    assert "Test print first" in said and "straight to production" in told
    pd.DataFrame([row]).to_csv(tmp_path / "one.csv", index=False)
    command = ["predict", str(tmp_path / "one.csv"), "--out", str(tmp_path / "out.csv")]
    assert main(["--workspace", str(learnt_workspace), *command]) == 0
    out = capsys.readouterr().out
    ink, drawn = re.search(r"^Lot X9 of (.*) was never .* draw it down (.*), as the", told).groups()
    assert "1 set-up with a test print first may do with a card" in out
    assert f"of {ink}, {drawn}, for S1" in out
