"""Ways to use the local page: a mouse, a finger on a phone, keys alone at a tablet, no script."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.desk.looking import barriers, too_wide, wrong_with

PATIENCE_S = 600  # a machine may have much else to do
# How a browser is opened for each of them.
WAYS = {
    "mouse": {"viewport": {"width": 1280, "height": 800}},
    "phone": {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True},
    "keys": {"viewport": {"width": 768, "height": 1024}, "color_scheme": "dark"},
    "no script": {"viewport": {"width": 1280, "height": 800}, "java_script_enabled": False},
}


class Hands:
    """One of `WAYS` on one page."""

    def __init__(self, page, way: str) -> None:
        self.page, self.way = page, way

    def tap(self, what) -> None:
        """Press a button, follow a link, tick a box."""
        what = what.first
        if self.way == "phone":
            what.tap()
        elif self.way == "keys":
            self.reach(what)
            ticked = what.evaluate("e => e.matches('input')")
            self.page.keyboard.press("Space" if ticked else "Enter")
        else:
            what.click()

    def write(self, field, text: str) -> None:
        """Write into a field."""
        if self.way == "keys":
            self.reach(field)
            self.page.keyboard.press("Control+A")
            self.page.keyboard.type(text)
        else:
            field.fill(text)

    def reach(self, what) -> None:
        """Come to something by the tabulator alone."""
        at = what.element_handle()  # to find it by its role takes longer than to press a key
        for _ in range(400):
            here = at.evaluate("e => e.isConnected ? e === document.activeElement : null")
            if here:
                return
            if here is None:  # that part of the page has come anew
                at = what.element_handle()
            else:
                self.page.keyboard.press("Tab")
        raise AssertionError(f"no key leads to {what}")

    def go(self, tab: str) -> None:
        """Turn to a place."""
        self.tap(self.page.get_by_role("navigation").get_by_role("link", name=tab, exact=True))
        self.page.wait_for_url(f"**/{tab.lower()}/**")

    def wait(self) -> None:
        """Until nothing is being worked out; without a script by looking again."""
        begun = time.monotonic()
        while time.monotonic() - begun < PATIENCE_S:
            pending = self.page.locator("[data-pending]")
            if not pending.count():
                return
            if self.way == "no script":
                self.page.wait_for_timeout(1000)
                again = self.page.get_by_role("link", name="Look again")
                if again.count():
                    self.tap(again)
                    self.page.wait_for_load_state()
            else:
                self.page.wait_for_timeout(500)
        raise AssertionError("it is still being worked out")

    def give(self, field, name: str, text: str) -> None:
        """Choose a file; the window that it is chosen in is the browser's own."""
        field.set_input_files({"name": name, "mimeType": "text/csv", "buffer": text.encode()})

    def look(self) -> None:
        """What is wrong with the page as it stands: nothing. What is waited for may stand there
        before the page's style sheet does."""
        self.page.wait_for_load_state()
        assert not too_wide(self.page, WAYS[self.way]["viewport"]["width"])
        if self.way == "no script":  # what looks is a script itself
            return
        # what bars the way is the same for all hands: looked for once
        found = wrong_with(self.page) | (barriers(self.page) if self.way == "mouse" else {})
        assert not found, found

    def text(self, where: str = "main") -> str:
        """What stands there."""
        return " ".join(self.page.inner_text(where).split())

    def downloaded(self, link) -> str:
        """The text of a file that a link leads to."""
        with self.page.expect_download() as coming:
            self.tap(link)
        return Path(coming.value.path()).read_text(encoding="utf-8")


@contextmanager
def hands(browser, address: str, way: str) -> Iterator[Hands]:
    """A browser's page on an address, used in one of the `WAYS`; fails with any script's error."""
    context = browser.new_context(base_url=address, **WAYS[way])
    context.set_default_timeout(PATIENCE_S * 1000 / 4)
    page, errors = context.new_page(), []
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield Hands(page, way)
    context.close()
    assert errors == []
