"""The register map of both servers."""

from __future__ import annotations

import csv
import io
import json

import pytest
from demo_file import DEMO, FILE

from softctl.machine import Machine, parse_machine
from softctl.machine.register_map import Row, register_map, to_csv, to_json


@pytest.fixture(scope="module")
def demo() -> Machine:
    return parse_machine(DEMO, FILE)


@pytest.fixture(scope="module")
def rows(demo: Machine) -> list[Row]:
    return register_map(demo)


def row(rows: list[Row], server: str, name: str) -> Row:
    (found,) = (one for one in rows if (one.server, one.name) == (server, name))
    return found


def test_every_address_is_listed_once(demo: Machine, rows: list[Row]) -> None:
    """Each point has a row for each server that it is on."""
    expected = sum(
        (point.field is not None) + (point.hmi is not None) for point in demo.points.values()
    )
    assert len(rows) == expected
    assert len({(one.server, one.table, one.address) for one in rows}) == expected


def test_rows_are_in_the_order_of_server_table_and_address(rows: list[Row]) -> None:
    """Field first, then the HMI; inside a table by address."""
    assert [one.server for one in rows] == sorted(one.server for one in rows)
    for server in ("field", "hmi"):
        for table in {one.table for one in rows}:
            addresses = [r.address for r in rows if (r.server, r.table) == (server, table)]
            assert addresses == sorted(addresses)


# The printed number counts from 1 and starts with the table's digit (common practice).
@pytest.mark.parametrize(
    ("server", "name", "address", "number"),
    [
        ("field", "P_101", 0, "00001"),
        ("field", "ZSO_101", 8, "10009"),
        ("field", "LT_101", 0, "30001"),
        ("hmi", "STIR_TIME", 0, "40001"),
        ("hmi", "LT_101", 16, "30017"),
        ("hmi", "START", 0, "00001"),
    ],
)
def test_addresses_and_numbers(
    rows: list[Row], server: str, name: str, address: int, number: str
) -> None:
    """Wire addresses count from 0, printed numbers from 1 with the table's digit."""
    found = row(rows, server, name)
    assert (found.address, found.number) == (address, number)


def test_an_analog_channel_travels_as_counts(rows: list[Row]) -> None:
    """The field shows a signed register with the values of its counts, the HMI a REAL."""
    field, hmi = row(rows, "field", "LT_101"), row(rows, "hmi", "LT_101")
    assert (field.type, field.count, field.word_order) == ("INT", 1, "")
    assert field.scale == "4000 = 0 m, 20000 = 1.38 m"
    assert (hmi.type, hmi.count, hmi.word_order) == ("REAL", 2, "CDAB")
    assert hmi.scale == ""
    assert (field.card, field.channel, field.order_code) == ("AI_1", "0", "FH-AI-8")
    assert (field.wired, hmi.wired, hmi.card) == ("LT_101.signal", "", "")


def test_access_and_range(rows: list[Row]) -> None:
    """Only commands and set points may be written by an HMI, coils by the controller."""
    writable = {one.name for one in rows if one.server == "hmi" and "write" in one.access}
    assert writable == {"START", "STOP", "STIR_TIME", "RELEASE", "COND_LOW", "COND_HIGH"} | {
        "S_101_STRENGTH",
        "S_102_STRENGTH",
    }
    outputs = {one.name for one in rows if one.server == "field" and "write" in one.access}
    assert outputs == {"P_101", "P_102", "A_101", "XV_101"}
    stir = row(rows, "hmi", "STIR_TIME")
    assert (stir.range, stir.scale) == ("5 s to 900 s", "1 = 1 ms")


def test_wiring_sense(rows: list[Row]) -> None:
    """Digital inputs say in which state of the contact they are TRUE."""
    assert row(rows, "field", "LSL_101").true_when == "closed"
    assert row(rows, "field", "LSH_101").true_when == "open"
    assert row(rows, "field", "XV_101").true_when == ""


def test_csv_reads_back(rows: list[Row]) -> None:
    """The CSV has a header and a line for each row, quoted where it must be."""
    read = list(csv.DictReader(io.StringIO(to_csv(rows))))
    assert len(read) == len(rows)
    for line, one in zip(read, rows, strict=True):
        assert line == {key: str(getattr(one, key)) for key in line}


def test_json_reads_back(rows: list[Row]) -> None:
    """The JSON holds the rows, with addresses as numbers."""
    assert [Row(**one) for one in json.loads(to_json(rows))] == rows


def test_six_digit_numbers() -> None:
    """Beyond 9999 a number has six digits (common practice)."""
    text = DEMO + "  FAR: {role: setpoint, type: INT, hmi_address: 9999}\n"
    found = row(register_map(parse_machine(text, FILE)), "hmi", "FAR")
    assert found.number == "410000"
