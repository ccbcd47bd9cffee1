"""*Find*: from a target to a line, its press sheet, and what comes after."""

from __future__ import annotations

import io
import re
import time
from urllib.parse import parse_qs, urlsplit

import pytest

from pipelines.desk.safety import FORM
from tests.desk.conftest import marked, text_of

AIM = {"target": "33,55,28", "garment": ["Black", "White"]}


def found(client, query):
    """The page of a search, once it is done."""
    first = client.get("/find/", query_string=query)
    assert first.status_code == 200
    for _ in range(600):
        html = client.get("/find/", query_string=query).text
        if "data-pending" not in html:
            return first.text, html
        time.sleep(0.5)
    raise AssertionError("the search does not end")


def links(html, name):
    return [h.replace("&amp;", "&") for h in re.findall(rf'href="([^"]+)">{name}</a>', html)]


def test_a_search_says_that_it_works_and_leads_to_sheet_ask_and_measured(client):
    pending, html = found(client, AIM)
    assert "data-pending" not in pending or 'http-equiv="refresh"' in pending
    page = text_of(html)
    assert "Chance" in page and "dE00" in page and "that every garment comes within" in page
    assert len(re.findall(r'<section class="card"', html)) >= 2

    reply = client.get(links(html, "Press sheet")[0])
    assert reply.status_code == 200 and "Order of work" in reply.text
    policy = reply.headers["Content-Security-Policy"]
    assert "script-src" not in policy and "default-src 'none'" in policy
    assert "<script" not in reply.text

    table = client.get(links(html, "List to measure into")[0]).text
    assert "print_id" in table.splitlines()[0] and len(table.splitlines()) == 3

    measured = client.get(links(html, "It is printed: measured")[0]).text
    assert 'value="33,55,28"' in measured and 'value="Black"' in measured


def test_a_cost_is_told_of_what_may_be_run_alone(client):
    for aim in (AIM, {**AIM, "target": "60,-80,60"}):
        for card in found(client, aim)[1].split('<section class="card"')[1:]:
            runs = "Change the set-up first" not in card
            assert ("expected cost" in card) == runs


def test_what_is_asked_and_measured_of_a_line_is_just_the_line(client):
    """Its base where it has one, through its own screen."""
    _, html = found(client, AIM)
    for card in html.split('<section class="card"')[1:]:
        told = dict(re.findall(r"<figcaption>(\w+)[^<]*<small>([\d.]+) dE00", card))
        asked = {}
        for link in links(card, "Ask about it[^<]*"):
            page = text_of(client.get(link).text)
            misses = re.findall(r"Target to print ([\d.]+) dE00", page)
            on = re.findall(r"\bon (Black|White) (?:Straight|Test|Change)", page)
            asked |= zip(on, misses, strict=True)
        assert asked == told and len(told) == 2
        title = re.search(r"<h2>\d\. (.+?)</h2>", card)[1]
        base = re.search(r"base [^;]+ through (\S+),", title)
        given = parse_qs(urlsplit(links(card, "It is printed: measured")[0]).query)
        based = base is not None and not title.endswith("on White only")
        assert given.get("base_screen") == ([base[1]] if based else None)


def test_the_first_line_is_that_of_the_command(client, learnt_workspace, capsys):
    from pipelines.cli import main

    _, html = found(client, AIM)
    assert main(["--workspace", str(learnt_workspace), "plan", "--target", "33,55,28",
                 "--garment", "Black", "--garment", "White"]) == 0  # fmt: skip
    told = capsys.readouterr().out
    line = re.search(r"Print\s+(.+)", told)[1].split(";")[0]
    assert re.sub(r" \(\w+\)", "", line) in text_of(html)  # by its name alone


