"""Plans the fewest block requests that cover a set of values.

Sweeping from the lowest address and taking into each block all that fits is optimal
here: blocks cover intervals on a line, and starting a block later than its first value
cannot cover more.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from softctl.modbus.bank import Extent, merge_extents
from softctl.modbus.codes import (
    MAX_READ_BITS,
    MAX_READ_REGISTERS,
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
)
from softctl.values.tables import Table

Span = tuple[Table, int, int]
"""A table, a first address and a count of bits or registers."""

Extents = Mapping[Table, Sequence[Extent]]


def plan_reads(spans: Iterable[Span], extents: Extents | None = None) -> list[Span]:
    """The block reads that fetch every span, by table and address.

    A value that fits one request is never cut in two, so it cannot be torn. Gaps are read
    across where `extents` say that the addresses exist; without extents only spans that
    touch or overlap share a block.

    Raises:
        ValueError: a span is empty, leaves 0..65535 or lies outside `extents`.
    """
    return _plan(spans, extents, MAX_READ_BITS, MAX_READ_REGISTERS)


def plan_writes(spans: Iterable[Span], extents: Extents | None = None) -> list[Span]:
    """The block writes that store every span, by table and address.

    Give `extents` only when the caller owns everything in them: the gaps between spans
    are then written too. Without them a block holds nothing but the spans.

    Raises:
        ValueError: a span is empty, leaves 0..65535 or lies outside `extents`.
    """
    return _plan(spans, extents, MAX_WRITE_BITS, MAX_WRITE_REGISTERS)


def _plan(
    spans: Iterable[Span], extents: Extents | None, max_bits: int, max_registers: int
) -> list[Span]:
    by_table: dict[Table, list[Extent]] = defaultdict(list)
    for table, address, count in spans:
        by_table[table].append((address, count))
    blocks: list[Span] = []
    for table in Table:
        wanted = by_table.get(table, [])
        bounds = merge_extents(wanted if extents is None else extents.get(table, ()))
        limit = max_bits if table.is_bits else max_registers
        for first, count in _sweep(sorted(wanted), bounds, limit, table):
            blocks.append((table, first, count))
    return blocks


def _sweep(
    wanted: list[Extent], bounds: list[Extent], limit: int, table: Table
) -> Iterable[Extent]:
    start = end = bound_end = -1
    for address, count in wanted:
        new_end = max(end, address + count)
        if start >= 0 and new_end <= bound_end and new_end - start <= limit:
            end = new_end
            continue
        if start >= 0:
            yield from _cut(start, end, limit)
        start, end = address, address + count
        bound_end = _bound_end(bounds, start, end, table)
    if start >= 0:
        yield from _cut(start, end, limit)


def _bound_end(bounds: list[Extent], start: int, end: int, table: Table) -> int:
    for first, count in bounds:
        if first <= start and end <= first + count:
            return first + count
    raise ValueError(
        f"expected {table.value} {start}..{end - 1} to exist, got extents "
        + (", ".join(f"{first}..{first + count - 1}" for first, count in bounds) or "none")
    )


def _cut(start: int, end: int, limit: int) -> Iterable[Extent]:
    """Only a single value longer than one request, such as a string, is ever cut."""
    while start < end:
        count = min(limit, end - start)
        yield start, count
        start += count
