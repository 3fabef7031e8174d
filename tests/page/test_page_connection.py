"""When the bench goes away the page says so, and is itself again when it is back."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_pages import running
from playwright.async_api import Browser, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]


async def test_the_page_comes_back_after_a_restart(browser: Browser, tmp_path: Path) -> None:
    """A bench that ends leaves old values, marked as such, and refuses what is asked then;
    when another listens at its port, values are live again without a reload."""
    context = await browser.new_context()
    page = await context.new_page()
    with running("glasshouse_feed", tmp_path, "--cold") as bench:
        await page.goto(bench.url)
        await expect(page.locator("body")).to_have_attribute("data-link", "live")
        await page.evaluate("window.isTheSamePage = true")
        assert bench.program.stop() == 0
    banner = page.locator("#banner")
    await expect(banner).to_contain_text("Not connected: values are old")
    await expect(page.locator("body")).to_have_attribute("data-link", "lost")
    style = await page.locator("#section_machine .value").first.evaluate(
        "(one) => getComputedStyle(one).fontStyle"
    )
    assert style == "italic"
    await page.get_by_role("button", name="START", exact=True).click()
    await expect(page.locator("#section_machine .refused")).to_contain_text("nothing was sent")
    port = int(bench.url.rstrip("/").rpartition(":")[2])
    with running("glasshouse_feed", tmp_path, "--cold", page=port):
        await banner.get_by_role("button", name="Try now").click()
        await expect(page.locator("body")).to_have_attribute("data-link", "live")
        await expect(banner).to_be_hidden()
        await page.get_by_role("button", name="START", exact=True).click()
        await expect(page.locator("#section_machine .flags")).to_contain_text("RUNNING on")
        assert await page.evaluate("window.isTheSamePage") is True
        await context.close()
