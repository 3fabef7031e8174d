"""The file of a session: written, read, and what is wrong with one that is not."""

from __future__ import annotations

import pytest

from softctl.errors import ProblemsError
from softctl.recording.session import (
    Closed,
    Event,
    Exchange,
    Opened,
    bursts,
    changing,
    head_line,
    parse_session,
    to_line,
)

READ = bytes.fromhex("000100000006010300000002")
REPLY = bytes.fromhex("00010000000701030400010002")
HEAD = head_line("mill", "hmi", "2026-11-25T12:00:00+00:00")
EVENTS: list[Event] = [
    Opened(0, 1, "127.0.0.1:50000"),
    Exchange(1_500_000, 1, READ, REPLY),
    Exchange(2_000_000, 1, READ, None),
    Closed(3_000_000, 1),
]


def test_what_was_written_is_read() -> None:
    """All three kinds of events, a missing reply, and the head."""
    session = parse_session(HEAD + "".join(map(to_line, EVENTS)), "s.jsonl")
    assert (session.machine, session.server) == ("mill", "hmi")
    assert session.started == "2026-11-25T12:00:00+00:00"
    assert list(session.events) == EVENTS
    assert session.exchanges == EVENTS[1:3]


def test_lines_are_put_in_order_of_time() -> None:
    """A file that was put together of two plays in the order of its times."""
    text = HEAD + "".join(to_line(event) for event in reversed(EVENTS))
    assert list(parse_session(text, "s.jsonl").events) == EVENTS


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("nothing", "expected a JSON object, got nothing"),
        ("[1]", "expected a JSON object"),
        ('{"client": 1, "closed": true}', "expected at_s, the seconds since the start, got None"),
        ('{"at_s": -1, "client": 1, "closed": true}', "expected at_s"),
        ('{"at_s": true, "client": 1, "closed": true}', "expected at_s"),
        ('{"at_s": 1, "client": "x", "closed": true}', "expected client, a number, got x"),
        ('{"at_s": 1, "client": 1}', "expected request as"),
        ('{"at_s": 1, "client": 1, "request": "zz"}', "expected request as hex digits, got zz"),
        (
            '{"at_s": 1, "client": 1, "request": "000100000006010300"}',
            "request as a whole Modbus/TCP frame, got 9 bytes with the length field 6",
        ),
        (
            '{"at_s": 1, "client": 1, "request": "000100000006010300000002", "reply": "00"}',
            "expected reply as a whole Modbus/TCP frame, got 1 bytes",
        ),
    ],
)
def test_a_wrong_line_is_named(line: str, message: str) -> None:
    """With its number; the right lines around it bring no complaint."""
    text = HEAD + to_line(EVENTS[0]) + line + "\n" + to_line(EVENTS[1])
    with pytest.raises(ProblemsError) as caught:
        parse_session(text, "s.jsonl")
    (problem,) = caught.value.problems
    assert message in problem.message
    assert str(problem.place).startswith("s.jsonl:3")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "got an empty file"),
        ('{"recording": 2}\n', 'begins with {"recording": 1, …}, got {"recording": 2}'),
        (to_line(EVENTS[1]), "begins with"),
    ],
)
def test_a_file_that_is_no_recording_is_refused(text: str, message: str) -> None:
    """An empty one, one of another version, one without a head."""
    with pytest.raises(ProblemsError) as caught:
        parse_session(text, "s.jsonl")
    assert message in caught.value.problems[0].message


def _asking(pdu: str) -> Exchange:
    body = bytes.fromhex(pdu)
    return Exchange(0, 1, b"\0\1\0\0" + (len(body) + 1).to_bytes(2, "big") + b"\1" + body, None)


@pytest.mark.parametrize(
    ("pdu", "function"),
    [
        ("0100000001", 0),
        ("0200000001", 0),
        ("0300000001", 0),
        ("0400000001", 0),
        ("07", 0),
        ("2b0e0100", 0),
        ("2b0d0100", 43),
        ("050000ff00", 5),
        ("0600000001", 6),
        ("0800000000", 8),
        ("0f000000010101", 15),
        ("1000000001020001", 16),
        ("1600000001ffff", 22),
        ("1700000001000000010200ff", 23),
        ("64", 100),
    ],
)
def test_functions_that_may_change_something_are_known(pdu: str, function: int) -> None:
    """By MAP section 6; one that is not in it may do anything."""
    assert changing([_asking(pdu)]) == ([function] if function else [])


def test_requests_of_one_instant_are_one_burst() -> None:
    """Others, and what is no request, are on their own."""
    first, joined, later = (Exchange(at, 1, READ, REPLY) for at in (5, 5, 6))
    events = [Opened(5, 1, ""), first, joined, later, Closed(6, 1)]
    assert list(bursts(events)) == [
        [events[0]],
        [first, joined],
        [later],
        [events[-1]],
    ]
