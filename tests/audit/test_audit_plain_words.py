"""Frames in plain words, by the examples of the specification and the demo's tags."""

from __future__ import annotations

import pytest

from softctl.audit.plain_words import exception_words, reply_in_words, request_in_words
from softctl.audit.uses import Map
from softctl.machine import Machine
from softctl.runtime.folder import demo_folder, read_machine


@pytest.fixture(scope="module")
def demo() -> Map:
    return Map(read_machine(demo_folder()))


def words(frame: object) -> dict[str, str]:
    return {one.name: one.words for one in frame.fields}  # type: ignore[attr-defined]


def test_a_read_names_the_points_and_its_reply_their_values(demo: Map) -> None:
    """Header, function, address by number, count; the reply has value and unit of each point."""
    machine: Machine = demo.machine
    place = machine.points["LT_101"].hmi
    assert place is not None
    asked = bytes.fromhex("0007 0000 0006 01 04") + place.address.to_bytes(2, "big") + b"\0\2"
    found = request_in_words(asked, demo)
    assert found.text == "read input registers: LT_101"
    assert words(found)["transaction"] == "7"
    assert words(found)["protocol"] == "0, Modbus"
    assert words(found)["length"] == "6 bytes follow"
    assert words(found)["function"] == "04, read input registers"
    assert words(found)["address"].startswith(f"{place.address}, number {30001 + place.address}:")
    assert words(found)["count"] == "2 registers"
    assert "".join(one.hex for one in found.fields).replace(" ", "") == asked.hex()
    # 0.5 as IEEE 754 is 3F000000; the demo's map has the words of wide values swapped.
    reply = bytes.fromhex("0007 0000 0007 01 04 04 0000 3f00")
    answer = reply_in_words(reply, asked, demo)
    assert answer.text == "LT_101 = 0.5 m"
    assert "".join(one.hex for one in answer.fields).replace(" ", "") == reply.hex()


def test_a_write_names_what_is_written(demo: Map) -> None:
    """The specification's ON is FF 00; START is the demo's coil 0."""
    found = request_in_words(bytes.fromhex("0001 0000 0006 01 05 0000 ff00"), demo)
    assert found.text == "write single coil: START = 1"
    done = bytes.fromhex("0001 0000 0006 01 05 0000 ff00")
    assert reply_in_words(done, done, demo).text == "done"


def test_an_exception_has_its_name_and_what_it_mostly_means(demo: Map) -> None:
    """Section 7: 02 is illegal data address; an unknown code is said to be none of its."""
    asked = bytes.fromhex("0001 0000 0006 01 03 fff0 0001")
    assert request_in_words(asked, demo).text == (
        "read holding registers: no point, 1 register from 65520 on"
    )
    found = reply_in_words(bytes.fromhex("0001 0000 0003 01 83 02"), asked, demo)
    assert found.text.startswith("exception 02, illegal data address: there is nothing at")
    assert words(found)["function"] == "03, read holding registers (refused)"
    assert exception_words(0x55) == "exception 55, which the specification does not know"


@pytest.mark.parametrize(
    ("frame", "text"),
    [
        ("", "no whole frame"),
        ("0001 0000", "no whole frame"),
        ("0001 0000 0006 01 03 0000 0000", "read holding registers, not well formed: exception 03"),
        ("0001 0000 0002 01 63", "function 99, not well formed: exception 01"),
        ("0001 0000 0005 01 2b 0e 01 00", "read device identification"),
    ],
)
def test_whatever_comes_has_words(demo: Map, frame: str, text: str) -> None:
    """Half frames, counts of nothing and functions that nobody knows are told, not raised."""
    raw = bytes.fromhex(frame)
    assert request_in_words(raw, demo).text.startswith(text)
    for size in range(len(raw) + 1):
        request_in_words(raw[:size], demo)
        reply_in_words(raw[:size], raw, demo)


def test_a_reply_of_the_wrong_size_is_told(demo: Map) -> None:
    """Two registers were asked for, and two bytes came."""
    asked = bytes.fromhex("0001 0000 0006 01 04 0000 0002")
    found = reply_in_words(bytes.fromhex("0001 0000 0005 01 04 02 0001"), asked, demo)
    assert found.text == "expected 4 bytes for 2 registers, got 2"
    wrong = request_in_words(bytes.fromhex("0001 0003 0009 01 04 0000 0002"), demo)
    assert words(wrong)["length"] == "9 said, 6 follow"
    assert words(wrong)["protocol"] == "3, not Modbus"
