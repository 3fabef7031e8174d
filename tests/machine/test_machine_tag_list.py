"""The HMI map as a tag list: what an HMI project imports."""

from __future__ import annotations

import csv
import io
import struct

import pytest
from demo_file import DEMO, FILE

from softctl.machine import parse_machine
from softctl.machine.read_values import show_float
from softctl.machine.tag_list import Tag, tag_list, to_csv

MORE = """
  SPAN: {role: setpoint, type: REAL, unit: m, range: [0, 2], scale: {type: INT, raw: [0, 2000]},
         description: 'Span, "wide"'}
  DAY: {role: setpoint, type: DATE, initial: 2026-11-25, range: [2026-01-01, 2026-12-31]}
  LEVEL: {role: setpoint, type: REAL, unit: m, range: [0.1, 1.5], word_order: DCBA, hmi_address: 99}
  BATCH: {role: state, type: 'STRING[9]', description: "Größe\\nzweite Zeile"}
  HIGH: {card: DI_1, in_register: ALARMS, wired: LSH_101.contact, refresh: 250 ms}
"""


@pytest.fixture(scope="module")
def tags() -> dict[str, Tag]:
    return {tag.name: tag for tag in tag_list(parse_machine(DEMO + MORE, FILE))}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("START", {"table": "coils", "registers": "", "type": "BOOL", "word_order": ""}),
        ("STIR_TIME", {"type": "TIME", "low": "5000", "high": "900000", "unit": "ms"}),
        ("SPAN", {"type": "INT", "raw_low": "0", "raw_high": "2000", "low": "0", "high": "2"}),
        ("SPAN", {"unit": "m", "scale": "0 = 0 m, 2000 = 2 m", "word_order": ""}),
        ("LEVEL", {"address": "99", "number": "40100", "registers": "2", "word_order": "DCBA"}),
        ("LEVEL", {"low": "0.1", "high": "1.5", "unit": "m", "access": "read, write"}),
        ("DAY", {"registers": "4", "low": "1767225600000000000", "unit": "ns"}),
        ("BATCH", {"type": "STRING", "length": "9", "registers": "5", "access": "read"}),
        ("HIGH", {"bit": "0", "table": "input registers", "type": "BOOL"}),
        ("HIGH", {"refresh_ms": "250"}),
        ("DAY", {"refresh_ms": ""}),
        ("HEARTBEAT", {"address": "0", "number": "30001", "type": "UINT", "registers": "1"}),
    ],
)
def test_a_tag_says_what_an_hmi_has_to_know(tags, name, expected) -> None:
    """Addresses count from zero and numbers from one; limits are what the HMI reads."""
    found = {key: getattr(tags[name], key) for key in expected}
    assert found["type"].startswith(expected["type"]) if "type" in expected else True
    assert {**found, "type": ""} == {**expected, "type": ""}


def test_what_says_nothing_else_is_refreshed_as_the_server_asks() -> None:
    """`refresh` of the HMI server holds for every point, system points too, without its own."""
    text = DEMO.replace("hmi: {", "hmi: {refresh: 2 s, ", 1)
    found = {tag.name: tag.refresh_ms for tag in tag_list(parse_machine(text + MORE, FILE))}
    assert found.pop("HIGH") == "250"
    assert set(found.values()) == {"2000"}


def test_the_number_is_one_more_than_the_address(tags) -> None:
    """The printed number without its table's digit (Modbus Application Protocol, 4.4)."""
    assert all(int(tag.number[1:]) == int(tag.address) + 1 for tag in tags.values())


def test_the_file_reads_back(tags) -> None:
    """UTF-8 without a mark, CR LF after each record, quotes doubled (RFC 4180, section 2)."""
    data = to_csv(list(tags.values()))
    assert not data.startswith(b"\xef\xbb\xbf")
    text = data.decode("utf-8")
    assert text.endswith("\r\n")
    assert '"Span, ""wide"""' in text
    assert "\n" not in text.replace("\r\n", "").replace("Größe\nzweite", "")
    read = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [Tag(**line) for line in read] == list(tags.values())


def test_only_the_hmi_server_is_in_it(tags) -> None:
    """Field addresses would be other tags of the same names."""
    assert "LT_101" in tags
    assert tags["LT_101"].type == "REAL"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (struct.unpack(">f", bytes.fromhex("3DCCCCCD"))[0], "0.1"),
        (struct.unpack(">f", bytes.fromhex("42F6E979"))[0], "123.456"),
        (1000.0, "1000"),
        (-2.5, "-2.5"),
        (16_777_216.0, "16777216"),
        (0.1, "0.1"),
        (1e300, "1e+300"),
    ],
)
def test_a_real_is_shown_by_its_own_digits(value: float, text: str) -> None:
    """The least digits that mean this value (IEEE 754 binary32), whole numbers in full."""
    assert show_float(value) == text
