"""Where people sign in: who you are, what that lets you do, and out again."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from bench_pages import Complaints, running
from playwright.async_api import Browser, expect

from softctl.runtime.certificate_maker import KeyKind, make_certificates
from softctl.runtime.certificate_plan import Authority, Purpose, Wanted
from softctl.web.access import Role
from softctl.web.people import password_entry

pytestmark = [pytest.mark.network, pytest.mark.asyncio(loop_scope="session")]

PASSWORD = "an invented password"


def options(where: Path) -> tuple[str, ...]:
    """A file of people and a certificate, as options of the command."""
    hosts = ("127.0.0.1",)
    pair = Wanted(where / "page.pem", where / "page.key", Purpose.SERVER, "page", hosts=hosts)
    authority = Authority(where / "authority.pem", where / "authority.key", [pair])
    make_certificates([authority], days=2, kind=KeyKind.P256, overwrite=False)
    people = where / "people"
    people.write_text(password_entry("anna", Role.VIEW, PASSWORD).line() + "\n", encoding="utf-8")
    files = ("--page-certificate", str(pair.certificate), "--page-key", str(pair.key))
    return ("--page-people", str(people), *files)


async def test_somebody_signs_in_and_out(browser: Browser, tmp_path: Path) -> None:
    """A wrong password is told; signed in, name and role are shown; signed out, nothing is."""
    context = await browser.new_context(ignore_https_errors=True)
    page = await context.new_page()
    complaints = Complaints(page)
    with running("glasshouse_feed", tmp_path, *options(tmp_path)) as bench:
        assert bench.url.startswith("https://")
        await page.goto(bench.url)
        form = page.get_by_role("form", name="Sign in")
        await form.get_by_label("User").fill("anna")
        await form.get_by_label("Password or token").fill("something else")
        await form.get_by_role("button", name="Sign in").click()
        await expect(form).to_contain_text("expected a known name and its password, or a token")
        await form.get_by_label("Password or token").fill(PASSWORD)
        await form.get_by_role("button", name="Sign in").click()
        await expect(page.locator("#who")).to_have_text(re.compile("you are anna, view"))
        await expect(page.locator("#section_machine svg")).to_be_visible()
        (cookie,) = await context.cookies()
        assert (cookie["secure"], cookie["httpOnly"]) == (True, True)
        await page.get_by_role("button", name="Sign out").click()
        await expect(form).to_be_visible()
        await expect(page.locator("#section_machine")).to_have_count(0)
        assert await context.cookies() == []
        await page.goto("about:blank")
    await context.close()
    # A browser notes every answer from 400 on; nothing else is to be complained of.
    refused = re.compile(r"error: Failed to load resource: .* status of 40[13] ")
    assert [one for one in complaints.found if not refused.match(one)] == []
