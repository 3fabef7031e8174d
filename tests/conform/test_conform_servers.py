"""Real servers over real sockets: ours passes, and where two others deviate is known."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
from conform_flaws import expand

from softctl.conform import Range, Verdict, Wanted, choose
from softctl.conform.report import Report
from softctl.modbus import Bank, Device
from softctl.runtime.conform_lines import Dial
from softctl.runtime.conform_runner import run_cases
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
    fc*-over-in-hole fc0*-bare fc0*-limit-over fc0*-long fc0*-quantity-ffff fc0*-quantity-zero
    fc0*-short fc0*-zero-in-hole fc05-value-* fc08-data-* fc08-reserved-* fc1*-bare fc11-counts
    fc11-long fc12-long fc15-limit-over fc15-quantity-* fc15-zero-in-hole fc17-long fc22-bare
    fc22-long fc22-short fc23-*-zero fc23-bare fc23-read-hole fc23-read-limit-over fc23-read-wrap
    fc23-zero-in-hole fc24-hole fc24-long fc24-short fc43-basic fc43-code-zero fc43-extended
    fc43-long fc43-one-object fc43-regular fc43-short function-*-refused !function-000-refused
    function-020-answered function-131-not-answered function-255-not-answered header-length-255
    header-protocol-0001 header-protocol-0100 header-protocol-ffff stream-half-close
    stream-half-close-16 stream-joined-* stream-pipeline-*
"""
"""Where the stock server of pymodbus 3.16.1 deviates."""

PYMODBUS_MAY_PASS = "stream-pipeline-2 stream-pipeline-16 stream-pipeline-values stream-half-close"
"""It answers what was sent piece by piece when it happens to wake between the pieces."""

LIBMODBUS_DEVIATIONS = """
    fc*-data-long fc*-data-short fc*-head-only fc0*-bare fc0*-short fc05-value-in-hole
    fc0[1-4]-long fc0[56]-long fc1*-bare fc1*-byte-count-over fc17-long fc22-bare fc22-long
    fc22-short fc23-bare fc23-byte-count-over function-000-refused function-007-answered
    function-128-not-answered function-131-not-answered function-255-not-answered header-length-*
    !header-length-reply* header-protocol-0001 header-protocol-0100 header-protocol-ffff
    header-protocol-write stream-garbage-* stream-joined-exception stream-joined-foreign
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
        return await run_cases(Dial(host, port, settle_s=0.02), wanted, choose())
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
    assert report.unrestored == []


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
    report = await run_cases(dial, EVERYTHING, choose())
    assert report.unrestored == []
    return _reasons(report)


async def test_the_stock_pymodbus_server_deviates_where_it_is_known_to() -> None:
    """Release 3.16.1, read as its documentation starts it."""
    with _process(sys.executable, "-W", "ignore", HERE / "pymodbus_server.py", str(COUNT)) as port:
        found = await _deviations(port, 0.5)
    assert set(found) | expand(PYMODBUS_MAY_PASS) == expand(PYMODBUS_DEVIATIONS)
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
    assert "got the reply 03 02 " in found["fc03-long"]


def _readme_tables() -> tuple[list[int], list[list[str]]]:
    """The counts in the head of README's table of deviations, and the cells of its rows."""
    text = (HERE.parents[1] / "README.md").read_text(encoding="utf-8")
    lines = text.partition("### Where two other servers")[2].splitlines()
    rows = [line.strip("|").split("|") for line in lines if line.startswith("|")]
    counts = [int(found) for found in re.findall(r"\((\d+)\)", "|".join(rows[0]))]
    return counts, [[cell.strip() for cell in row] for row in rows[2:]]


def _ids_of(cell: str) -> set[str]:
    """The cases of a cell such as `fc01`–`fc04-quantity-zero`, `-quantity-ffff`."""
    names = re.findall(r"`([^`]+)`", cell)
    prefixes = {name.partition("-")[0] for name in names if not name.startswith("-")}
    for first, last, ending in re.findall(r"`fc(\d\d)`–`fc(\d\d)(-[^`]*)", cell):
        prefixes |= {f"fc{number:02d}" for number in range(int(first), int(last) + 1)}
        names.append(ending)
    ids = {case.id for case in choose()}
    found: set[str] = set()
    for name in names:
        if not name.startswith("-"):
            pattern = name if "-" in name and not name.endswith("-") else f"{name.rstrip('-')}-*"
            found |= {one for one in ids if fnmatchcase(one, pattern)}
        else:
            found |= {one for one in ids if one.partition("-")[0] in prefixes and name in one}
    return found


def test_the_readme_tells_of_every_deviation() -> None:
    """The counts are right, and each case that fails is in a row of the table by its id."""
    counts, rows = _readme_tables()
    assert counts == [len(expand(PYMODBUS_DEVIATIONS)), len(expand(LIBMODBUS_DEVIATIONS))]
    told = set().union(*(_ids_of(" ".join(row[1:])) for row in rows))
    assert expand(PYMODBUS_DEVIATIONS) - told == set()
    assert expand(LIBMODBUS_DEVIATIONS) - told == set()
