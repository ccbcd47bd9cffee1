"""On paper, A4 and Letter: one page where one is promised."""

from __future__ import annotations

import re
import time

import pytest

from pipelines.cli import main

SHEET = "/find/sheet?target=33,55,28&garment=Black&garment=White&line=1"


@pytest.fixture
def page(browser, address):
    context = browser.new_context(base_url=address)
    yield context.new_page()
    context.close()


def pages(page) -> dict[str, int]:
    """How many pages it prints on, by the size of the paper."""
    pdfs = {paper: page.pdf(format=paper) for paper in ("A4", "Letter")}
    return {paper: len(re.findall(rb"/Type\s*/Page\b", pdf)) for paper, pdf in pdfs.items()}


def test_one_answer(page):
    page.goto("/ask/?ink=turquoise&garment=Black&target=45,-30,-20")
    assert pages(page) == {"A4": 1, "Letter": 1}


def test_a_press_sheet(page):
    for _ in range(300):
        if page.goto(SHEET).status == 200:
            break
        time.sleep(1)
    assert page.locator("text=Order of work").count()
    assert pages(page) == {"A4": 1, "Letter": 1}


def test_the_picture_for_a_customer(page, learnt_workspace, tmp_path):
    asked = ["picture", "turquoise", "Black,White", "--target", "45,-30,-20"]
    path = tmp_path / "picture.html"
    assert main(["--workspace", str(learnt_workspace), *asked, "--page", str(path)]) == 0
    page.goto(path.as_uri())
    assert pages(page) == {"A4": 1, "Letter": 1}


def test_a_long_page_is_told_from_one(page):
    page.set_content("<p>line</p>" * 200)
    assert min(pages(page).values()) > 1
