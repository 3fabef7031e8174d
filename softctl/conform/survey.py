"""Finds out, before any case runs, what the server has: addresses, functions, what it takes.

All of it is one script like those of the cases. It reads, and it writes only in the ranges
that the user gave: test values, and then what was there before.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from softctl.conform import judge, pdus
from softctl.conform.asking import Asker
from softctl.conform.files import WRITTEN_RECORDS
from softctl.conform.functions import NAMES, example
from softctl.conform.originals import Originals, write_one
from softctl.conform.site import ADDRESSES, Area, Range, Site, Support, Wanted
from softctl.conform.steps import NotApplicable, Script, Unmet
from softctl.conform.talk import Talk
from softctl.values.tables import Table

STARTS = (0, 1, 16, 64, 100, 128, 256, 512, 1000, 1024, 2000, 2048, 3000, 4000, 4096, 5000)
FAR_STARTS = (8192, 10_000, 16_384, 20_000, 30_000, 32_768, 40_000, 50_000, 65_535)
MOST_DISCOVERED = 4096
"""A run of addresses is followed no further; the cases never need more."""

_TRIED_VALUES = 16
_NO_UNIT = (0x0A, 0x0B)
_REFUSALS = (0x02, 0x03, 0x04)


class ReadSurvey(Asker):
    """What reading tells about one server; shared by the parts of the survey."""

    def __init__(self, wanted: Wanted) -> None:
        super().__init__(wanted.unit)
        self.wanted = wanted

    def support(self, pdu: bytes) -> Script[Support]:
        """What becomes of a right request."""
        reply = yield from self.ask(pdu)
        if reply is None:
            return Support.SILENT
        return Support.REFUSED if judge.is_exception(reply, 0x01) else Support.YES

    def exists(self, table: Table, address: int, count: int = 1) -> Script[bool | None]:
        """Whether a range can be read; None when exception 02 was not what refused it."""
        if address < 0 or address + count > ADDRESSES:
            return False
        reply = yield from self.ask(pdus.read(table.read_function, address, count))
        if reply is not None and reply[0] == table.read_function:
            return True
        return False if reply is not None and judge.is_exception(reply, 0x02) else None

    def run_from(self, table: Table, first: int, limit: int) -> Script[Range | None]:
        """The addresses that exist from `first` on, up to `limit` (not included).

        Steps double while they can be read and are halved when they cannot, so that a
        run is measured with a number of requests that grows like its logarithm.
        """
        most = 2000 if table.is_bits else 125
        end, step, grows = first, 1, True
        while step and end < limit:
            count = min(step, limit - end)
            if (yield from self.exists(table, end, count)):
                end += count
                step = min(2 * step, most) if grows else step
            else:
                grows = False
                step = min(step, count) // 2
        return Range(first, end - first) if end > first else None

    def values(self, table: Table, span: Range) -> Script[list[int]]:
        """Values of a range that exists; raises `Unmet` when they do not come right."""
        function, most = table.read_function, 2000 if table.is_bits else 125
        require = judge.require_bits if table.is_bits else judge.require_registers
        found: list[int] = []
        while len(found) < span.count:
            part = min(most, span.count - len(found))
            reply = yield from self.ask(pdus.read(function, span.first + len(found), part))
            found += require(reply or b"", function, part)
        return found


def survey(wanted: Wanted, originals: Originals) -> Script[Site]:
    """Everything that the cases want to know; the server answers at least one read.

    Args:
        wanted: what may be read and written.
        originals: filled in with what every address held, before it is written to, so
            that the caller can put it back however this ends.

    Raises:
        Unmet: it answers none, or says that there is no such unit.
    """
    reads = ReadSurvey(wanted)
    yield from _require_unit(reads)
    support: dict[int, Support] = {}
    areas: dict[Table, Area] = {}
    for table in Table:
        function = table.read_function
        support[function] = yield from reads.support(pdus.read(function, 0, 1))
        if support[function] is Support.YES:
            areas[table] = yield from _survey_table(reads, table)
    if all(found is Support.SILENT for found in support.values()):
        raise Unmet("an answer to any of the functions 01 to 04", "none in time")
    for table, area in areas.items():
        if table.is_writable:
            areas[table] = yield from _survey_writes(reads, table, area, originals)
    for file, records in wanted.files.items():
        originals.files[file] = yield from _read_records(reads, file, records)
    site = Site(
        wanted.unit,
        areas,
        support,
        originals,
        wanted.files,
        wanted.allows_unpredictable,
        wanted.can_half_close,
        wanted.secured,
    )
    return (yield from _survey_functions(reads, site))


def _require_unit(reads: ReadSurvey) -> Script[None]:
    """A gateway's exceptions mean that nobody has this unit id: nothing could be judged."""
    replies = []
    for table in Table:
        replies.append((yield from reads.ask(pdus.read(table.read_function, 0, 1))))
        if replies[-1] is None:
            return
    if all(reply and judge.is_exception(reply) and reply[1] in _NO_UNIT for reply in replies):
        raise Unmet(
            f"a unit {reads.wanted.unit} at this server (--unit gives another)",
            judge.describe(replies[0] or b""),
        )


