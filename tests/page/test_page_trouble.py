"""Faults and alarms: what goes wrong, and what is done about it."""

from __future__ import annotations

import re

import pytest
from bench_pages import Bench
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]


async def test_a_fault_raises_an_alarm(demo: Bench, page: Page) -> None:
    """A stuck transmitter is broken on the page, announced, acknowledged, shelved and mended."""
    await page.goto(f"{demo.url}#faults")
    await page.get_by_role("button", name=re.compile("^LT_101")).click()
    stuck = page.get_by_role("form", name="LT_101 short circuit")
    await stuck.get_by_role("button", name="Break").click()
    await expect(page.locator("#section_faults")).to_contain_text("until mended")
    await expect(page.locator("#announcer")).to_contain_text("LAHH_101")
    await page.get_by_role("link", name=re.compile("Alarms")).click()
    row = page.locator("#section_alarms tr", has_text="LAHH_101").first
    await expect(row).to_contain_text("unacknowledged")
    await row.get_by_role("button", name="Acknowledge: LAHH_101").click()
    await expect(row).to_contain_text(re.compile("(?<!un)acknowledged"))
    await row.get_by_role("button", name="More about LAHH_101").click()
    shelve = page.get_by_role("form", name="Shelve LAHH_101")
    await shelve.get_by_label("Shelve for").fill("9 h")
    await shelve.get_by_role("button", name="Shelve").click()
    await expect(page.locator("#section_alarms .refused")).to_contain_text("expected a time on")
    await shelve.get_by_label("Shelve for").fill("10 min")
    await shelve.get_by_role("button", name="Shelve").click()
    await expect(row).to_contain_text("shelved")
    await row.get_by_role("button", name="Take off the shelf: LAHH_101").click()
    await page.get_by_role("link", name=re.compile("Faults")).click()
    await page.get_by_role("button", name="Mend LT_101 short circuit").click()
    await expect(page.locator("#section_faults")).to_contain_text("No equipment is broken.")


async def test_a_size_outside_its_limits_is_refused(demo: Bench, page: Page) -> None:
    """A fault that has a size says its limits, and refuses what is outside of them."""
    await page.goto(f"{demo.url}#faults")
    await page.get_by_label("Search").locator("visible=true").fill("blocked")
    await page.get_by_role("button", name=re.compile("^P_102")).click()
    blocked = page.get_by_role("form", name="P_102 blocked line")
    await expect(blocked).to_contain_text("0 to 1")
    await blocked.get_by_label("Size").fill("7")
    await blocked.get_by_role("button", name="Break").click()
    await expect(page.locator("#section_faults .refused")).to_contain_text("expected a size of 0")
