"""Everybody can use the page: axe finds nothing serious, keys are enough, a phone is enough.

axe-core (Deque, MPL-2.0) checks the rules of WCAG 2.1 A and AA that a program can check; it
comes from npm into a cache outside of the repository.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from bench_pages import SECTIONS, Bench, Complaints
from npm_packages import fetch
from playwright.async_api import Browser, Page, expect

pytestmark = [pytest.mark.network, pytest.mark.peer, pytest.mark.asyncio(loop_scope="session")]

AXE = {"axe-core": "4.10.3"}
RULES = {
    "light": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]},
    "dark": {"type": "tag", "values": ["cat.color"]},
}
"""The schemes differ in their colours only."""
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="session")
def axe(
    pytestconfig: pytest.Config, require_tool: Callable[[str], str], miss: Callable[[str], None]
) -> str:
    """The text of axe.min.js."""
    assert pytestconfig.cache is not None
    modules = fetch(AXE, pytestconfig.cache, require_tool("npm"), miss)
    return (modules / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


async def grave_findings(page: Page, scheme: str = "light") -> list[str]:
    """What axe calls serious or critical, each with the elements it is about."""
    options = {"resultTypes": ["violations"], "runOnly": RULES[scheme]}
    found: dict[str, Any] = await page.evaluate("(options) => axe.run(options)", options)
    return [
        f"{one['impact']} {one['id']}: {', '.join(node['html'][:100] for node in one['nodes'][:3])}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", RULES)
async def test_axe_finds_nothing_serious(demo: Bench, page: Page, axe: str, scheme: str) -> None:
    """Every section is clean in light and in dark, with something forced and broken."""
    await page.emulate_media(color_scheme=scheme)
    await page.goto(demo.url)
    await expect(page.locator("#rail a")).to_have_count(len(SECTIONS))
    await page.evaluate(axe)
    found = {}
    for number, name in enumerate(SECTIONS, 1):
        await page.keyboard.press(str(number))
        await expect(page.locator(f"#section_{name}")).to_be_visible()
        if findings := await grave_findings(page, scheme):
            found[name] = findings
    assert found == {}


async def test_axe_sees_what_it_is_for(demo: Bench, page: Page, axe: str) -> None:
    """A button without a name and text without contrast, put in on purpose, are found."""
    await page.goto(demo.url)
    await expect(page.locator("#rail a").first).to_be_visible()
    await page.evaluate(axe)
    await page.evaluate(
        """() => {
            const bad = document.createElement('button');
            const faint = document.createElement('p');
            faint.textContent = 'hardly to be read';
            faint.style.color = '#c8cac7';
            document.querySelector('#section_machine').append(bad, faint);
        }"""
    )
    findings = " ".join(await grave_findings(page))
    assert "button-name" in findings
    assert "color-contrast" in findings


async def test_keys_are_enough(demo: Bench, page: Page) -> None:
    """The first Tab offers to skip to the content; figures choose sections; tabs rove; the
    list of keys opens and closes, and can switch the keys off."""
    await page.goto(demo.url)
    await expect(page.locator("#rail a").first).to_be_visible()
    await page.keyboard.press("Tab")
    await expect(page.locator(".skip")).to_be_focused()
    await page.keyboard.press("Enter")
    await expect(page.locator("main")).to_be_focused()
    await page.keyboard.press("8")
    await page.get_by_role("tab", name="Trials").focus()
    await page.keyboard.press("ArrowRight")
    await expect(page.get_by_role("tab", name="Drills")).to_have_attribute("aria-selected", "true")
    await page.keyboard.press("?")
    dialog = page.get_by_role("dialog")
    await expect(dialog).to_contain_text("search the points")
    await dialog.get_by_label("No keys of one letter").check()
    await page.keyboard.press("Escape")
    await expect(dialog).to_be_hidden()
    await page.keyboard.press("1")
    await expect(page.locator("#section_checks")).to_be_visible()


async def test_the_frame_does_not_scroll(demo: Bench, page: Page) -> None:
    """At 1280 by 720 every section fits into the window; only boxes inside of it scroll."""
    await page.goto(demo.url)
    await expect(page.locator("#rail a")).to_have_count(len(SECTIONS))
    for number in range(1, len(SECTIONS) + 1):
        await page.keyboard.press(str(number))
        assert await page.evaluate(OVERFLOW) == []


OVERFLOW = """() => [document.documentElement, document.querySelector('main')]
    .filter((one) => one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight)
    .map((one) => `${one.tagName} ${one.scrollWidth}x${one.scrollHeight}`)"""

SIDEWAYS = """() => [document.documentElement, ...document.querySelectorAll('main, main > section')]
    .filter((one) => !one.hidden && one.scrollWidth > one.clientWidth + 1)
    .map((one) => `${one.tagName} ${one.id} ${one.scrollWidth}`)"""


async def test_a_phone_is_enough(demo: Bench, browser: Browser) -> None:
    """At 390 by 844 nothing goes out of the window sideways, and the caution is in sight."""
    context = await browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    page = await context.new_page()
    complaints = Complaints(page)
    await page.goto(demo.url)
    await expect(page.locator("#rail a")).to_have_count(len(SECTIONS))
    for name in SECTIONS:
        await page.locator(f"#rail a[href='#{name}']").tap()
        await expect(page.locator(f"#section_{name}")).to_be_visible()
        assert await page.evaluate(SIDEWAYS) == [], name
        await expect(page.locator("#caution")).to_be_in_viewport(ratio=1)
    await context.close()
    assert complaints.found == []
