"""The map while a checkout owns it."""

from __future__ import annotations

import pytest
from hmi_program import MACHINE, new_checkout

from softctl.checkout import Checkout


@pytest.fixture
def checkout() -> Checkout:
    checkout = new_checkout()
    checkout.rest()
    return checkout


def test_a_controller_seems_alive(checkout: Checkout) -> None:
    """The heartbeat counts, the link is healthy, programs run, clients are counted."""
    beats = []
    for _ in range(3):
        checkout.tick(2)
        values = checkout.stage.values()
        beats.append(values["HEARTBEAT"])
    assert beats == [1, 2, 3]
    assert values["FIELD_LINK"] is True
    assert values["CONTROL_STATE"] == 1
    assert values["CLIENTS"] == 2
    assert values["COMMS_ALARM"] is False


def test_the_heartbeat_stands_still_when_it_is_asked_about(checkout: Checkout) -> None:
    """In its step only."""
    checkout.begin("HEARTBEAT:stopped")
    first = checkout.stage.values()["HEARTBEAT"]
    checkout.tick(1)
    assert checkout.stage.values()["HEARTBEAT"] == first
    assert checkout.stage.values()["SCAN_COUNT"] == 1
    checkout.begin("LT_1:50%")
    checkout.tick(1)
    assert checkout.stage.values()["HEARTBEAT"] == 2


def test_only_the_step_is_not_at_rest(checkout: Checkout) -> None:
    """A value that stays from the step before would hide a screen that shows another point."""
    checkout.begin("LT_1:100%")
    checkout.begin("PT_1:50%")
    values = checkout.stage.values()
    assert values["PT_1"] == pytest.approx(4.0)
    assert values["LT_1"] == 0
    assert values["COUNT"] == 5
    checkout.begin("LAH_1_STATE:1")
    values = checkout.stage.values()
    assert (values["LAH_1"], values["LAH_1_STATE"], values["ALARMS_WAITING"]) == (True, 1, 1)
    assert (values["TAH_1"], values["TAH_1_STATE"]) == (False, 0)


def test_commands_are_released_and_requests_answered_as_a_scan_would(checkout: Checkout) -> None:
    """A held command stays, and an entered set point until the next step."""
    checkout.begin("ALARM_NUMBER:acknowledge-LAH_1")
    for name, value in (("START", True), ("HAND", True), ("COUNT", 17), ("ALARM_REQUEST", 1)):
        checkout.hmi.put(name, value)
    checkout.tick(1)
    values = checkout.stage.values()
    assert (values["START"], values["HAND"], values["COUNT"]) == (False, True, 17)
    assert (values["ALARM_REQUEST"], values["ALARM_REPLY"]) == (0, 1)
    checkout.begin("LT_1:0%")
    values = checkout.stage.values()
    assert (values["HAND"], values["COUNT"], values["ALARM_REPLY"]) == (False, 5, 0)


def test_every_point_of_the_map_has_a_value(checkout: Checkout) -> None:
    """None is left to chance."""
    assert set(checkout.stage.values()) == {n for n, p in MACHINE.points.items() if p.hmi}
