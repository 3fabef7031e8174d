"""Machine time from the header: pause, one scan, faster; and how soon the page is painted."""

from __future__ import annotations

import re

import pytest
from bench_pages import Bench
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]

FIRST_PAINT = """() => new Promise((resolve) => new PerformanceObserver((list) => {
    for (const one of list.getEntries())
        if (one.name === 'first-contentful-paint') resolve(one.startTime);
}).observe({type: 'paint', buffered: true}))"""


async def test_time_is_paused_stepped_and_sped_up(demo: Bench, page: Page) -> None:
    """Paused, the clock stands and one scan moves it; then it goes on, faster if asked."""
    await page.goto(demo.url)
    states, clock = page.locator("#states"), page.locator("#clock .now")
    await expect(page.get_by_role("button", name="One scan")).to_be_disabled()
    await page.get_by_role("button", name="Pause").click()
    try:
        await expect(states).to_contain_text("paused")
        stood = await clock.text_content() or ""
        for _ in range(3):
            await page.keyboard.press(".")
        await expect(clock).not_to_have_text(stood)
    finally:
        await page.get_by_role("button", name="Go on").click()
    await expect(states).to_contain_text("running")
    await page.get_by_label("Speed of machine time").select_option("10")
    await expect(page.locator("#clock")).not_to_contain_text(re.compile("expected"))
    await page.get_by_label("Speed of machine time").select_option("5")
    await page.get_by_label("Speed of machine time").blur()
    await expect(page.get_by_label("Speed of machine time")).to_have_value("5")


async def test_first_paint_is_measured(
    demo: Bench, page: Page, record_testsuite_property: object
) -> None:
    """The first paint is told in the log of the run; how long it takes is for no test to say."""
    await page.goto(demo.url)
    assert callable(record_testsuite_property)
    painted_ms = await page.evaluate(FIRST_PAINT)
    assert painted_ms > 0
    record_testsuite_property("bench_page_first_paint_ms", round(painted_ms))
    print(f"first contentful paint after {painted_ms:.0f} ms")
