"""Real servers over real sockets: ours passes, and where two others deviate is known."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from conform_flaws import expand

from softctl.conform import Range, Verdict, Wanted, all_cases
from softctl.conform.report import Report
from softctl.modbus import Bank, Device
from softctl.runtime.conform_runner import Dial, run_cases
from softctl.runtime.modbus_server import ModbusServer
from softctl.values.tables import Table

pytestmark = pytest.mark.network

HERE = Path(__file__).parent
COUNT = 2000
EVERYTHING = Wanted(
    unit=1,
    writes={
        Table.COILS: (Range(0, COUNT + 100),),
        Table.HOLDING_REGISTERS: (Range(0, COUNT + 100),),
    },
)

PYMODBUS_DEVIATIONS = """
"""
"""Where the stock server of pymodbus 3.16.1 deviates."""

LIBMODBUS_DEVIATIONS = """
"""
"""Where a server on libmodbus 3.1.6 deviates."""


def _verdicts(report: Report, verdict: Verdict) -> set[str]:
    return {r.case.id for r in report.results if r.outcome.verdict is verdict}


def _reasons(report: Report) -> dict[str, str]:
    return {result.case.id: result.outcome.reason for result in report.failures}


async def _run_ours(device: Device, wanted: Wanted) -> Report:
    server = ModbusServer(device)
    host, port = await server.start()
    try:
        return await run_cases(Dial(host, port), wanted, all_cases())
    finally:
        await server.close()


async def test_our_server_with_full_tables_passes_every_case_that_applies() -> None:
    """Tables larger than any request: every limit can be reached."""
    bank = Bank({table: [(0, COUNT)] for table in Table})
    bank.bits(Table.DISCRETE_INPUTS)[:] = bytes(index % 3 == 0 for index in range(COUNT))
    bank.registers(Table.INPUT_REGISTERS)[:40] = bytes(range(40))
    report = await _run_ours(Device(bank), EVERYTHING)
    assert _reasons(report) == {}
    assert _verdicts(report, Verdict.NOT_APPLICABLE) <= expand(
        "function-021-answered fc21-* fc24-*"
    )
    assert report.counts()[Verdict.PASS] >= 265
    assert report.unrestored == ()


async def test_our_server_as_a_field_passes_every_case_that_applies() -> None:
    """Cards' ranges: digital and analog, with a gap, and no address beyond."""
    bank = Bank(
        {
            Table.DISCRETE_INPUTS: [(0, 32)],
            Table.COILS: [(0, 16), (32, 16)],
            Table.INPUT_REGISTERS: [(0, 8)],
            Table.HOLDING_REGISTERS: [(0, 4)],
        }
    )
    bank.bits(Table.DISCRETE_INPUTS)[:] = bytes(index % 5 == 0 for index in range(32))
    bank.registers(Table.INPUT_REGISTERS)[:] = bytes(range(16))
    writes = {Table.COILS: (Range(0, 20),), Table.HOLDING_REGISTERS: (Range(0, 10),)}
    report = await _run_ours(Device(bank), Wanted(writes=writes))
    assert _reasons(report) == {}
    passed = _verdicts(report, Verdict.PASS)
    assert passed >= expand("fc05-* fc06-* fc22-* memory-whole-* fc1*-past-end stream-* clients-*")
    assert "fc16-limit" not in passed


async def test_our_server_as_an_hmi_passes_every_case_that_applies() -> None:
    """Set points with a range and of two registers refuse test values, rightly, and free ones
    beside them are written; nothing outside the range given changes."""

    def check(table: Table, address: int, data: bytes) -> int | None:
        if table is Table.HOLDING_REGISTERS and address < 8:
            return 2 if address % 2 or len(data) % 4 else 4 if any(data) else None
        return None

    bank = Bank({table: [(0, 64)] for table in Table})
    bank.registers(Table.HOLDING_REGISTERS)[:16] = bytes(range(16))
    device = Device(bank, write_check=check)
    limited = {Table.HOLDING_REGISTERS: (Range(0, 8),)}
    report = await _run_ours(device, Wanted(writes=limited))
    assert _reasons(report) == {}
    assert "fc16-example" in _verdicts(report, Verdict.NOT_APPLICABLE)
    free = {Table.HOLDING_REGISTERS: (Range(8, 100),), Table.COILS: (Range(8, 100),)}
    report = await _run_ours(device, Wanted(writes=free))
    assert _reasons(report) == {}
    assert "fc16-example" in _verdicts(report, Verdict.PASS)
    assert bank.registers(Table.HOLDING_REGISTERS)[:16] == bytes(range(16))


@contextmanager
def _process(*command: str | Path) -> Iterator[int]:
    """A server process that prints its port and ends with its standard input."""
    pipe, quiet = subprocess.PIPE, subprocess.DEVNULL
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=quiet) as process:
        try:
            yield int(process.stdout.readline())
        finally:
            process.stdin.close()
            process.wait(10)


async def _deviations(port: int, timeout_s: float) -> dict[str, str]:
    dial = Dial("127.0.0.1", port, timeout_s)
    report = await run_cases(dial, EVERYTHING, all_cases())
    assert report.unrestored == ()
    return _reasons(report)


async def test_the_stock_pymodbus_server_deviates_where_it_is_known_to() -> None:
    """Release 3.16.1, read as its documentation starts it."""
    with _process(sys.executable, "-W", "ignore", HERE / "pymodbus_server.py", str(COUNT)) as port:
        found = await _deviations(port, 0.5)
    assert set(found) == expand(PYMODBUS_DEVIATIONS)
    assert found["fc05-value-0001"].endswith("got the reply 05 00 00 FF 00")
    assert found["function-018-refused"].endswith("80 01")


@pytest.mark.peer
async def test_a_libmodbus_server_deviates_where_it_is_known_to(
    tmp_path, require_tool, require_library
) -> None:
    """Release 3.1.6, a server of our own in C around the library's answers."""
    require_library("modbus")
    program = tmp_path / "libmodbus_server"
    subprocess.run(
        [
            require_tool("gcc"),
            "-O2",
            "-I/usr/include/modbus",
            "-o",
            program,
            HERE / "libmodbus_server.c",
            "-lmodbus",
        ],
        check=True,
    )
    with _process(program, str(COUNT)) as port:
        found = await _deviations(port, 0.5)
    assert set(found) == expand(LIBMODBUS_DEVIATIONS)
    assert found["fc03-long"].endswith("got the reply 03 02 00 00")
