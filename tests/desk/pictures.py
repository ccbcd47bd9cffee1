"""The pictures of README: ``python -m tests.desk.pictures WORKSPACE`` takes them anew, from a
workspace where the demo shop has learnt. They lie in `datasets/demo/pictures`."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from urllib.parse import urlencode

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from learn.colour.colorimetry import lab_from_srgb_hex, viewing
from tests.desk.conftest import CHROMIUM, serving
from tests.small_demo import DEMO

FOLDER = DEMO / "pictures"
MOST_BYTES = 60_000
COLOURS = 256  # of a picture: pages are greys and some swatches
ASKED = {"ink": "Hot pink", "garment": "White"}


@contextmanager
def shown(address: str, width: int, height: int) -> Iterator[Page]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        size = {"width": width, "height": height}
        context = browser.new_context(base_url=address, viewport=size, color_scheme="light")
        context.set_default_timeout(300_000)
        yield context.new_page()
        browser.close()


def take(page: Page, name: str) -> None:
    """A picture of what is seen, small."""
    drawn = Image.open(BytesIO(page.screenshot())).convert("RGB")
    out = BytesIO()
    drawn.quantize(COLOURS, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    assert len(out.getvalue()) < MOST_BYTES, f"{name}: {len(out.getvalue())} bytes"
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.png").write_bytes(out.getvalue())


def main(workspace: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        own = Path(shutil.copytree(workspace, Path(name) / "own"))
        shutil.copy(DEMO / "next_week.csv", own / "datasets" / "demo" / "week.csv")
        with serving(own) as address:
            with shown(address, 1120, 700) as page:
                page.goto(f"/ask/?{urlencode(ASKED)}")
                fill = page.locator(".tile.print").first.get_attribute("style") or ""
                target = fill.partition(":")[2]  # what prints so is asked for
                page.goto(f"/ask/?{urlencode(ASKED | {'target': target})}")
                page.wait_for_selector(".verdict:visible")
                take(page, "ask")
                page.goto("/today/")
                page.wait_for_selector(".jobs li")
                take(page, "today")
            with shown(address, 360, 660) as page:
                page.goto("/measured/")
                form = page.locator("form:has([name=readings])")
                lab = lab_from_srgb_hex(target, viewing("D50", "2"))
                readings = ", ".join(f"{value:.1f}" for value in lab)
                for field, text in {**ASKED, "target": target, "readings": readings}.items():
                    form.locator(f"[name={field}]").fill(text)
                form.get_by_role("button", name="Look at it").click()
                page.wait_for_selector(".big")
                take(page, "measured")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
