"""Makes the README's pictures of the bench page:
`PYTHONPATH=tests python tests/page/screenshots.py`.

It runs the demo, drives a browser through the page and writes PNG files of 8-bit palettes
into tests/page/pictures. Pillow (it comes with wntr's matplotlib) makes the palettes.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from pathlib import Path
from shutil import which

from bench_pages import running
from PIL import Image
from playwright.sync_api import Page, expect, sync_playwright

WHERE = Path(__file__).parent / "pictures"
WIDE = {"width": 1280, "height": 720}
COLOURS = 256


def machine(page: Page) -> None:
    """The picture while both solutions are fed and an instrument is broken."""
    page.locator("#rail a").nth(4).click()
    page.get_by_role("button", name="FT_102").click()
    page.get_by_role("form", name="FT_102 broken wire").get_by_role("button").click()
    page.locator("#rail a").nth(5).click()
    expect(page.locator("#section_alarms")).to_contain_text("FEED_FAIL", timeout=60_000)
    page.locator("#rail a").nth(0).click()


def sequence(page: Page) -> None:
    """A step that waits, and the text of what it waits for with its values."""
    page.locator("#rail a").nth(1).click()
    page.locator(".waits_for button", has_text="to Settling").first.click()
    expect(page.locator(".source_line.at")).to_be_visible()


def trends(page: Page) -> None:
    """Some minutes, with the cursor."""
    page.locator("#rail a").nth(2).click()
    canvas = page.locator("#section_trends canvas")
    canvas.focus()
    for _ in range(20):
        page.keyboard.press("ArrowLeft")


def points(page: Page) -> None:
    """A point that is forced."""
    page.locator("#rail a").nth(3).click()
    page.get_by_label("Search").locator("visible=true").fill("101")
    page.get_by_role("button", name="ZSO_101", exact=True).click()
    force = page.get_by_role("form", name="Force the point")
    force.get_by_label("Reason").fill("limit switch is being replaced")
    force.get_by_role("button", name="Force").click()
    expect(page.locator("#states")).to_contain_text("1 held")


PICTURES: dict[str, tuple[str, Callable[[Page], None]]] = {
    "machine": ("light", machine),
    "sequence": ("light", sequence),
    "trends": ("dark", trends),
    "points": ("dark", points),
}


def take(page: Page, name: str) -> None:
    """Write what the page shows now."""
    page.wait_for_timeout(500)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    file = WHERE / f"bench_{name}.png"
    # The rare colours are those that matter, so none may be lost to shades of grey.
    small = picture.quantize(COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    small.save(file, optimize=True)
    print(f"{file}: {file.stat().st_size} bytes")


def main() -> None:
    """All pictures, of one run."""
    WHERE.mkdir(exist_ok=True)
    options = ("--speed", "2", "--cold")
    with (
        tempfile.TemporaryDirectory() as state,
        running("glasshouse_feed", Path(state), *options) as bench,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport=WIDE)
        page.goto(bench.url)
        page.get_by_role("button", name="START", exact=True).click()
        expect(page.locator("#section_machine")).to_contain_text("Feeding", timeout=60_000)
        page.wait_for_timeout(30_000)  # something to see in the trends
        for name, (scheme, prepare) in PICTURES.items():
            page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
            prepare(page)
            take(page, name)
        browser.close()


if __name__ == "__main__":
    main()
