"""Trends: points in lanes, zoom, cursor, exports."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from bench_pages import Bench
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]

PNG = b"\x89PNG\r\n\x1a\n"
"""The signature of a PNG file (ISO/IEC 15948, 5.2)."""


async def open_trends(demo: Bench, page: Page) -> None:
    """The section with LT_101 alone."""
    await page.goto(f"{demo.url}#trends")
    await expect(page.locator(".lanes li").first).to_be_visible()
    while await page.locator(".lanes button").count():
        await page.locator(".lanes button").first.click()
    await page.get_by_role("form", name="Add a point").get_by_label("Point").fill("lt_101")
    await page.get_by_role("button", name="Add").click()
    await expect(page.locator(".lanes li")).to_contain_text("LT_101")


async def test_points_come_and_go(demo: Bench, page: Page) -> None:
    """A wrong name is refused; what was chosen is there again after a reload."""
    await open_trends(demo, page)
    await page.get_by_role("form", name="Add a point").get_by_label("Point").fill("LT_1O1")
    await page.get_by_role("button", name="Add").click()
    await expect(page.locator("#section_trends .refused")).to_contain_text("expected the name")
    await page.reload()
    await expect(page.locator(".lanes li")).to_have_count(1)


async def test_the_window_is_zoomed_and_moved(demo: Bench, page: Page) -> None:
    """Wheel, drag and keys change the window, End brings it back to now."""
    await open_trends(demo, page)
    live = page.get_by_role("button", name="Live")
    canvas = page.locator("#section_trends canvas")
    box = await canvas.bounding_box()
    assert box is not None
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    await page.mouse.move(*middle)
    await expect(page.locator("#section_trends [role=status]").last).to_contain_text("Values at")
    await page.mouse.wheel(0, -200)
    await expect(live).to_have_attribute("aria-pressed", "false")
    await canvas.focus()
    await page.keyboard.press("End")
    await expect(live).to_have_attribute("aria-pressed", "true")
    await page.mouse.down()
    await page.mouse.move(middle[0] + 120, middle[1], steps=4)
    await page.mouse.up()
    await expect(live).to_have_attribute("aria-pressed", "false")
    await page.keyboard.press("-")
    await page.keyboard.press("Shift+ArrowLeft")
    await page.keyboard.press("ArrowLeft")
    await expect(page.get_by_text("Values at")).to_be_visible()
    await page.keyboard.press("Escape")
    await expect(page.get_by_text("Values now")).to_be_visible()


async def test_the_past_comes_from_the_journal(demo: Bench, page: Page) -> None:
    """What was before the page was opened is fetched, and drawn."""
    await open_trends(demo, page)
    async with page.expect_response(lambda one: "/api/history" in one.url) as found:
        await page.get_by_label("Length of the window").select_option("10 min")
    answer = await (await found.value).json()
    assert [value for _, value in answer["series"]["LT_101"]]


async def test_a_window_is_saved(demo: Bench, page: Page, tmp_path: Path) -> None:
    """PNG is a picture, CSV has the point's values."""
    await open_trends(demo, page)
    async with page.expect_download() as picture:
        await page.get_by_role("button", name="PNG").click()
    await (await picture.value).save_as(tmp_path / "trends.png")
    assert (tmp_path / "trends.png").read_bytes().startswith(PNG)
    async with page.expect_download() as table:
        await page.get_by_role("button", name="CSV").click()
    await (await table.value).save_as(tmp_path / "trends.csv")
    with (tmp_path / "trends.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["machine_s", "point", "value", "unit"]
    assert {(name, unit) for _, name, _, unit in rows[1:]} == {("LT_101", "m")}
    assert all(-0.1 < float(value) < 1.5 for _, _, value, _ in rows[1:])
