"""Address ranges and register maps as a user writes them."""

from __future__ import annotations

import json

import pytest

from softctl.conform import Range
from softctl.conform.ranges import parse_map, parse_ranges, parse_write_ranges
from softctl.errors import ProblemsError, SoftctlError
from softctl.values.tables import Table

ROWS = [
    {"server": "field", "table": "coils", "address": 0, "count": 1, "name": "P_101"},
    {"server": "field", "table": "coils", "address": 1, "count": 1, "name": "P_102"},
    {"server": "field", "table": "coils", "address": 8, "count": 1, "name": "V_101"},
    {"server": "hmi", "table": "holding registers", "address": 4, "count": 2, "name": "STIR"},
]


def test_ranges_name_a_table_and_both_ends() -> None:
    """The last address is included; ranges that touch become one."""
    found = parse_ranges(["coils:0-15", "coils:16", "Holding: 100-123".replace(" ", ""), "input:7"])
    assert found == {
        Table.COILS: (Range(0, 17),),
        Table.HOLDING_REGISTERS: (Range(100, 24),),
        Table.INPUT_REGISTERS: (Range(7, 1),),
    }


def test_file_records_may_be_written_too() -> None:
    """`file 4:0-9` is for function 21."""
    ranges, files = parse_write_ranges(["file 4:0-9", "coils:0-7"])
    assert files == {4: Range(0, 10)}
    assert ranges == {Table.COILS: (Range(0, 8),)}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("coils", "expected a range such as coils:0-15"),
        ("coils:a-b", "expected a range such as"),
        ("coil:0-1", "expected a table (coils, discrete, input or holding)"),
        ("coils:5-2", "expected a range within 0-65535, the lower end first, got coils:5-2"),
        ("coils:0-65536", "expected a range within 0-65535"),
        ("input:0-5", "expected ranges of coils or holding registers, got input registers"),
        ("file 4:0-10000", "expected a range within 0-9999"),
    ],
)
def test_a_wrong_range_is_a_clear_error(text: str, message: str) -> None:
    """What was expected and what came."""
    with pytest.raises(SoftctlError) as caught:
        parse_write_ranges([text])
    assert message in str(caught.value)


def test_a_map_gives_the_runs_of_one_server() -> None:
    """Points that follow each other are one run; the other server's are left out."""
    text = json.dumps(ROWS)
    assert parse_map(text, "map.json", "field") == {Table.COILS: (Range(0, 2), Range(8, 1))}
    assert parse_map(text, "map.json", "hmi") == {Table.HOLDING_REGISTERS: (Range(4, 2),)}


def test_a_map_of_several_servers_needs_a_choice() -> None:
    """Both messages name the servers that there are."""
    for server in (None, "filed"):
        with pytest.raises(SoftctlError, match="field, hmi"):
            parse_map(json.dumps(ROWS), "map.json", server)
    one = [{key: row[key] for key in ("table", "address", "count")} for row in ROWS]
    assert parse_map(json.dumps(one), "map.json")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[{"table": "coils",\n "address": }]', "map.json:2:13"),
        ('{"a": 1}', "expected a list of rows"),
        ("[1]", "expected a list of rows"),
        ('[{"table": "coil", "address": 1}]', "expected `table` to be one of coils"),
        ('[{"table": [], "address": 1}]', "expected `table` to be one of coils"),
        ('[{"table": "coils"}]', "expected `address` and `count` within 0..65535"),
        ('[{"table": "coils", "address": 65535, "count": 2}]', "expected `address` and `count`"),
        ('[{"table": "coils", "address": true, "count": 2}]', "expected `address` and `count`"),
    ],
)
def test_a_map_that_is_none_is_an_error_with_its_place(text: str, message: str) -> None:
    """File and line, or file and row."""
    with pytest.raises(ProblemsError) as caught:
        parse_map(text, "map.json")
    assert message in str(caught.value)
    assert "map.json" in str(caught.value)


def test_a_map_of_several_units_gives_the_addresses_of_one() -> None:
    """Units of one server have tables of their own; a unit that is none of them is an error."""
    rows = [
        {"unit_id": 1, "table": "coils", "address": 0, "count": 8},
        {"unit_id": 2, "table": "coils", "address": 100, "count": 1},
    ]
    text = json.dumps(rows)
    assert parse_map(text, "map.json", unit=1) == {Table.COILS: (Range(0, 8),)}
    assert parse_map(text, "map.json", unit=2) == {Table.COILS: (Range(100, 1),)}
    with pytest.raises(SoftctlError, match=r"one of those in map.json \(1, 2\), got 3"):
        parse_map(text, "map.json", unit=3)
    alone = json.dumps(rows[:1])
    assert parse_map(alone, "map.json", unit=255) == {Table.COILS: (Range(0, 8),)}
