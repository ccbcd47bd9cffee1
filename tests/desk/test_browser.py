"""The page in a real browser: what it looks like it does."""

from __future__ import annotations

import pytest

from tests.desk.looking import barriers
from tests.desk.test_ask import a_card_may_do


@pytest.fixture
def page(browser, address):
    """A page of its own that fails with any error of a script."""
    context = browser.new_context(base_url=address, viewport={"width": 1280, "height": 800})
    page, errors = context.new_page(), []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    yield page
    context.close()
    assert errors == []


def verdict(page) -> str:
    page.wait_for_selector("#answer .verdict")
    return page.inner_text("#answer .verdict >> nth=0")


def test_from_nothing_to_a_verdict_in_three_taps(page):
    page.goto("/ask/")
    page.click('input[list="inks"]')
    page.keyboard.type("Bright red")  # typed, or picked from the list under the field
    page.wait_for_selector("#inks-chips input:checked", state="attached")
    assert page.input_value('input[list="inks"]') == ""
    page.click("label.chip:has(input[value=Black])")
    assert verdict(page)
    assert "as usual: White base" in page.inner_text("#usual-base")
    assert "ink=Bright+red" in page.url and "garment=Black" in page.url


def test_a_changed_control_changes_the_swatches_and_keeps_the_focus(page):
    page.goto("/ask/?ink=turquoise&garment=Black")
    fill = "#answer .tile.print >> nth=0"
    before = page.get_attribute(fill, "style")
    page.focus('select[name="screen"]')
    page.select_option('select[name="screen"]', "M43-80")
    page.click('label.chip:has(input[value="none"])')
    page.wait_for_function(
        "old => document.querySelector('#answer .tile.print').getAttribute('style') !== old",
        arg=before,
    )
    assert page.evaluate("document.activeElement.name") == "base"
    page.click("a[id^=step-base_on]")
    page.wait_for_selector(".beside .verdict")
    page.click("a[id^=why-]")
    page.wait_for_selector(".shares svg")


def test_what_is_left_as_usual_stays_so_while_answers_come(page):
    page.goto("/ask/")
    for chip in ("Turquoise", "Black", "White"):
        page.click(f'label.chip:has(input[value="{chip}"])')
        page.wait_for_function("chip => location.search.includes(chip)", arg=chip)
    assert verdict(page)
    for name in ("screen", "strokes", "flashes"):
        assert page.input_value(f"select[name={name}]") == ""
        assert page.inner_text(f"#usual-{name}").startswith("as usual: ")
        assert f"{name}=" not in page.url


def test_by_keyboard_alone(page):
    page.goto("/ask/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    seen = []
    for _ in range(80):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.name || ''"))
    assert {"ink", "garment", "base", "screen", "strokes", "flashes", "target"} <= set(seen)
    page.focus('input[list="inks"]')
    page.keyboard.type("turquoise")
    page.keyboard.press("Tab")
    page.focus('input[list="garments"]')
    page.keyboard.type("black")
    page.keyboard.press("Enter")
    assert verdict(page)


def test_without_scripts(browser, address):
    context = browser.new_context(base_url=address, java_script_enabled=False)
    page = context.new_page()
    page.goto("/ask/")
    page.fill('input[list="inks"]', "turquoise")
    page.check("#garment-G02", force=True)
    page.locator(".what button").click()
    assert verdict(page)
    page.click("a[id^=step-base_off]")
    assert "Beside it" in page.inner_text(".beside h3")
    page.click("a[id^=why-]")
    assert page.locator(".shares svg").count() > 1
    context.close()


def test_what_would_do_instead_of_a_test_print_comes_by_itself(page, app, tmp_path):
    """And what was unfolded meanwhile stays so."""
    _, address, _ = a_card_may_do(app, tmp_path)
    page.goto(f"{address}&why=1")  # a question nobody asked yet
    page.evaluate("document.querySelector('#answer .card details').open = true")
    page.wait_for_selector("#answer .reason >> text=a card of it may do")
    assert page.evaluate("document.querySelector('#answer .card details').open")
    assert page.locator("[data-pending]").count() == 0


def test_a_field_with_a_mistake_is_marked_until_it_is_put_right(browser, address):
    page = browser.new_context(base_url=address).new_page()
    page.goto("/ask/?ink=turquoise&garment=Black")
    page.fill("input[name=target]", "dawn")
    page.keyboard.press("Enter")
    page.wait_for_selector("input[name=target][aria-invalid=true]")
    linked = page.get_attribute("input[name=target]", "aria-describedby").split()
    assert linked[0] == "target-hint" and "dawn" in page.inner_text(f"#{linked[1]}")
    assert barriers(page) == {}
    page.fill("input[name=target]", "45,60,30")
    page.keyboard.press("Enter")
    page.wait_for_selector("input[name=target]:not([aria-invalid])")
    assert verdict(page)
    page.context.close()
