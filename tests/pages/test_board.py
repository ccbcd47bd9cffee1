"""The board of jobs, and pages that are divided."""

from __future__ import annotations

import os
import re
import shutil
import subprocess

import pandas as pd
import pytest

from learn.predict.causes import Cause
from learn.shop import ShopSettings
from pipelines.pages import parts
from pipelines.pages.prediction import write_page
from pipelines.words.jobs import board
from pipelines.workspace.problems import UserError
from tests.pages.test_prediction import VALIDATION, Reader, frames

LONG = "School fair at the harbour, second delivery of the year, both sides"


def week(n_jobs: int, colours: int):
    """Jobs of ``colours`` each, with long names; every third set-up wants a test print."""
    predictions, setups = frames(n_jobs * colours)
    names = [f"{1000 + i // colours} {LONG}" for i in range(len(setups))]
    setups = setups.assign(
        job_id=names, ink_name=f"Bright red {LONG}", colour_name=f"Navy {LONG}", fibre="cotton",
        printed_on=pd.Timestamp("2026-01-28"),
    )  # fmt: skip
    jobs = []
    for j in range(n_jobs):
        rows = tuple(range(j * colours, (j + 1) * colours))
        held = next((i for i in rows if predictions["verdict"][i] != "go"), -1)
        cause = Cause.SURE if held < 0 else Cause(predictions["cause"][held])
        jobs.append(
            {"job_id": names[rows[0]], "rows": rows, "p_all": 0.01 * j, "alone": False,
             "cause": cause, "verdict": cause.verdict, "held_by": held}
        )  # fmt: skip
    return predictions, setups, pd.DataFrame(jobs)


def write(path, predictions, setups, jobs):
    write_page(
        path, predictions, setups, shop_name="Invented Shop", model_version="v3",
        settings=ShopSettings("Invented Shop"), validation=VALIDATION,
        board=board(jobs, predictions, setups),
    )  # fmt: skip
    return path.read_text(encoding="utf-8")


def test_a_line_a_job_the_worst_first_with_what_holds_it_up(tmp_path):
    predictions, setups, jobs = week(6, 2)  # set-ups 0, 3, 6, 9 want a test print
    setups = setups.assign(ink_name=[f"ink {i}" for i in range(12)], colour_name="navy")
    lines = board(jobs, predictions, setups)
    assert [line.kind for line in lines] == ["test"] * 4 + ["go"] * 2
    assert lines[0].headline == "Test print first: ink 0 on navy"
    assert lines[1].do == "test ink 3 on navy"
    assert [line.rows[0] for line in lines] == [0, 2, 6, 8, 4, 10]
    html = write(tmp_path / "week.html", predictions, setups, jobs)
    text = Reader(html).text
    shown = html[html.index('class="board') : html.index("</section>")]
    assert re.findall(r'href="#s(\d+)"', shown) == ["1", "3", "7", "9", "5", "11"]
    assert shown.count("#sign-test") == 4 + 1 and shown.count("#sign-go") == 2 + 1
    # a colour that would go by itself says that its job does not
    held = [f"Its job, {jobs['job_id'][j]}: Test print first: ink {i} on navy" for j, i in
            ((0, 0), (1, 3), (3, 6), (4, 9))]  # fmt: skip
    assert [text.count(one) for one in held] == [2, 2, 2, 2]  # overview and card


def test_pages_of_many_set_ups_are_divided_and_lead_to_each_other(tmp_path):
    path = tmp_path / "week.html"
    html = write(path, *week(70, 6))
    files = [tmp_path / f"week-part{k}.html" for k in (1, 2, 3)]
    assert sorted(tmp_path.iterdir()) == [*files, path]
    cards = {f.name: re.findall(r'<article id="(s\d+)"', f.read_text()) for f in files}
    assert [len(ids) for ids in cards.values()] == [198, 198, 24]  # no job is torn
    linked = re.findall(r'href="(week-part\d.html)#(s\d+)"', html)
    assert len(linked) == 70 and all(anchor in cards[file] for file, anchor in linked)
    assert "<article" not in html and set(re.findall(r'href="([^"#]+)"', html)) == set(cards)
    # a shorter run takes away the parts it no longer has, but nobody else's file
    other = tmp_path / "week-part4.html"
    other.write_text("a note of somebody else's")
    write(path, *week(40, 6))
    assert sorted(tmp_path.iterdir()) == [*files[:2], other, path]
    write(path, *week(4, 6))
    assert sorted(tmp_path.iterdir()) == [other, path]


def test_a_part_takes_the_place_of_no_other_file(tmp_path):
    other = tmp_path / "week-part2.html"
    other.write_text("a note of somebody else's")
    with pytest.raises(UserError, match="another file has this name already"):
        write(tmp_path / "week.html", *week(70, 6))
    assert list(tmp_path.iterdir()) == [other]


def test_parts_are_written_as_one(tmp_path, monkeypatch):
    path = tmp_path / "week.html"
    write(path, *week(4, 6))
    before = path.read_bytes()
    real = os.replace

    def fails(source, target):
        if str(target).endswith("part1.html"):
            raise OSError("disk full")
        real(source, target)

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="disk full"):
        write(path, *week(70, 6))
    assert path.read_bytes() == before  # nothing leads to parts that are not there


def test_division():
    assert parts.divided([(0, 1), (2, 3, 4), (5,)], most=4) == [[0, 1], [2, 3, 4, 5]]
    assert parts.divided([(0, 1, 2, 3, 4)], most=2) == [[0, 1], [2, 3], [4]]
    assert parts.divided([], most=2) == [[]]


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("n_jobs", [18, 27, 40])
def test_the_board_prints_to_one_page(tmp_path, monkeypatch, n_jobs, paper):
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None or shutil.which("pdfinfo") is None:
        pytest.skip("needs chromium and pdfinfo")
    path = tmp_path / "week.html"
    monkeypatch.setattr(parts, "MOST", 60)  # the cards elsewhere: the board stands alone
    html = write(path, *week(n_jobs, 5))
    assert "<article" not in html
    sheet = html.replace("@page{margin:10mm}", f"@page{{margin:10mm;size:{paper}}}")
    assert sheet != html
    path.write_text(sheet, encoding="utf-8")
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
         f"--user-data-dir={tmp_path / 'browser'}", "--no-pdf-header-footer",
         f"--print-to-pdf={tmp_path / 'week.pdf'}", path.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    found = subprocess.run(
        ["pdfinfo", tmp_path / "week.pdf"], check=True, capture_output=True, text=True
    ).stdout
    assert re.search(r"Pages: +(\d+)", found).group(1) == "1"
