"""Modbus/TCP clients of independent make behind one small face."""

from __future__ import annotations

import ctypes
from typing import Protocol

from pyModbusTCP.client import ModbusClient


class Stack(Protocol):
    """What the tests ask of a client; every method fails loudly."""

    def discrete_inputs(self, address: int, count: int) -> list[bool]: ...

    def input_registers(self, address: int, count: int) -> list[int]: ...

    def write_coil(self, address: int, value: bool) -> None: ...

    def write_registers(self, address: int, values: list[int]) -> None: ...

    def close(self) -> None: ...


class PurePythonStack:
    """pyModbusTCP."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self._client = ModbusClient(host, port, unit_id=1, timeout=5)
        assert self._client.open(), self._client.last_error_as_txt

    def _require(self, value):  # type: ignore[no-untyped-def]
        assert value, self._client.last_except_as_full_txt or self._client.last_error_as_txt
        return value

    def discrete_inputs(self, address: int, count: int) -> list[bool]:
        return self._require(self._client.read_discrete_inputs(address, count))

    def input_registers(self, address: int, count: int) -> list[int]:
        return self._require(self._client.read_input_registers(address, count))

    def write_coil(self, address: int, value: bool) -> None:
        self._require(self._client.write_single_coil(address, value))

    def write_registers(self, address: int, values: list[int]) -> None:
        self._require(self._client.write_multiple_registers(address, values))

    def close(self) -> None:
        self._client.close()


class CStack:
    """libmodbus, through ctypes."""

    def __init__(self, library: str, port: int) -> None:
        self._lib = ctypes.CDLL(library, use_errno=True)
        self._lib.modbus_new_tcp.restype = ctypes.c_void_p
        self._lib.modbus_strerror.restype = ctypes.c_char_p
        self._context = ctypes.c_void_p(self._lib.modbus_new_tcp(b"127.0.0.1", port))
        self._require(self._lib.modbus_set_slave(self._context, 1))
        self._require(self._lib.modbus_connect(self._context))

    def _require(self, result: int) -> None:
        assert result >= 0, self._lib.modbus_strerror(ctypes.get_errno())

    def discrete_inputs(self, address: int, count: int) -> list[bool]:
        bits = (ctypes.c_uint8 * count)()
        self._require(self._lib.modbus_read_input_bits(self._context, address, count, bits))
        return [bool(bit) for bit in bits]

    def input_registers(self, address: int, count: int) -> list[int]:
        words = (ctypes.c_uint16 * count)()
        self._require(self._lib.modbus_read_input_registers(self._context, address, count, words))
        return list(words)

    def write_coil(self, address: int, value: bool) -> None:
        self._require(self._lib.modbus_write_bit(self._context, address, int(value)))

    def write_registers(self, address: int, values: list[int]) -> None:
        words = (ctypes.c_uint16 * len(values))(*values)
        self._require(self._lib.modbus_write_registers(self._context, address, len(values), words))

    def close(self) -> None:
        self._lib.modbus_close(self._context)
        self._lib.modbus_free(self._context)
