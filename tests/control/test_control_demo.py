"""The demo's program and machine together, in virtual time."""

from __future__ import annotations

import pytest
from virtual import VirtualMachine

from softctl.runtime.folder import MachineFolder, demo_folder, load_folder


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@pytest.fixture
def machine(folder: MachineFolder) -> VirtualMachine:
    return VirtualMachine(folder)


def test_the_machine_feeds_stirs_discharges_and_begins_again(machine: VirtualMachine) -> None:
    """A whole cycle and the next feed, with every interlock held at every scan.

    Feeds stop before the agitator starts and the outlet opens after it stops (common
    practice for batch vessels).
    """
    machine.scan()
    machine.command("START")
    seen: list[str] = []
    for _ in range(int(1200e9 / machine.period_ns)):
        values = machine.scan()
        feeds = values["P_101"] or values["P_102"]
        assert not (feeds and (values["A_101"] or values["XV_101"]))
        assert not (values["A_101"] and (values["P_101_RUN"] or values["P_102_RUN"]))
        assert not (values["XV_101"] and (values["A_101"] or values["A_101_RUN"]))
        steps = machine.controller.instance.active_steps("Feed")
        assert len(steps) == 1
        if not seen or seen[-1] != steps[0]:
            seen.append(steps[0])
        if seen.count("Feeding") == 2:
            break
    cycle = ["Closing", "Feeding", "Settling", "Stirring", "Coasting", "Discharging", "Counting"]
    assert seen == [*cycle, "Closing", "Feeding"]
    assert values["BATCHES"] == 1


def test_the_stirring_time_is_the_set_point(machine: VirtualMachine) -> None:
    """The agitator's command is on for STIR_TIME, to within a scan."""
    machine.scan()
    machine.command("START")
    begun = machine.run_until(lambda v: bool(v["A_101"]), 600)
    begun_ns = machine.now_ns
    machine.run_until(lambda v: not v["A_101"], 600)
    assert machine.now_ns - begun_ns == pytest.approx(begun["STIR_TIME"], abs=machine.period_ns)


@pytest.mark.parametrize("step", ["Closing", "Feeding", "Stirring", "Discharging"])
def test_stop_ends_every_step(machine: VirtualMachine, step: str) -> None:
    """STOP leads from any step to Idle with every output off, and nothing starts again."""
    machine.scan()
    machine.command("START")
    active = machine.controller.instance.active_steps
    machine.run_until(lambda _: active("Feed") == (step,), 900)
    machine.command("STOP")
    for _ in range(40):
        values = machine.scan()
        assert active("Feed") == ("Idle",)
    assert not any(values[name] for name in ("P_101", "P_102", "A_101", "XV_101", "RUNNING"))


def test_a_command_is_taken_once(machine: VirtualMachine) -> None:
    """The coil of a momentary command is clear again after the scan that saw it."""
    machine.command("START")
    assert machine.controller.values()["START"] is True
    machine.scan()
    assert machine.controller.values()["START"] is False


def test_a_lost_link_overrules_the_program(machine: VirtualMachine) -> None:
    """Without the field every output is fail-safe, the HMI sees it, and START is needed again."""
    machine.scan()
    machine.command("START")
    machine.run_until(lambda v: bool(v["P_101"]), 60)
    machine.cut_wire()
    values = machine.run_until(lambda v: bool(v["COMMS_ALARM"]), 0.6)
    assert values["COMMS_ALARM"] is True
    assert values["FIELD_LINK"] is False
    assert not any(values[name] for name in ("P_101", "P_102", "A_101", "XV_101"))
    machine.mend_wire()
    for _ in range(10):
        values = machine.scan()
    assert values["COMMS_ALARM"] is False
    assert not values["P_101"]
