"""The whole job in a real browser, in every way a page is used: from an empty folder to a model,
from a target to a press sheet, from what was measured to a model that has learnt it."""

from __future__ import annotations

import csv
import io
import re
import shutil
from unittest import mock

import pandas as pd
import pytest

from tests.desk.conftest import serving
from tests.desk.hands import WAYS, Hands, hands
from tests.small_demo import DEMO, TINY_INKS, tiny_shop, write_tables

TARGET = "51,-59,-8"  # what the turquoise comes near to over a base
LEARN = "Learn what has come in"
LEARNS = ("mouse", "no script")  # ways that wait for it


@pytest.fixture
def small_folder(tmp_path):
    """A demo shop that learns soon: four inks of the demo, their prints of every fourth job, and
    what the week holds of them."""
    folder = tmp_path / "shipped"
    kept = tiny_shop().prints["print_id"]
    write_tables(folder / "tables", TINY_INKS, lambda prints: prints[prints["print_id"].isin(kept)])
    week = pd.read_csv(DEMO / "next_week.csv", dtype=str, keep_default_na=False)
    known = ["", *TINY_INKS]
    week = week[week["ink_id"].isin(known) & week["underbase_ink_id"].isin(known)]
    assert len(week) > 1
    week.to_csv(folder / "next_week.csv", index=False)
    with mock.patch("pipelines.tasks.demo.demo_folder", return_value=folder):
        yield folder


def test_from_nothing_to_a_model_that_has_learnt_what_was_measured(browser, small_folder, tmp_path):
    root = tmp_path / "empty"
    root.mkdir()
    with serving(root) as address, hands(browser, address, "mouse") as one:
        one.page.goto("/")
        assert "/begin/" in one.page.url
        one.look()
        one.tap(one.page.get_by_role("button", name="Look round the invented shop"))
        one.page.wait_for_selector("text=This is the invented shop")
        one.wait()
        one.look()
        assert "Nothing" in one.text() or "prints are in use" in one.text()

        one.tap(one.page.get_by_role("main").get_by_role("link", name="Progress"))
        assert "Prints not learnt from yet" in one.text()
        one.tap(one.page.get_by_role("button", name=LEARN))
        one.page.wait_for_selector("#learning[data-pending]")
        one.page.wait_for_function(r"() => / \d+ s\]/.test(document.body.innerText)")
        one.look()
        other = one.page.context.new_page()  # the rest can be used meanwhile
        other.goto("/shelf/")
        assert "Turquoise" in other.inner_text("main")
        other.close()
        one.wait()
        assert "What came of it" in one.text() and "0001" in one.text()
        one.look()

        one.go("Today")
        one.wait()
        one.look()
        assert one.page.locator(".jobs li").count() > 1
        the_job(one)


@pytest.mark.parametrize("way", [way for way in WAYS if way != "mouse"])
def test_the_same_job_in_every_way(browser, learnt_workspace, tmp_path, way):
    root = shutil.copytree(learnt_workspace, tmp_path / "own")
    with serving(root) as address, hands(browser, address, way) as one:
        one.page.goto("/")
        the_job(one)


def the_job(one: Hands) -> None:
    """From a question to a model that has learnt the print that came of it."""
    ask(one)
    listed = find(one)
    measure(one, listed)
    learn(one)


def ask(one: Hands) -> None:
    """An ink and a garment by name; the answer is there at once, or by the button."""
    page = one.page
    one.go("Ask")
    one.write(page.locator('input[list="inks"]'), "Turquoise")
    one.write(page.locator('input[list="garments"]'), "Black")
    if one.way == "no script":
        one.tap(page.get_by_role("button", name="Show"))
    elif one.way == "keys":
        page.keyboard.press("Enter")
    else:
        page.locator('input[list="garments"]').blur()
    page.wait_for_selector("#answer .verdict")
    assert "Turquoise" in one.text("#answer") and "on Black" in one.text("#answer")
    one.look()


