"""The page of a check-up."""

import re
from dataclasses import replace

from pipelines.pages.check import write_check_page
from pipelines.registry.catalogue import Catalogue
from pipelines.words.check import advice, report
from tests.assessment.checked import checked
from tests.pages.test_prediction import Reader
from tests.small_demo import small_shop


def test_page_and_text_say_the_same(tmp_path):
    found = replace(checked(), curve=[replace(checked().today, n=40)])
    catalogue = Catalogue.of(small_shop())
    page = tmp_path / "check.html"
    write_check_page(page, found, catalogue, "0007")
    html = page.read_text(encoding="utf-8")
    read = Reader(html)
    words = " ".join(read.words)
    assert not re.search(r"(src|href)=.?http|<script|nan\b|None\b", html)
    for text in advice(found, catalogue.things()):
        assert text in words
    lines = report(found)
    job = next(k for k in found.kinds if k.kind == "job")
    assert any(line.startswith("the job") and f"{job.error:.2f}" in line for line in lines)
    assert f"{job.error:.2f}" in words
    assert "0007" in words
