"""The plant behind its cards."""

from __future__ import annotations

import pytest

from softctl.field import FieldDevice
from softctl.machine import Address, parse_machine
from softctl.plant import build_plant
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.values.tables import Table


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@pytest.fixture
def device(folder: MachineFolder) -> FieldDevice:
    return FieldDevice(folder.machine, folder.build_plant())


def field_address(device: FieldDevice, name: str) -> Address:
    address = device.machine.points[name].field
    assert address is not None
    return address


def test_a_coil_starts_a_pump(device: FieldDevice) -> None:
    """Output bits reach the equipment, and its feedback comes back as an input bit."""
    coil = field_address(device, "P_101").address
    feedback = field_address(device, "P_101_RUN").address
    device.bank.bits(Table.COILS)[coil] = 1
    for _ in range(200):
        device.step()
    assert device.bank.bits(Table.DISCRETE_INPUTS)[feedback] == 1


def test_a_level_is_raw_counts(device: FieldDevice) -> None:
    """The transmitter's register holds microamps of its 4–20 mA loop, linear over its range."""
    for _ in range(3000):
        device.step()
    point = device.machine.points["LT_101"]
    assert point.field is not None
    assert point.low is not None
    assert point.high is not None
    offset = 2 * point.field.address
    registers = device.bank.registers(Table.INPUT_REGISTERS)
    raw = int.from_bytes(registers[offset : offset + 2], "big", signed=True)
    level = device.plant.read("T_101.level")
    expected = 4000 + (level - point.low) / (point.high - point.low) * 16000
    assert raw == pytest.approx(expected, abs=2)


def test_the_watchdog_drops_the_outputs(device: FieldDevice) -> None:
    """Outputs nobody has written for the declared time go to fail-safe, and not sooner."""
    coil = field_address(device, "P_101").address
    limit_ns = device.machine.fail_safe_after_ns
    device.bank.bits(Table.COILS)[coil] = 1
    assert device.note_write(1_000), "they were at fail-safe from the start"
    assert not device.note_write(1_000)
    assert not device.watch(1_000 + limit_ns - 1)
    assert device.bank.bits(Table.COILS)[coil] == 1
    assert device.watch(1_000 + limit_ns)
    assert device.is_fail_safe
    assert device.bank.bits(Table.COILS)[coil] == 0
    assert not device.watch(1_000 + 2 * limit_ns), "told once"
    device.note_write(1_000 + 3 * limit_ns)
    assert not device.is_fail_safe


def bouncing(folder: MachineFolder, filtered: str) -> list[int]:
    """The register bit of a bouncing level switch, step by step, as the tank fills past it."""
    text = (demo_folder() / "machine.yaml").read_text(encoding="utf-8")
    text = text.replace("DI_1: {", f"DI_1: {{{filtered}", 1)
    switch = "LSL_101:\n    type: level_switch\n"
    assert switch in text
    text = text.replace(switch, f"{switch}    bounce: 60 ms\n")
    machine = parse_machine(text, "machine.yaml")
    device = FieldDevice(machine, build_plant(machine))
    device.bank.bits(Table.COILS)[field_address(device, "P_101").address] = 1
    bits, address = [], field_address(device, "LSL_101").address
    for _ in range(20_000):
        device.step()
        bits.append(device.bank.bits(Table.DISCRETE_INPUTS)[address])
        if len(bits) > 50 and bits[-50] != bits[0]:
            break
    return bits


def changes(bits: list[int]) -> list[int]:
    return [i for i in range(1, len(bits)) if bits[i] != bits[i - 1]]


def test_a_card_filters_the_bounce(folder: MachineFolder) -> None:
    """Without a filter the contact's chatter shows; with one a single change, later by its time."""
    raw = changes(bouncing(folder, ""))
    assert len(raw) > 2
    settled = changes(bouncing(folder, "filter: 80 ms, "))
    assert len(settled) == 1
    assert 8 <= settled[0] - raw[-1] <= 9
