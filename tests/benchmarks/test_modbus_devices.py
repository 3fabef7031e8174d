"""Many devices and clients at once, smaller than the benchmark: every value of every one."""

from __future__ import annotations

import pytest
from modbus_devices import UNITS, build_servers, measure

from softctl.values.tables import Table

pytestmark = pytest.mark.network


async def test_every_register_of_every_device_is_read_rightly() -> None:
    """Over more devices than one server has unit ids, by 20 clients at once, no error."""
    result = await measure(UNITS + 53, 300, 20, 2)
    assert result.errors == 0
    assert result.requests == 2 * 3 * (UNITS + 53)


def test_registers_take_little_more_than_their_two_bytes() -> None:
    """A thousand devices of a thousand registers stay far below 40 MiB."""
    servers = build_servers(1000, 1000)
    held = [
        device.bank.registers(Table.HOLDING_REGISTERS)
        for server in servers
        for device in server.devices.values()
    ]
    assert len(held) == 1000
    assert sum(len(memory) for memory in held) == 2_000_000


async def test_a_wrong_value_would_be_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge is no rubber stamp: one register changed behind its back is seen."""
    import modbus_devices

    real = modbus_devices.build_servers

    def spoilt(devices: int, registers: int):
        servers = real(devices, registers)
        servers[0].devices[1].bank.registers(Table.HOLDING_REGISTERS)[0] ^= 1
        return servers

    monkeypatch.setattr(modbus_devices, "build_servers", spoilt)
    assert (await measure(3, 10, 2, 1)).errors == 1
