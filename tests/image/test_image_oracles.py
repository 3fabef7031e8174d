"""Registers of points against an independent client library's idea of them."""

from __future__ import annotations

import pytest
from pymodbus.client.mixin import ModbusClientMixin
from type_machine import hmi_bank, machine_of

from softctl.image import Side, point_reader, point_writer
from softctl.machine import Value
from softctl.values.tables import Table

DATATYPE = ModbusClientMixin.DATATYPE
VALUES: list[tuple[str, object, Value]] = [
    ("INT", DATATYPE.INT16, -12_345),
    ("UINT", DATATYPE.UINT16, 54_321),
    ("DINT", DATATYPE.INT32, -1_234_567_890),
    ("UDINT", DATATYPE.UINT32, 3_456_789_012),
    ("LINT", DATATYPE.INT64, -(2**60) - 7),
    ("ULINT", DATATYPE.UINT64, 2**63 + 5),
    ("REAL", DATATYPE.FLOAT32, 1234.5),
    ("LREAL", DATATYPE.FLOAT64, -0.001),
    ("STRING[11]", DATATYPE.STRING, "Feed and 7"),
]


@pytest.mark.parametrize(("name", "datatype", "value"), VALUES)
@pytest.mark.parametrize(("order", "word_order"), [("ABCD", "big"), ("CDAB", "little")])
def test_pymodbus_reads_what_we_write_and_writes_what_we_read(
    name: str, datatype: object, value: Value, order: str, word_order: str
) -> None:
    """The conversions of pymodbus, which knows two of the four orders, agree both ways.

    Texts do not follow the server's order, so theirs is big throughout.
    """
    machine = machine_of([f"P: {{role: state, type: '{name}'}}"], order=order)
    (point,) = points = [machine.points["P"]]
    assert point.hmi is not None
    bank = hmi_bank(machine)
    memory = bank.registers(Table.INPUT_REGISTERS)
    start, end = 2 * point.hmi.address, 2 * point.hmi.end
    theirs = "big" if datatype is DATATYPE.STRING else word_order

    point_writer(bank, machine, points, Side.HMI, wired=True)([value])
    words = [int.from_bytes(memory[i : i + 2], "big") for i in range(start, end, 2)]
    found = ModbusClientMixin.convert_from_registers(words, datatype, theirs)
    assert found == pytest.approx(value, rel=1e-7) if isinstance(value, float) else found == value

    made = ModbusClientMixin.convert_to_registers(value, datatype, theirs)
    memory[start:end] = bytes(end - start)
    memory[start : start + 2 * len(made)] = b"".join(word.to_bytes(2, "big") for word in made)
    assert point_reader(bank, machine, points, Side.HMI, wired=True)() == (value,)
