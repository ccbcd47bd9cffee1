"""Every place: no width scrolls sideways, everything is named, large and readable, no script of its
own, small enough."""

from __future__ import annotations

import re

import pytest

from tests.desk.looking import CONTRAST, WIDTHS, barriers, too_wide, wrong_with

# A place adds its pages here: empty, full, and with a mistake.
PAGES = [
    "/today/",
    "/begin/",
    "/ask/",
    "/ask/?ink=turquoise&garment=Black&target=45,-30,-20&why=1&beside=base_off",
    "/ask/?ink=nonsense",
    "/find/",
    "/find/?target=33,55,28&garment=Black&garment=White",
    "/find/?target=nonsense&garment=Black",
    "/find/?garment=Black&ink=turquoise&screen=M77-55&base=none",
    "/measured/",
    "/measured/?ink=turquoise&garment=Black&target=45,-30,-20&screen=M43-80",
    "/measured/new/gone",
    "/measured/waiting/",
    "/screen/",
    "/shelf/",
    "/shelf/?kind=garments&word=nothing",
    "/shelf/?kind=presses",
    "/shelf/ink/?one=C19&next=1",
    "/progress/",
    "/progress/drift/",
    "/nothing-here",
]
HEAVIEST_BYTES = 300_000


@pytest.mark.parametrize("path", PAGES)
def test_it_holds_at_every_width_in_light_and_dark(browser, address, path):
    context = browser.new_context(base_url=address, color_scheme="light")
    page = context.new_page()
    page.goto(path)
    page.wait_for_function(
        "() => !document.querySelector('[data-pending], [aria-busy=true]')", timeout=300_000
    )
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        assert not too_wide(page, width), f"scrolls sideways at {width}"
        assert wrong_with(page) == {}
        if width == WIDTHS[0]:  # all of the page stands there, one thing under the other
            assert barriers(page) == {}
    page.emulate_media(color_scheme="dark")  # the style sheet has other colours, and no more
    assert wrong_with(page) == {}
    assert barriers(page, CONTRAST) == {}
    context.close()


@pytest.mark.parametrize("path", PAGES)
def test_it_is_light_and_has_no_script_of_its_own(client, path):
    html = client.get(path).text
    assert html.count("<script") == 1
    assert " onclick" not in html and "javascript:" not in html
    linked = [client.get(f"/static/{name}").data for name in ("desk.css", "desk.js", "icon.svg")]
    assert len(html.encode()) + sum(map(len, linked)) < HEAVIEST_BYTES


def test_what_is_wrong_is_seen(browser):
    page = browser.new_page()
    page.set_content(
        "<html><main><h2 id=a>x</h2><p id=a style='color:#999'>y</p><button>z</button>"
        "<input style='height:60px'><div style='width:3000px'>w</div></main></html>"
    )
    assert set(wrong_with(page)) == {"small", "nameless", "faint", "built"}
    assert too_wide(page, 1280)
    page.set_content(
        "<html><h1>x</h1><p style='color:#999;background:#fff'>faint words</p><button></button>"
    )
    assert {"color-contrast", "button-name", "html-has-lang"} <= set(barriers(page))
    page.close()


def test_dark_is_the_same_page_in_other_colours(client):
    """Why a dark page is looked at for its contrast alone."""
    css = client.get("/static/desk.css").text
    (dark,) = re.findall(r"@media\(prefers-color-scheme:dark\)\{:root\{(.*?)\}\}", css, re.DOTALL)
    assert css.count("prefers-color-scheme") == 1
    assert all(re.fullmatch(r"\s*--[a-z-]+:#[0-9a-f]{3,6}", one) for one in dark.split(";"))
    assert "prefers-color-scheme" not in client.get("/static/desk.js").text
