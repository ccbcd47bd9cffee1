"""What every page of the local page has to keep, looked at in a real browser."""

from __future__ import annotations

from pathlib import Path

WIDTHS = [360, 768, 1280, 1600]
LOOKS = (Path(__file__).parent / "looks.js").read_text(encoding="utf-8")


def wrong_with(page) -> dict[str, list]:
    """What is wrong with how the page is built, named and looks; nothing in a sound one."""
    found = page.evaluate(
        f"() => Object.fromEntries(Object.entries({LOOKS}).map(([name, look]) => [name, look()]))"
    )
    return {name: told for name, told in found.items() if told}


def too_wide(page, width: int) -> bool:
    """Whether the page scrolls sideways."""
    return page.evaluate("document.documentElement.scrollWidth") > width
