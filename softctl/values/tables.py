"""The four Modbus tables (Modbus Application Protocol V1.1b3, section 4.3)."""

from __future__ import annotations

from enum import Enum


class Table(Enum):
    """A Modbus table; the value is the word used in files and messages."""

    COILS = "coils"
    DISCRETE_INPUTS = "discrete inputs"
    INPUT_REGISTERS = "input registers"
    HOLDING_REGISTERS = "holding registers"

    # Servers look a table up for every request, and Enum's own hash is written in Python.
    __hash__ = object.__hash__

    @property
    def is_bits(self) -> bool:
        """True for the two tables of single bits."""
        return self in (Table.COILS, Table.DISCRETE_INPUTS)

    @property
    def is_writable(self) -> bool:
        """True for the two tables that a client may write."""
        return self in (Table.COILS, Table.HOLDING_REGISTERS)

    @property
    def read_function(self) -> int:
        """The function code that reads this table."""
        return _READ_FUNCTIONS[self]

    def number(self, address: int) -> int:
        """The printed one-based number of a wire address, such as 40001 or 400001.

        Common practice, five digits up to number 9999 of a table and six above.
        """
        digit = _DIGITS[self]
        return digit * (10_000 if address < 9_999 else 100_000) + address + 1


_READ_FUNCTIONS = {
    Table.COILS: 1,
    Table.DISCRETE_INPUTS: 2,
    Table.HOLDING_REGISTERS: 3,
    Table.INPUT_REGISTERS: 4,
}
_DIGITS = {
    Table.COILS: 0,
    Table.DISCRETE_INPUTS: 1,
    Table.INPUT_REGISTERS: 3,
    Table.HOLDING_REGISTERS: 4,
}