def find(one: Hands) -> str:
    """A target and two garments: a line, its press sheet, and the list to measure into."""
    page = one.page
    one.go("Find")
    one.write(page.get_by_label("Target colour"), TARGET)
    for garment in ("Black", "White"):
        one.tap(page.get_by_role("checkbox", name=re.compile(f"^{garment}")))
    one.tap(page.get_by_role("button", name="Look for it"))
    page.wait_for_selector("#answer .card, #answer [data-pending]")
    one.wait()
    assert "that every garment comes within" in one.text("#answer")
    one.look()
    listed = one.downloaded(page.get_by_role("link", name="List to measure into"))
    one.tap(page.get_by_role("link", name="Press sheet"))
    page.wait_for_selector("text=Order of work")
    assert not page.locator("script").count()
    page.go_back()
    one.wait()
    return listed


def measure(one: Hands, listed: str) -> None:
    """One row wrong: refused whole. Put right: shown, decided on, kept."""
    page = one.page
    rows = list(csv.DictReader(io.StringIO(listed)))
    assert len(rows) == 2
    L, a, b = TARGET.split(",")
    rows[0] |= {"L": L, "a": a, "b": b}
    rows[1] |= {"L": L, "a": a.lstrip("-"), "b": b}
    right = rows[1]["substrate_id"]

    def handed_in(garment: str) -> None:
        rows[1]["substrate_id"] = garment
        table = io.StringIO()
        out = csv.DictWriter(table, rows[0])
        out.writeheader()
        out.writerows(rows)
        one.give(page.locator("[name=file]"), "monday.csv", table.getvalue())
        form = page.locator("form:has([name=file])")
        one.write(form.locator("[name=target]"), TARGET)
        one.tap(form.get_by_role("button", name="Look at it"))

    one.go("Measured")
    handed_in("no such garment")
    page.wait_for_selector(".wrong")
    assert "row 3" in one.text(".wrong") and "no such garment" in one.text(".wrong")
    one.look()
    handed_in(right)
    page.wait_for_url("**/new/**")
    assert "Nothing is stored yet" in one.text()
    first = page.locator(".card.arrived").filter(has_text=rows[0]["print_id"])
    expected = first.locator("tr", has_text="Expected").locator("td").all_inner_texts()
    one.tap(page.get_by_role("button", name="Leave it"))
    page.wait_for_selector("[name=file]")
    rows[0] |= {c: re.match(r"-?[\d.]+", v)[0] for c, v in zip("Lab", expected, strict=True)}
    handed_in(right)
    page.wait_for_url("**/new/**")
    assert one.text(".big") in ("Look again at 1 of 2", "1 of 2 cannot be right")
    one.look()
    doubtful = page.locator(".card.arrived").filter(has_text=rows[1]["print_id"])
    one.tap(doubtful.locator("summary"))
    one.write(doubtful.locator("[name=reason]"), "its sign was lost")
    one.tap(doubtful.get_by_role("button", name="Set it aside"))
    page.wait_for_selector(".outcome.aside")
    one.tap(page.get_by_role("button", name="Keep it", exact=True))
    page.wait_for_url("**/batch/**")
    assert "from the target" in one.text() and "its sign was lost" in one.text()
    one.look()


def learn(one: Hands) -> None:
    """What was kept is learnt, and the page tells how well it had been forecast. The work itself is
    the same for all hands: where a script waits for it, once, and once without."""
    page = one.page
    one.tap(page.get_by_role("link", name="Learn from it"))
    page.wait_for_url("**/progress/**")
    assert "Prints not learnt from yet: 1." in one.text()
    batches = page.locator("section[aria-label='Batch by batch'] tbody tr")
    before = batches.count()
    if one.way not in LEARNS:
        button = page.get_by_role("button", name=LEARN)
        one.reach(button) if one.way == "keys" else button.tap(trial=True)
        return
    one.tap(page.get_by_role("button", name=LEARN))
    page.wait_for_selector("#learning[data-pending], #learning h3")
    one.wait()
    assert "What came of it" in one.text() and "have been learnt from" in one.text()
    page.reload()
    assert batches.count() == before + 1
    assert "Test prints spared" in one.text()
    one.look()
