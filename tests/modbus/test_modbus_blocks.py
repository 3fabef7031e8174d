"""Planning block requests."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.modbus.blocks import plan_reads, plan_writes
from softctl.values.tables import Table

WORDS = Table.INPUT_REGISTERS


def test_a_gap_is_read_across_only_where_it_exists() -> None:
    """Extents that cover the gap join two spans; without them they stay apart."""
    spans = [(WORDS, 0, 2), (WORDS, 6, 2)]
    assert plan_reads(spans) == spans
    assert plan_reads(spans, {WORDS: [(0, 8)]}) == [(WORDS, 0, 8)]
    assert plan_reads(spans, {WORDS: [(0, 4), (5, 3)]}) == spans


def test_touching_and_overlapping_spans_share_a_block() -> None:
    """Spans are merged in any order, tables apart, one block each."""
    spans = [(WORDS, 4, 2), (Table.COILS, 0, 3), (WORDS, 2, 2), (WORDS, 3, 2), (WORDS, 2, 2)]
    assert plan_reads(spans) == [(Table.COILS, 0, 3), (WORDS, 2, 4)]


@pytest.mark.parametrize(
    ("plan", "table", "limit"),
    [
        (plan_reads, Table.DISCRETE_INPUTS, 2000),
        (plan_reads, Table.INPUT_REGISTERS, 125),
        (plan_writes, Table.COILS, 1968),
        (plan_writes, Table.HOLDING_REGISTERS, 123),
    ],
)
def test_blocks_keep_the_limits_of_the_protocol(plan, table, limit) -> None:
    """Modbus Application Protocol V1.1b3, sections 6.1-6.4, 6.11 and 6.12."""
    singles = [(table, address, 1) for address in range(2 * limit + 1)]
    assert plan(singles) == [(table, 0, limit), (table, limit, limit), (table, 2 * limit, 1)]


def test_a_value_is_not_cut_in_two() -> None:
    """A value that does not fit a block's rest begins the next; only longer ones are cut."""
    assert plan_reads([(WORDS, 0, 124), (WORDS, 124, 2)]) == [(WORDS, 0, 124), (WORDS, 124, 2)]
    assert plan_reads([(WORDS, 0, 130)]) == [(WORDS, 0, 125), (WORDS, 125, 5)]


def test_a_span_that_does_not_exist_is_an_error() -> None:
    """The message names the range and the extents."""
    with pytest.raises(ValueError, match=r"input registers 6\.\.9 to exist, got extents 0\.\.7"):
        plan_reads([(WORDS, 6, 4)], {WORDS: [(0, 8)]})


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 4)), min_size=1, max_size=40),
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 200)), max_size=5),
)
def test_every_span_lies_whole_in_one_legal_block(spans, more) -> None:
    """Whatever the spans, blocks are within limits, exist, and hold each span whole."""
    extents = spans + more
    blocks = plan_reads([(WORDS, *span) for span in spans], {WORDS: extents})
    exists = {a for first, count in extents for a in range(first, first + count)}
    for _, first, count in blocks:
        assert count <= 125
        assert all(a in exists for a in range(first, first + count))
    for address, count in spans:
        assert any(
            first <= address and address + count <= first + size for _, first, size in blocks
        )
    assert len(blocks) <= len(spans)
