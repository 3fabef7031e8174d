"""The plant behind its cards."""

from __future__ import annotations

import pytest

from softctl.field import FieldDevice
from softctl.machine import Address
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
