"""The owner's hooks: what may be written, and who wrote what."""

from __future__ import annotations

import pytest

from softctl.modbus import Bank, Client, Device, ExceptionCode
from softctl.modbus.clients import LOCAL
from softctl.values.tables import Table

WRITES = {
    "05 0002 FF00": (Table.COILS, 2, b"\x01"),
    "06 0002 1234": (Table.HOLDING_REGISTERS, 2, b"\x12\x34"),
    "0F 0002 0003 01 05": (Table.COILS, 2, b"\x01\x00\x01"),
    "10 0002 0002 04 1234 5678": (Table.HOLDING_REGISTERS, 2, b"\x12\x34\x56\x78"),
    "16 0002 0000 1234": (Table.HOLDING_REGISTERS, 2, b"\x12\x34"),
    "17 0000 0001 0002 0001 02 1234": (Table.HOLDING_REGISTERS, 2, b"\x12\x34"),
}


@pytest.mark.parametrize("request_", WRITES)
def test_a_write_is_asked_about_then_reported_with_its_client(request_: str) -> None:
    """The check sees data before it is stored, the report comes after, with the source."""
    bank = Bank({table: [(0, 8)] for table in Table})
    asked: list[tuple[Table, int, bytes]] = []
    told: list[tuple[Client, Table, int, bytes]] = []

    def check(table: Table, address: int, data: bytes) -> None:
        assert not any(bank.area(table).memory)
        asked.append((table, address, data))

    device = Device(bank, write_check=check, on_write=lambda *args: told.append(args))
    client = Client("127.0.0.1:53100")
    assert device.answer(bytes.fromhex(request_), client)[0] == int(request_[:2], 16)
    assert asked == [WRITES[request_]]
    assert told == [(client, *WRITES[request_])]


@pytest.mark.parametrize("request_", WRITES)
def test_a_refused_write_changes_nothing(request_: str) -> None:
    """The check's exception code is the answer and the bank keeps what it held."""
    bank = Bank({table: [(0, 8)] for table in Table})
    told: list[object] = []
    device = Device(
        bank,
        write_check=lambda *_: ExceptionCode.SERVER_DEVICE_FAILURE,
        on_write=lambda *args: told.append(args),
    )
    assert device.answer(bytes.fromhex(request_)) == bytes((int(request_[:2], 16) | 0x80, 4))
    assert not any(any(bank.area(table).memory) for table in Table)
    assert told == []


def test_a_write_outside_the_bank_is_not_asked_about() -> None:
    """A missing address is exception 02 before the owner hears of it."""
    device = Device(Bank({Table.COILS: [(0, 8)]}), write_check=lambda *_: 4)
    assert device.answer(bytes.fromhex("05 0008 FF00")) == b"\x85\x02"


def test_the_owner_itself_is_the_local_client() -> None:
    """Without a connection the source of a write is the owner."""
    told: list[Client] = []
    bank = Bank({Table.COILS: [(0, 8)]})
    device = Device(bank, on_write=lambda client, *_: told.append(client))
    device.answer(bytes.fromhex("05 0000 FF00"))
    assert told == [LOCAL]


def test_a_unit_id_is_a_byte() -> None:
    """A unit id that no frame can carry is refused with its limits."""
    with pytest.raises(ValueError, match="between 0 and 255, got 256"):
        Device(Bank({}), 256)
