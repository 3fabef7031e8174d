"""Faults, alarms, clients: what goes wrong, and who is there."""

from __future__ import annotations

import asyncio
import re

import pytest
from bench_pages import Bench
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]

READ_NOTHING = bytes.fromhex("0001 0000 0006 01 03 270F 0001")
"""Function 03 of holding register 9999, which the demo has not: exception 02."""


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


async def test_a_wire_fault_lasts_its_time(demo: Bench, page: Page) -> None:
    """A wire is broken for a time, shown with what is left of it, and mended by hand."""
    await page.goto(f"{demo.url}#faults")
    wire = page.get_by_role("form", name="Break the wire")
    await wire.get_by_label("What").select_option("delay")
    await wire.get_by_label("By").fill("150 ms")
    await wire.get_by_label("For", exact=True).fill("5 min")
    await wire.get_by_role("button", name="Break").click()
    await expect(page.locator("#section_faults .held_row")).to_contain_text("hmi server, 4 min")
    await page.get_by_role("button", name="Mend all wires").click()
    await expect(page.locator("#section_faults")).to_contain_text("The wires are whole.")


async def test_a_client_is_seen_with_its_frames(demo: Bench, page: Page) -> None:
    """A client's requests and exceptions are counted, its frames told in words."""
    reader, writer = await asyncio.open_connection("127.0.0.1", demo.hmi_port)
    name = "{}:{}".format(*writer.get_extra_info("sockname"))

    async def ask() -> None:
        writer.write(READ_NOTHING)
        await reader.readexactly(9)

    try:
        await page.goto(f"{demo.url}#clients")
        await ask()
        row = page.locator("#section_clients tr", has_text=name)
        await expect(row).to_contain_text("× 02")
        await row.get_by_role("button", name=name).click()
        frame = page.locator(".frame").first
        for _ in range(20):  # frames are kept from the moment on that somebody watches
            await ask()
            if await frame.count():
                break
            await asyncio.sleep(0.25)
        await frame.locator("summary").click()
        await expect(frame.locator("table")).to_contain_text("function")
    finally:
        writer.close()
        await writer.wait_closed()
