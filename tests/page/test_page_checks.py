"""Trials, drills and checkouts as a person runs them: against a bench that the test plays, and
once each against a real one."""

from __future__ import annotations

from typing import Any

import pytest
from bench_pages import Bench
from fake_bench import FakeBench, made_model
from playwright.async_api import Page, expect

pytestmark = pytest.mark.asyncio(loop_scope="session")


async def test_a_trial_is_run_and_watched(page: Page) -> None:
    """The chosen pace goes with the request; rows appear with their verdicts as they come."""
    bench = FakeBench(page, made_model(trials=[{"name": "one_batch", "text": "A whole batch"}]))
    await bench.open("checks")
    await page.get_by_label("Pace").select_option("50")
    await page.get_by_role("button", name="Run one_batch").click()
    row = {"at_s": 3.2, "text": "P_101 runs", "verdict": None, "found": ""}
    bench.show("trial", name="one_batch", running=True, at_s=3.2, verdict=None, rows=[row])
    await expect(page.get_by_role("tabpanel")).to_contain_text("running")
    await page.get_by_role("button", name="Stop").click()
    failed = {**row, "verdict": "not met", "found": "P_101.running = FALSE"}
    bench.show("trial", name="one_batch", running=False, at_s=9.0, verdict="not met", rows=[failed])
    bench.show("trials", rows=[{"name": "one_batch", "verdict": "not met"}])
    rows = page.get_by_role("table", name="Rows of the trial")
    await expect(rows).to_contain_text("found: P_101.running = FALSE")
    await expect(page.locator(".choice")).to_contain_text("not met")
    assert bench.asked == [{"do": "trial", "name": "one_batch", "speed": 50}, {"do": "trial_stop"}]


async def test_drills_are_chosen_judged_and_answered(page: Page) -> None:
    """Only the ticked drills are started; checks and questions come, answers are kept."""
    drills = [
        {"name": "cut", "title": "connections are closed", "lasts_s": 10, "questions": []},
        {"name": "delay", "title": "every reply is late", "lasts_s": 10, "questions": []},
    ]
    bench = FakeBench(page, made_model(drills=drills))
    await bench.open("checks")
    await page.get_by_role("tab", name="Drills").click()
    await page.get_by_label("delay").uncheck()
    await page.get_by_role("button", name="Start").click()
    bench.show("drills", running="cut", phase="during", left_s=7, rows=[], questions=[])
    await expect(page.get_by_text("cut: the wire is broken, 7 s left")).to_be_visible()
    check = {"name": "polls again", "verdict": "fail", "seen": "did not read again: LT_1"}
    result = {"drill": "cut", "host": "127.0.0.1", "verdict": "fail", "checks": [check]}
    question = {"id": "cut/0", "drill": "cut", "text": "Did an alarm come?", "answer": None}
    bench.show("drills", running=None, phase=None, rows=[result], questions=[question])
    await expect(page.get_by_role("tabpanel")).to_contain_text("did not read again: LT_1")
    await page.get_by_label("cut: Did an alarm come?").fill("no")
    await page.get_by_role("button", name="Keep").click()
    bench.show("drills", running=None, rows=[result], questions=[{**question, "answer": "no"}])
    await expect(page.get_by_text("Kept: no")).to_be_visible()
    assert bench.asked == [
        {"do": "drill", "act": "start", "names": ["cut"]},
        {"do": "drill", "act": "answer", "question": "cut/0", "text": "no"},
    ]


def step(number: int, answer: str, **more: Any) -> dict[str, Any]:
    """A step of a checkout as the bench's document has it."""
    return {
        "id": f"LT_1:{number}%",
        "point": "LT_1",
        "description": "Level",
        "unit": "m",
        "instruction": f"Look at LT_1 ({number} %)",
        "answer": answer,
        "choices": {},
        "expected": None,
        "attempt": None,
        "tries": 0,
        **more,
    }