def _survey_table(reads: ReadSurvey, table: Table) -> Script[Area]:
    known = yield from _find_known(reads, table)
    if known is None:
        hole = yield from _first_hole(reads, table, (0, ADDRESSES - 1))
        return Area(hole=hole)
    is_bounded = known.end < ADDRESSES and (yield from reads.exists(table, known.end)) is False
    candidates = (known.end, ADDRESSES - 1, known.first - 1, 0)
    hole = yield from _first_hole(reads, table, candidates)
    return Area(known, is_bounded, hole)


def _find_known(reads: ReadSurvey, table: Table) -> Script[Range | None]:
    """The longest run: of what the user gave, or of what a look at usual places finds."""
    given = reads.wanted.addresses
    if given:
        runs = []
        for span in given.get(table, ()):
            run = yield from reads.run_from(table, span.first, ADDRESSES)
            runs += [run] if run is not None else []
        return max(runs, key=lambda run: run.count, default=None)
    starts = [span.first for span in reads.wanted.writes.get(table, ())]
    for start in (*STARTS, *starts, *FAR_STARTS):
        limit = min(start + MOST_DISCOVERED, ADDRESSES)
        run = yield from reads.run_from(table, start, limit)
        if run is not None:
            return run
    return None


def _first_hole(reads: ReadSurvey, table: Table, candidates: Iterable[int]) -> Script[int | None]:
    for address in candidates:
        if 0 <= address < ADDRESSES and (yield from reads.exists(table, address)) is False:
            return address
    return None


def _read_records(reads: ReadSurvey, file: int, records: Range) -> Script[dict[int, int]]:
    """The first records of a file, which are the ones that cases write; none if unreadable."""
    count = min(records.count, WRITTEN_RECORDS)
    reply = yield from reads.ask(pdus.read_record(file, records.first, count))
    if reply is None or len(reply) != 4 + 2 * count or reply[0] != 0x14:
        return {}
    data = reply[4:]
    return {records.first + i: int.from_bytes(data[2 * i : 2 * i + 2], "big") for i in range(count)}


def _survey_writes(
    reads: ReadSurvey, table: Table, area: Area, originals: Originals
) -> Script[Area]:
    """The longest run inside the ranges given that exists and takes any value."""
    held = originals.tables.setdefault(table, {})
    holes: list[int] = []
    best: Range | None = None
    refusal = ""
    for given in reads.wanted.writes.get(table, ()):
        run = yield from reads.run_from(table, given.first, given.end)
        edge = given.first if run is None else run.end
        if edge < given.end and (yield from reads.exists(table, edge)) is False:
            holes.append(edge)
        if run is None:
            refusal = refusal or f"{table.value} {given} do not exist"
            continue
        try:
            values = yield from reads.values(table, run)
        except Unmet as unmet:
            refusal = f"{table.value} {given} may be written, but cannot be read: {unmet}"
            continue
        held.update(zip(range(run.first, run.end), values, strict=True))
        why = yield from _refuses(reads, table, run, values)
        if why:
            refusal = f"{table.value} {given} may be written, but the server refuses {why}"
        elif best is None or run.count > best.count:
            best = run
    has_edge = best is not None and best.end in holes
    if best is not None and has_edge:
        holes.insert(0, best.end)
    return replace(
        area,
        writable=best,
        has_edge=has_edge,
        write_hole=holes[0] if holes else None,
        refusal="" if best else refusal,
    )


def _refuses(reads: ReadSurvey, table: Table, run: Range, before: list[int]) -> Script[str]:
    """Why test values cannot be written there; empty if they can.

    A point with a range of its own, or one of two registers, is right to refuse them, so
    this is no failure; a server that takes a value and does not keep it is left to the
    cases.
    """
    last = max(run.count - _TRIED_VALUES // 2, 0)
    offsets = sorted({*range(min(run.count, _TRIED_VALUES // 2)), *range(last, run.count)})
    reason = ""
    for offset in offsets:
        values = (1, 0, before[offset]) if table.is_bits else (0xFFFF, 0, before[offset])
        for value in values:
            reply = yield from write_one(reads, table, run.first + offset, value)
            if reply is not None and len(reply) == 2 and reply[1] in _REFUSALS:
                what = f"{value} at {run.first + offset}"
                reason = reason or f"{what} with {judge.exception_text(reply[1])}"
        if reason:
            break
    return reason


def _survey_functions(reads: ReadSurvey, site: Site) -> Script[Site]:
    """Tries every function that is not tried yet and that this run may use."""
    support = dict(site.support)
    talk = Talk(site)
    for function in NAMES:
        if function in support:
            continue
        try:
            request = example(function, talk)
        except NotApplicable:
            continue
        support[function] = yield from reads.support(request)
    return replace(site, support=support)
