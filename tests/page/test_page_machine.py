"""The machine, its sequence and its points, used as a person at the bench would."""

from __future__ import annotations

import re

import pytest
from bench_pages import Bench
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]


async def open_point(page: Page, name: str) -> None:
    """Search a point and choose it."""
    await expect(page.locator("#rail a").first).to_be_visible()
    await page.keyboard.press("/")
    search = page.get_by_label("Search").locator("visible=true")
    await expect(search).to_be_focused()
    await search.fill(name)
    await page.get_by_role("button", name=name, exact=True).click()


async def test_a_command_moves_the_machine(demo: Bench, page: Page) -> None:
    """START on the page starts the sequence; the picture is there, and the caution stays."""
    await page.goto(demo.url)
    await expect(page.locator("#title")).to_have_text(re.compile("Nutrient make-up skid"))
    await expect(page.locator("#caution")).to_contain_text("never a safety function")
    await expect(page.locator("#section_machine svg")).to_be_visible()
    await page.get_by_role("button", name="START", exact=True).click()
    await expect(page.locator("#section_machine")).to_contain_text("START given")
    await expect(page.locator("#section_machine .flags")).to_contain_text("RUNNING on")


async def test_the_chart_says_what_it_waits_for(demo: Bench, page: Page) -> None:
    """The active step is named with the terms of its transitions; a click opens the text,
    at the transition's line, with values in the margin."""
    await page.goto(f"{demo.url}#sequence")
    waits = page.locator(".waits_for")
    await expect(waits).to_contain_text(re.compile("active for"))
    await expect(waits.locator("li").first).to_contain_text(re.compile("is (true|false)"))
    await waits.locator("button").first.click()
    at = page.locator(".source_line.at")
    await expect(at).to_contain_text("TRANSITION")
    await expect(page.locator(".source_line", has_text="LT_101 >= TOP_LEVEL")).to_contain_text(
        re.compile(r"LT_101 \d+\.\d+ m")
    )
    await page.keyboard.press("Escape")
    await expect(page.locator(".source_box")).to_be_hidden()


async def test_the_chart_can_be_picked(demo: Bench, page: Page) -> None:
    """A click on a step of the drawing opens its text."""
    await page.goto(f"{demo.url}#sequence")
    await page.locator(".chart_place svg").get_by_text("Stirring", exact=True).first.click()
    await expect(page.locator(".source_line.at")).to_contain_text("STEP Stirring")


async def test_a_point_is_found_forced_and_released(demo: Bench, page: Page) -> None:
    """A force needs a reason and an end; it is counted in the header until it is released."""
    await page.goto(demo.url)
    await open_point(page, "LSL_101")
    force = page.get_by_role("form", name="Force the point")
    await force.get_by_role("button", name="Force").click()
    await expect(force).to_contain_text("expected a reason")
    await force.get_by_label("Reason").fill("wiring check")
    await force.get_by_label("For", exact=True).fill("soon")
    await force.get_by_role("button", name="Force").click()
    await expect(force).to_contain_text("expected how long to hold it such as 30 s")
    await force.get_by_label("For", exact=True).fill("3 h")
    await force.get_by_role("button", name="Force").click()
    await expect(page.locator("#states")).to_contain_text("1 held")
    await page.get_by_label("Forced only").check()
    await expect(page.locator("#section_points tbody tr:visible")).to_have_count(1)
    await page.get_by_role("button", name="Release LSL_101").click()
    await expect(page.locator("#section_points")).to_contain_text("Nothing is forced.")


async def test_a_variable_of_a_program_is_forced(demo: Bench, page: Page) -> None:
    """Any path of a program can be held; a wrong one is refused where it was typed."""
    await page.goto(f"{demo.url}#points")
    await page.get_by_text("Force a variable of a program").click()
    force = page.get_by_role("form", name="Force a variable")
    await force.get_by_label("Path").fill("Feed.hel")
    await force.get_by_label("Value").fill("12.5")
    await force.get_by_label("Reason").fill("a heel that nobody left")
    await force.get_by_role("button", name="Force").click()
    await expect(force.locator(".refused")).to_contain_text("expected")
    await force.get_by_label("Path").fill("Feed.heel")
    await force.get_by_role("button", name="Force").click()
    await expect(page.locator(".held_row")).to_contain_text("a heel that nobody left")
    await page.get_by_role("button", name="Release all").click()
    await expect(page.locator(".held_row")).to_have_count(0)


async def test_a_set_point_is_written_or_refused(demo: Bench, page: Page) -> None:
    """A set point takes a value of its range; another is refused with the range."""
    await page.goto(demo.url)
    await open_point(page, "COND_LOW")
    write = page.get_by_role("form", name="Write the set point")
    await write.get_by_label("New value (mS/cm)").fill("4.01")
    await write.get_by_role("button", name="Write").click()
    await expect(page.locator("#section_points strong.value")).to_have_text("4.010 mS/cm")
    await write.get_by_label("New value (mS/cm)").fill("90")
    await write.get_by_role("button", name="Write").click()
    await expect(write.locator(".refused")).to_contain_text("expected")


async def test_points_are_filtered(demo: Bench, page: Page) -> None:
    """Search and kind narrow the list, and the arrow keys go through what is left."""
    await page.goto(f"{demo.url}#points")
    rows = page.locator("#section_points tbody tr:visible")
    await page.get_by_label("Search").locator("visible=true").fill("batches discharged")
    await expect(rows).to_have_count(1)
    await page.get_by_label("Kind").select_option("setpoint")
    await expect(rows).to_have_count(0)
    await page.get_by_label("Search").locator("visible=true").fill("conducts")
    await expect(rows).to_have_count(2)
    await page.keyboard.press("ArrowDown")
    await page.keyboard.press("ArrowDown")
    await page.keyboard.press("Enter")
    await expect(page.locator("#section_points tr.chosen")).to_contain_text("COND_HIGH")