async def test_a_checkout_goes_step_by_step(page: Page) -> None:
    """A step is shown and answered; after a pass the next one is begun; a fail stays, with
    its hint; an operation is told to be done."""
    bench = FakeBench(page, made_model())
    await bench.open("checks")
    await page.get_by_role("tab", name="Checkout").click()
    begin = page.get_by_role("form", name="Begin a checkout")
    await begin.get_by_role("button", name="Begin").click()
    await expect(begin).to_contain_text("expected who says")
    progress = {"total": 3, "open": 3, "passed": 0, "failed": 0, "skipped": 0}
    steps = [step(0, "number"), step(50, "number"), step(100, "done")]
    bench.show("checkout", running=False, steps=[])
    await begin.get_by_label("Your name").fill("R. Tester")
    await begin.get_by_role("button", name="Begin").click()
    await expect(page.get_by_role("tabpanel")).to_contain_text("begun")
    bench.show("checkout", running=True, progress=progress, current=None, steps=steps)
    bench.show("checkout", running=True, progress=progress, current="LT_1:0%", steps=steps)
    said = page.get_by_label("The screen shows (m)")
    await said.fill("0.0")
    bench.answers["checkout"] = {"attempt": {"verdict": "pass"}}
    await page.get_by_role("button", name="Keep").click()
    attempt = {"verdict": "pass", "expected": "0 m", "seen": "0 m", "hint": "", "at": "1"}
    steps[0] = step(0, "number", attempt=attempt, tries=1)
    bench.show("checkout", running=True, progress=progress, current="LT_1:50%", steps=steps)
    await expect(page.locator(".ask")).to_have_text("Look at LT_1 (50 %)")
    wrong = {**attempt, "verdict": "fail", "expected": "1 m", "seen": "100 m", "hint": "the scale"}
    steps[1] = step(50, "number", attempt=wrong, tries=1)
    bench.show("checkout", running=True, progress=progress, current="LT_1:50%", steps=steps)
    await expect(page.get_by_role("tabpanel")).to_contain_text("expected 1 m, seen 100 m")
    await page.get_by_role("button", name="Next step").click()
    bench.show("checkout", running=True, progress=progress, current="LT_1:100%", steps=steps)
    await expect(page.get_by_role("table", name="Steps of the checkout")).to_contain_text("scale")
    bench.answers["checkout"] = {"attempt": {"verdict": "fail"}}
    await page.get_by_role("button", name="I have done it").click()
    await expect(page.locator(".outcome.refused")).to_have_count(0)
    assert [one for one in bench.asked if one["do"] == "checkout"] == [
        {"do": "checkout", "act": "start", "reviewer": "R. Tester", "names": []},
        {"do": "checkout", "act": "begin", "step": "LT_1:0%"},
        {"do": "checkout", "act": "answer", "step": "LT_1:0%", "text": "0.0", "comment": ""},
        {"do": "checkout", "act": "begin", "step": "LT_1:50%"},
        {"do": "checkout", "act": "begin", "step": "LT_1:100%"},
        {"do": "checkout", "act": "answer", "step": "LT_1:100%", "text": "done", "comment": ""},
    ]


@pytest.mark.network
async def test_a_real_trial_is_watched_and_stopped(demo: Bench, page: Page) -> None:
    """A trial of the demo shows its rows and the step that it is in, until it is stopped."""
    await page.goto(f"{demo.url}#checks")
    await page.get_by_label("Pace").select_option("1")
    await page.get_by_role("button", name="Run one_batch", exact=True).click()
    rows = page.get_by_role("table", name="Rows of the trial")
    said = "Both pumps run once the outlet is proved shut"
    await expect(rows).to_contain_text(said, timeout=90_000)
    await expect(page.get_by_role("tabpanel")).to_contain_text("Feed: ")
    await page.get_by_role("button", name="Stop", exact=True).click()
    await expect(page.get_by_role("tabpanel")).to_contain_text("stopped before its end")


@pytest.mark.network
async def test_a_real_checkout_asks_for_stopped_programs(demo: Bench, page: Page) -> None:
    """It is refused while programs run; then steps come, and what is wrong wants a comment."""
    await page.goto(f"{demo.url}#checks")
    await page.get_by_role("tab", name="Checkout").click()
    pane = page.get_by_role("tabpanel")
    await page.get_by_label("Your name").fill("R. Tester")
    await page.get_by_label("Only these points").fill("LT_101")
    await page.get_by_role("button", name="Begin").click()
    await expect(pane).to_contain_text("expected stopped programs")
    await page.keyboard.press("Escape")
    await page.get_by_role("link", name="Sequence").click()
    await page.get_by_role("button", name="Stop", exact=True).click()
    await expect(page.locator("#states")).to_contain_text("stopped")
    try:
        await page.get_by_role("link", name="Checks").click()
        await page.get_by_role("button", name="Begin").click()
        await expect(pane.locator(".ask")).to_be_visible()
        await page.get_by_role("button", name="It is wrong").click()
        await expect(pane).to_contain_text("expected a comment with a fail")
        await page.get_by_label("Comment").fill("shows nothing")
        await page.get_by_role("button", name="It is wrong").click()
        await expect(pane.get_by_role("table")).to_contain_text("shows nothing")
        await page.get_by_role("button", name="End", exact=True).click()
        await expect(page.get_by_role("button", name="Begin")).to_be_visible()
    finally:
        await page.get_by_role("link", name="Sequence").click()
        await page.get_by_role("button", name="Restart", exact=True).click()
    await expect(page.locator("#states")).to_contain_text("running")
