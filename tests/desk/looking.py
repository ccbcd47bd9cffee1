"""What every page of the local page has to keep, looked at in a real browser."""

from __future__ import annotations

from pathlib import Path

from axe_playwright_python.sync_playwright import Axe

WIDTHS = [360, 768, 1280, 1600]
LOOKS = (Path(__file__).parent / "looks.js").read_text(encoding="utf-8")
# WCAG 2.2 at level AA, and what axe-core holds to be good practice besides.
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
CONTRAST = {"type": "rule", "values": ["color-contrast"]}  # all that a dark page may break anew
AXE = Axe()


def wrong_with(page) -> dict[str, list]:
    """What is wrong with how the page is built, named and looks; nothing in a sound one."""
    found = page.evaluate(
        f"() => Object.fromEntries(Object.entries({LOOKS}).map(([name, look]) => [name, look()]))"
    )
    return {name: told for name, told in found.items() if told}


def barriers(page, rules: list[str] | dict = LEVELS) -> dict[str, list[str]]:
    """Rules of axe-core that the page as it is shown breaks, and where; nothing in a sound one."""
    options = {"runOnly": rules, "resultTypes": ["violations"]}
    found = AXE.run(page, options=options).response["violations"]
    return {one["id"]: [node["html"][:160] for node in one["nodes"]] for one in found}


def too_wide(page, width: int) -> bool:
    """Whether the page scrolls sideways."""
    return page.evaluate("document.documentElement.scrollWidth") > width
