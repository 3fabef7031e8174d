"""One browser for all tests of the page, and one machine behind most of them."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Callable

import pytest
import pytest_asyncio
from bench_pages import Bench, Complaints, running
from playwright.async_api import Browser, Page, async_playwright, expect

WIDE = {"width": 1280, "height": 720}
PATIENCE_MS = 20_000
"""For a busy computer; nothing here is a matter of time."""


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def browser(require_tool: Callable[[str], str]) -> AsyncIterator[Browser]:
    """Debian's Chromium; nothing is downloaded."""
    chromium = require_tool("chromium")
    expect.set_options(timeout=PATIENCE_MS)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        await browser.close()


_RUNNING: list[Bench] = []
_ENDS = contextlib.ExitStack()


@pytest.fixture
def demo(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The demo, five times faster than life, at rest until somebody gives START.

    It runs on from test to test and from file to file, and ends where other tests come next:
    until the end of the session it would take time from all of them.
    """
    if not _RUNNING:
        bench = running("glasshouse_feed", tmp_path_factory.mktemp("demo"), "--speed", "5")
        _RUNNING.append(_ENDS.enter_context(bench))
        _ENDS.callback(_RUNNING.clear)
    return _RUNNING[0]


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> None:
    """After the last test of this directory the demo ends."""
    if nextitem is None or nextitem.path.parent != item.path.parent:
        _ENDS.close()


def pytest_unconfigure() -> None:
    """Also where the tests are broken off."""
    _ENDS.close()


@pytest_asyncio.fixture(loop_scope="session")
async def page(browser: Browser) -> AsyncIterator[Page]:
    """A window of 1280 by 720, which must not have complained of anything at the end."""
    context = await browser.new_context(viewport=WIDE, reduced_motion="reduce")
    context.set_default_timeout(PATIENCE_MS)
    page = await context.new_page()
    complaints = Complaints(page)
    yield page
    await context.close()
    assert complaints.found == []
