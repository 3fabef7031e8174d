"""The pictures of all machines as a browser draws them: no text lies on another."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_pages import Bench, running
from playwright.async_api import Page, expect

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]

OTHERS = ("sump_station", "crate_sorter", "wash_skid")

OVERLAPS = """(svg) => {
    const texts = [...svg.querySelectorAll('text')].filter((one) => one.getBBox().width > 0);
    const boxes = texts.map((one) => {
        const box = one.getBBox(), at = one.getCTM();
        const [a, b] = [new DOMPoint(box.x, box.y), new DOMPoint(box.x + box.width,
            box.y + box.height)].map((point) => point.matrixTransform(at));
        return {text: one.textContent, left: a.x, top: a.y, right: b.x, bottom: b.y};
    });
    const found = [];
    boxes.forEach((a, i) => boxes.slice(i + 1).forEach((b) => {
        const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        // Lines of text stand closer than their boxes, which have room for every accent.
        const least = 0.25 * Math.min(a.bottom - a.top, b.bottom - b.top);
        if (across > 1 && down > least) found.push(`${a.text} | ${b.text}`);
    }));
    return {count: texts.length, found};
}"""


async def look(page: Page, url: str) -> None:
    """Picture and charts of one machine."""
    await page.goto(url)
    picture = page.locator("#section_machine svg")
    await expect(picture).to_be_visible()
    await expect(page.locator("body")).to_have_attribute("data-link", "live")
    await expect(picture).not_to_contain_text("undefined")
    seen = await picture.evaluate(OVERLAPS)
    assert seen["count"] > 5
    assert seen["found"] == []
    await page.keyboard.press("2")
    charts = page.get_by_label("Chart", exact=True)
    for program in await charts.locator("option").all_text_contents():
        if await charts.is_visible():
            await charts.select_option(program)
        chart = page.locator(".chart_place:not([hidden]) svg")
        await expect(chart).to_be_visible()
        assert (await chart.evaluate(OVERLAPS))["found"] == [], program


async def test_the_demo_has_no_text_on_another(demo: Bench, page: Page) -> None:
    """The demo's picture and chart."""
    await look(page, demo.url)


@pytest.mark.parametrize("machine", OTHERS)
async def test_a_machine_has_no_text_on_another(page: Page, machine: str, tmp_path: Path) -> None:
    """Picture and charts of the other machines, while they run."""
    with running(machine, tmp_path, "--command", "START") as bench:
        await look(page, bench.url)
        await page.goto("about:blank")


async def test_the_check_sees_overlaps(page: Page) -> None:
    """Two texts at one place are found, two lines of text are not."""
    await page.set_content(
        '<svg><text x="10" y="20">one</text><text x="12" y="22">two</text>'
        '<text x="10" y="60">three</text><text x="10" y="75">four</text></svg>'
    )
    seen = await page.locator("svg").evaluate(OVERLAPS)
    assert seen == {"count": 4, "found": ["one | two"]}
