"""The decision: may a client with this role read or write this range?

Modbus/TCP Security v36: rules are configurable, no role is built in, a client without a
role goes to the authorisation like any other, and what is not authorised is exception 01.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.modbus import Bank, Client, Device, Diagnostics, Identification
from softctl.modbus.roles import Bars, RoleTable
from softctl.values.tables import Table

COILS, HOLDING = Table.COILS, Table.HOLDING_REGISTERS
TABLE = RoleTable(
    {
        "fitter": Bars(read=(), write=()),
        # may write the set points at 0..1 and 4, not the one at 2..3
        "operator": Bars(read=(), write=((HOLDING, 2, 2), (COILS, 5, 1))),
        "onlooker": Bars(read=((HOLDING, 4, 1),)),
        "nobody": Bars(),
    },
    no_role=Bars(read=((HOLDING, 0, 4),)),
)


def may(role: str, table: Table | None, address: int, count: int, is_write: bool) -> bool:
    return TABLE.permits(Client("test", role=role), table, address, count, is_write)


@pytest.mark.parametrize(
    ("role", "table", "address", "count", "is_write", "expected"),
    [
        ("fitter", HOLDING, 0, 5, True, True),
        ("operator", HOLDING, 0, 2, True, True),
        ("operator", HOLDING, 4, 1, True, True),
        ("operator", HOLDING, 2, 2, True, False),
        ("operator", HOLDING, 1, 2, True, False),
        ("operator", HOLDING, 3, 2, True, False),
        ("operator", HOLDING, 0, 5, True, False),
        ("operator", HOLDING, 0, 5, False, True),
        ("operator", COILS, 4, 1, True, True),
        ("operator", COILS, 5, 1, True, False),
        ("operator", COILS, 6, 1, True, True),
        ("operator", Table.DISCRETE_INPUTS, 2, 2, False, True),
        ("onlooker", HOLDING, 0, 4, False, True),
        ("onlooker", HOLDING, 0, 5, False, False),
        ("onlooker", HOLDING, 0, 1, True, False),
        ("nobody", HOLDING, 0, 1, False, False),
        ("", HOLDING, 4, 1, False, True),
        ("", HOLDING, 0, 1, False, False),
        ("", HOLDING, 4, 1, True, False),
        ("unheard of", HOLDING, 0, 1, False, False),
        ("Fitter", HOLDING, 0, 1, False, False),
    ],
)
def test_one_barred_address_refuses_the_whole_range(
    role: str, table: Table, address: int, count: int, is_write: bool, expected: bool
) -> None:
    """A range is permitted when the role may touch all of it; a role's text counts exactly."""
    assert may(role, table, address, count, is_write) is expected


@pytest.mark.parametrize("address", [100, 65_535])
def test_addresses_beyond_the_map_are_not_the_tables_to_refuse(address: int) -> None:
    """So that a wrong address is exception 02 for those who may write anything at all."""
    assert may("operator", HOLDING, address, 1, True)
    assert not may("onlooker", HOLDING, address, 1, True)


def test_functions_without_addresses_follow_the_right_to_anything() -> None:
    """Device identification is for whoever may read, a function that changes for writers."""
    assert may("onlooker", None, 0, 0, False)
    assert not may("onlooker", None, 0, 0, True)
    assert may("operator", None, 0, 0, True)
    assert not may("nobody", None, 0, 0, False)


def test_no_role_may_nothing_unless_the_table_says_so() -> None:
    """Deny by default (common practice)."""
    table = RoleTable({"fitter": Bars((), ())})
    assert not table.permits(Client("test"), HOLDING, 0, 1, False)


def test_an_empty_role_would_be_the_null_role() -> None:
    """The empty text already stands for a client without a role."""
    with pytest.raises(ValueError, match="expected roles with names"):
        RoleTable({"": Bars((), ())})


spans = st.lists(
    st.tuples(st.sampled_from([COILS, HOLDING]), st.integers(0, 40), st.integers(1, 6)),
    max_size=6,
)


@given(spans, st.sampled_from([COILS, HOLDING]), st.integers(0, 50), st.integers(1, 20))
def test_agrees_with_looking_at_every_address(
    barred: list[tuple[Table, int, int]], table: Table, address: int, count: int
) -> None:
    """The search for a mark finds what walking through all addresses finds."""
    role_table = RoleTable({"any": Bars(read=tuple(barred))})
    asked = set(range(address, address + count))
    meets = any(one is table and asked & set(range(a, a + n)) for one, a, n in barred)
    assert role_table.permits(Client("t", role="any"), table, address, count, False) is not meets


@pytest.mark.parametrize(
    ("pdu", "reply"),
    [
        ("03 0000 0005", "83 01"),  # onlooker: address 4 is barred
        ("03 0000 0004", "03 08 0000 0000 0000 0000"),
        ("03 0000 0064", "83 01"),  # authorisation comes before the address check
        ("03 0005 0001", "83 02"),
        ("03 0000 0000", "83 03"),  # the form of a request is judged first
        ("06 0000 0001", "86 01"),
        ("10 0000 0001 02 0001", "90 01"),
        ("16 0000 FFFF 0000", "96 01"),
        ("17 0000 0001 0000 0001 02 0001", "97 01"),
        ("05 0000 FF00", "85 01"),
        ("0F 0000 0001 01 01", "8F 01"),
        ("01 0000 0001", "01 01 00"),
    ],
)
def test_a_device_answers_exception_01_where_the_role_may_not(pdu: str, reply: str) -> None:
    """Not authorised is exception 01 (Modbus/TCP Security v36), for every table function."""
    device = Device(Bank({HOLDING: [(0, 5)], COILS: [(0, 8)]}), permit=TABLE.permits)
    client = Client("test", role="onlooker")
    assert device.answer(bytes.fromhex(pdu), client) == bytes.fromhex(reply)
    assert not any(device.bank.registers(HOLDING))


@pytest.mark.parametrize(
    ("role", "replies"),
    [
        # 43/14 reads, 20 reads files, 21 writes files, 24 reads a queue, 08 can silence
        ("onlooker", ["2b0e", "14", "95 01", "18", "88 01"]),
        ("fitter", ["2b0e", "14", "15", "18", "08"]),
        ("nobody", ["ab 01", "94 01", "95 01", "98 01", "88 01"]),
        ("stranger", ["ab 01", "94 01", "95 01", "98 01", "88 01"]),
    ],
)
def test_functions_about_no_table_are_decided_too(role: str, replies: list[str]) -> None:
    """Whoever may read nothing learns nothing: identification, files and queues included."""
    device = Device(
        Bank({HOLDING: [(0, 5)]}),
        permit=TABLE.permits,
        identification=Identification("v", "p", "1"),
        files={1: bytearray(8)},
        fifos={0: [1]},
        diagnostics=Diagnostics(),
    )
    requests = [
        "2b 0e 01 00",
        "14 07 06 0001 0000 0001",
        "15 09 06 0001 0000 0001 0007",
        "18 0000",
        "08 0000 1234",
    ]
    client = Client("test", role=role)
    got = [device.answer(bytes.fromhex(pdu), client) for pdu in requests]
    for answer, expected in zip(got, replies, strict=True):
        assert answer.startswith(bytes.fromhex(expected))
    assert any(device.files[1]) is (role == "fitter")