def test_inks_screens_and_bases_can_be_limited(client):
    only = {"ink": ["Bright red", "Warm yellow"], "screen": "M77-55", "base": "none"}
    _, html = found(client, AIM | only)
    titles = re.findall(r"<h2>\d\. (.+?)</h2>", html)
    assert titles and all("red" in t or "yellow" in t for t in titles)
    assert all("77-55" in t and "base" not in t.replace("no base", "") for t in titles)
    assert html.count('name="ink" value="') == 2  # they stay picked, on the press sheet too
    assert "screen=M77-55" in links(html, "Press sheet")[0]
    _, html = found(client, AIM | {"ink": "Bright red", "base": ["none", "U1"]})
    assert all("red" in t for t in re.findall(r"<h2>\d\. (.+?)</h2>", html))
    reply = client.get("/find/", query_string=AIM | {"ink": "nonsense"})
    assert reply.status_code == 400 and "Ink &#34;nonsense&#34; is not known" in text_of(reply.text)
    wrong = {"garment": ["blakc", "Black"], "ink": "nonsense", "target": "dawn", "tolerance": "-1"}
    assert set(marked(client.get("/find/", query_string=wrong).text)) == {
        "garment",
        "ink",
        "target",
        "tolerance",
    }
    # what was typed stays, and what was picked stays picked
    assert 'value="nonsense"' in reply.text and 'value="33,55,28"' in reply.text
    picked = re.findall(r'name="garment" value="(\w+)"[^>]* checked', reply.text)
    assert sorted(picked) == ["Black", "White"]


def test_mixes_are_told_in_percent(client):
    _, html = found(client, AIM | {"way": "mix", "garment": ["White"]})
    page = text_of(html)
    assert re.search(r"1\. [\d.]+ % ", page) and "Printed as usual: the mix" in page


def test_after_a_test_print_of_a_mix_it_says_what_to_add(client):
    _, html = found(client, AIM | {"way": "mix", "garment": ["White"]})
    address = links(html, "What to add")[0]
    page = client.get(address).text
    assert "L, a, b measured on White" in text_of(page)
    garment = re.search(r'name="(measured-[^"]+)"', page)[1]
    told = text_of(client.get(f"{address}&{garment}=39,50,26&kg=5").text)
    assert "As it is:" in told and "Add to your 5 kg:" in told and "Expected:" in told
    for wrong, sentence in (
        (f"{garment}=39,50", "not three numbers"),
        (f"{garment}=139,50,26", "&#34;139&#34; is outside 0 to 100"),
        (f"{garment}=39,50,26&kg=-1", "is no weight"),
        (f"{garment}=39,50,26&have=X:9", "did not come from this page"),
    ):
        reply = client.get(f"{address}&{wrong}")
        assert reply.status_code == 400 and sentence in text_of(reply.text)


def test_a_tap_on_the_palette_is_a_target(client):
    html = client.get("/find/").text
    tapped = re.search(r'<button form="look" name="target" value="([^"]+)"', html)[1]
    # As a browser sends the form: its own fields, then the button, whatever stood in the field.
    html = client.get(f"/find/?target=9,9,9&garment=Black&target={tapped}").text
    assert f'name="target" value="{tapped}"' in html and "9,9,9" not in html


def test_a_measured_chip_becomes_the_target_and_its_name_no_path(client):
    client.get("/screen/")
    with client.session_transaction() as session:
        session[FORM] = "k"
    chip = b"sample,L,a,b\nchip,45,60,30\n"
    sent = {FORM: "k", "file": (io.BytesIO(chip), "../../chip.csv")}
    reply = client.post("/find/chip?garment=Black", data=sent)
    assert reply.status_code == 303 and "45.00%2C60.00%2C30.00" in reply.location
    two = b"sample,L,a,b\nA,45,60,30\nB,85,0,0\n"
    sent = {FORM: "k", "file": (io.BytesIO(two), "two.csv")}
    reply = client.post("/find/chip", data=sent)
    assert reply.status_code == 400 and "not of one chip" in text_of(reply.text)


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ({"target": "a shade of dawn", "garment": "Black"}, "is no target"),
        ({"target": "45,60,30", "garment": "blakc"}, "is Black meant?"),
        ({"target": "45,60,30", "garment": "Black", "tolerance": "-1"}, "is no dE00"),
    ],
)
def test_a_mistake_is_a_sentence(client, query, sentence):
    reply = client.get("/find/", query_string=query)
    assert reply.status_code == 400 and sentence in text_of(reply.text)
    attack = "<script>alert(1)</script>"
    for name in query:
        assert attack not in client.get("/find/", query_string=query | {name: attack}).text
