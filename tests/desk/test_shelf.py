"""*Shelf*: what `strikeoff list` tells, inks on the shop's garments, and what to print next."""

from __future__ import annotations

import re
import time

import pandas as pd
import pytest

from pipelines.cli import main
from pipelines.desk.app import make_app
from pipelines.desk.opened import Desk
from pipelines.workspace.folders import Workspace
from tests.commands.conftest import imported, shop  # noqa: F401  fixtures
from tests.desk.conftest import text_of
from tests.small_demo import small_shop


def test_it_lists_what_the_command_lists(client, learnt_workspace, capsys):
    said = text_of(client.get("/shelf/").text)
    assert main(["--workspace", str(learnt_workspace), "list", "inks"]) == 0
    for line in capsys.readouterr().out.splitlines()[1:]:
        code, name, _, covers, _, _, known = re.split(r"\s{2,}", line.strip())
        assert f"{name} " in said and code in said and covers in said and known in said


@pytest.mark.parametrize(
    ("kind", "has", "not_"),
    [("inks", "Bright red", "Turquoise"), ("garments", "Red", "Ash grey heather")],
)
def test_words_find_by_their_beginnings(client, kind, has, not_):
    said = text_of(client.get("/shelf/", query_string={"kind": kind, "word": "red"}).text)
    assert has in said and not_ not in said
    said = text_of(client.get("/shelf/", query_string={"kind": kind, "word": "<zebra>"}).text)
    assert "Nothing has the words &lt;zebra&gt;" in said


def test_an_ink_is_shown_as_ask_shows_it(client):
    html = client.get("/shelf/ink/?one=C19").text
    ways = re.findall(r'class="way" href="([^"]+)".*?<small>([\d.]+) dE00', html, re.S)
    assert len(ways) >= 2 * len(small_shop().prints["substrate_id"].unique()) - 4
    for href, moved in ways[:4]:
        asked = text_of(client.get(href.replace("&amp;", "&")).text)
        assert f"Bucket to print {moved} dE00" in asked, href


def test_the_prints_that_tell_most_are_those_of_new_ink(client, learnt_workspace, capsys):
    html = client.get("/shelf/ink/?one=C08&next=1").text
    command = ["--workspace", str(learnt_workspace), "new-ink", "--ink", "C08"]
    assert main(command) == 0
    told = capsys.readouterr().out
    sure = re.findall(r"^(?:now|\d)\s+([\d.]+) dE00 of prediction", told, re.M)
    assert len(sure) > 1
    assert re.findall(r'class="num"[^>]*>([\d.]+) dE00', html) == sure
    base = text_of(client.get("/shelf/ink/?one=U1&next=1").text)
    assert "is an underbase" in base


@pytest.mark.parametrize("path", ["/shelf/?kind=../etc", "/shelf/ink/?one=nope", "/shelf/ink/"])
def test_what_is_not_there_is_told(client, path):
    reply = client.get(path)
    assert reply.status_code == 404
    assert "There is no such page here" in reply.text


def test_a_thousand_inks_are_a_page_at_a_time(shop, tmp_path):  # noqa: F811
    """Before anything is learnt; names that are marks are shown as they are written."""
    tables = tmp_path / "large"
    assert main(["export", str(tables)]) == 0
    inks = pd.read_csv(tables / "inks.csv", dtype=str, keep_default_na=False)
    more = pd.concat([inks.iloc[[0]]] * 1000, ignore_index=True)
    more["ink_id"] = [f"N{i:04d}" for i in range(1000)]
    more["ink_name"] = [f"<b>Shade {i}</b>" for i in range(1000)]
    if "aliases" in more:
        more["aliases"] = ""
    pd.concat([inks, more]).to_csv(tables / "inks.csv", index=False)
    assert main(["import", str(tables), "--shop", "large"]) == 0
    client = make_app(Desk(Workspace(shop), "large"))[0].test_client()
    first = client.get("/shelf/")
    assert first.status_code == 200 and len(first.data) < 60_000
    assert "<b>Shade" not in first.text and "&lt;b&gt;Shade" in first.text
    begun = time.perf_counter()
    seen, reply = set(), first
    while reply is not None:
        seen |= set(re.findall(r"N\d{4}", reply.text))
        after = re.search(r'href="([^"]+)">After these', reply.text)
        reply = client.get(after[1].replace("&amp;", "&")) if after else None
    assert len(seen) == 1000
    assert time.perf_counter() - begun < 20
