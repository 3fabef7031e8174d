"""What the page makes of odd moments, against a bench that the test plays."""

from __future__ import annotations

import pytest
from fake_bench import FakeBench, made_model
from playwright.async_api import Page, expect

pytestmark = pytest.mark.asyncio(loop_scope="session")


async def test_a_viewer_may_look_only(page: Page) -> None:
    """For the role `view` what acts is switched off, with the role that it needs."""
    command = {**made_model()["points"][0], "name": "GO", "type": "BOOL", "role": "command"}
    bench = FakeBench(page, made_model(role="view", points=[command]))
    await bench.open()
    await expect(page.get_by_role("button", name="GO")).to_be_disabled()
    await expect(page.locator("#section_machine")).to_contain_text("Needs the role operate")
    await expect(page.get_by_role("button", name="Pause")).to_be_disabled()


async def test_what_is_not_offered_says_why(page: Page) -> None:
    """A bench that cannot do something says why where it would be."""
    model = made_model(why={"faults": "The plant runs elsewhere."})
    model["can"]["faults"] = False
    bench = FakeBench(page, model)
    await bench.open("faults")
    await expect(page.locator("#section_faults")).to_contain_text("The plant runs elsewhere.")


async def test_another_model_is_fetched(page: Page) -> None:
    """A hello with another model's id brings the new points without a reload."""
    bench = FakeBench(page, made_model())
    await bench.open("points")
    await expect(page.locator("#section_points tbody tr")).to_have_count(1)
    first = bench.model["points"][0]
    bench.model |= {"id": "two", "points": [first, {**first, "name": "LT_2"}]}
    bench.model["channels"] = ["point:LT_1", "point:LT_2"]
    bench.say(t="hello", role="engineer", model_id="two")
    bench.say(t="full", at=2.0, v=[0.25, 1.75])
    row = page.locator("#section_points tbody tr", has_text="LT_2")
    await expect(row).to_contain_text("1.750")


async def test_a_refusal_stands_where_the_deed_was(page: Page) -> None:
    """The bench's refusal of a force is shown in the form that asked for it."""
    bench = FakeBench(page, made_model())
    bench.answers["force"] = ValueError("expected a value between 0 and 2, got 9")
    await bench.open("points")
    await page.get_by_role("button", name="LT_1").click()
    force = page.get_by_role("form", name="Force the point")
    await force.get_by_label("Hold at (m)").fill("9")
    await force.get_by_label("Reason").fill("a try")
    await force.get_by_role("button", name="Force").click()
    await expect(force.locator(".refused")).to_have_text("expected a value between 0 and 2, got 9")
    expected = {"do": "force", "path": "LT_1", "value": 9, "for_s": 300, "reason": "a try"}
    assert expected in bench.asked


async def test_texts_of_a_machine_are_never_code(page: Page) -> None:
    """Markup in a machine's texts is shown as it is, and makes no element."""
    point = {**made_model()["points"][0], "description": "<img src=x onerror=alert(1)>"}
    bench = FakeBench(page, made_model(points=[point], title="<b>bold</b>"))
    await bench.open("points")
    await expect(page.locator("#title")).to_have_text("<b>bold</b>")
    await expect(page.locator("#section_points tbody")).to_contain_text("<img src=x")
    assert await page.locator("main img").count() == 0


async def test_every_kind_of_alarm_takes_its_acts(page: Page) -> None:
    """Each state offers what its table allows: acknowledge, confirm, reset, back in service."""
    states = {
        "UP": ("unacknowledged", "in service", "Acknowledge"),
        "CONF": ("returned, unconfirmed", "in service", "Confirm"),
        "LATCH": ("latched", "in service", "Reset"),
        "LATCH_NEW": ("latched, unacknowledged", "in service", "Acknowledge"),
        "OUT": ("normal", "out of service", "Back in service"),
    }
    bench = FakeBench(page, made_model())
    await bench.open("alarms")
    rows = [
        {"name": name, "text": "", "priority": "high", "state": state, "availability": where}
        for name, (state, where, _) in states.items()
    ]
    bench.show("alarms", rows=rows, rates={})
    for name, (_, _, act) in states.items():
        await page.get_by_role("button", name=f"{act}: {name}", exact=True).click()
    acts = [(one["name"], one["act"]) for one in bench.asked]
    assert acts == [
        ("UP", "acknowledge"),
        ("CONF", "confirm"),
        ("LATCH", "reset"),
        ("LATCH_NEW", "acknowledge"),
        ("OUT", "return"),
    ]
