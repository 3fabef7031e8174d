"""What is told of two replies that differ.

Frames are laid out by hand after the Modbus Application Protocol V1.1b3, section 6, and the
Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.
"""

from __future__ import annotations

import pytest

from softctl.recording import Exchange, compare, describe_reply, describe_request

READ = "0001 0000 0006 01 04 0064 0002"
VALUES = "0001 0000 0007 01 04 04 0001 0002"
BITS = "0002 0000 0006 01 01 000a 000a"
COILS = "0002 0000 0005 01 01 02 0302"
WRITE = "0003 0000 0006 01 06 0005 0007"
REFUSED = "0001 0000 0003 01 84 02"


def _hex(text: str | None) -> bytes | None:
    return None if text is None else bytes.fromhex(text)


def _compared(request: str, was: str | None, came: str | None, *, shape: bool) -> str:
    return compare(Exchange(0, 1, bytes.fromhex(request), _hex(was)), _hex(came), shape=shape)


@pytest.mark.parametrize("shape", [False, True])
@pytest.mark.parametrize(
    ("request_", "was", "came", "what"),
    [
        (READ, VALUES, VALUES, ""),
        (READ, None, None, ""),
        (READ, REFUSED, REFUSED, ""),
        (READ, VALUES, None, "no reply"),
        (READ, None, VALUES, "a reply, where there was none"),
        (READ, VALUES, "0009 0000 0007 01 04 04 0001 0002", "transaction id 0009 instead of 0001"),
        (READ, VALUES, "0001 0001 0007 01 04 04 0001 0002", "protocol id 0001 instead of 0000"),
        (READ, VALUES, "0001 0000 0007 02 04 04 0001 0002", "unit 2 instead of 1"),
        (
            READ,
            VALUES,
            REFUSED,
            "exception 02 (illegal data address) to function 04 instead of 4 bytes of values",
        ),
        (READ, REFUSED, VALUES, "4 bytes of values to function 04 instead of exception 02"),
        (
            READ,
            REFUSED,
            "0001 0000 0003 01 84 04",
            "exception 04 (server device failure) to function 04 instead of exception 02",
        ),
        (READ, VALUES, "0001 0000 0005 01 04 02 0001", "4 bytes instead of 6 behind the header"),
        (READ, VALUES, "0001 0000 0007 01 03 04 0001 0002", "values to function 03 instead of"),
    ],
)
def test_header_function_and_length_always_count(
    request_: str, was: str | None, came: str | None, what: str, shape: bool
) -> None:
    """Both ways of comparing tell the outermost thing that differs."""
    found = _compared(request_, was, came, shape=shape)
    assert what in found if what else not found


@pytest.mark.parametrize(
    ("request_", "was", "came", "what"),
    [
        (
            READ,
            VALUES,
            "0001 0000 0007 01 04 04 0001 0003",
            "input registers 101: 3 instead of 2",
        ),
        (
            BITS,
            COILS,
            "0002 0000 0005 01 01 02 0203",
            "coils 10: 0 instead of 1, coils 18: 1 instead of 0",
        ),
        (BITS, COILS, "0002 0000 0005 01 01 02 0382", "byte count or spare bits differ"),
        (
            WRITE,
            "0003 0000 0006 01 06 0005 0007",
            "0003 0000 0006 01 06 0005 0008",
            "byte 4 behind the header 08 instead of 07",
        ),
        (
            "0004 0000 000d 01 17 0010 0001 0020 0001 02 0009",
            "0004 0000 0005 01 17 02 0001",
            "0004 0000 0005 01 17 02 0002",
            "holding registers 16: 2 instead of 1",
        ),
    ],
)
def test_values_count_unless_only_the_shape_does(
    request_: str, was: str, came: str, what: str
) -> None:
    """Each value is named by its table and address."""
    assert _compared(request_, was, came, shape=False) == what
    assert _compared(request_, was, came, shape=True) == ""


def test_many_values_are_counted() -> None:
    """Four are named, the rest is a number."""
    request = "0001 0000 0006 01 03 0000 0006"
    was = "0001 0000 000f 01 03 0c" + "0000" * 6
    came = "0001 0000 000f 01 03 0c" + "0001" * 6
    found = _compared(request, was, came, shape=False)
    assert found.endswith("holding registers 3: 1 instead of 0 and 2 more")


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (READ, "transaction 1, unit 1, read input registers (04), 2 from address 100"),
        (WRITE, "transaction 3, unit 1, write single register (06), 1 from address 5"),
        ("0001 0000 0002 01 64", "transaction 1, unit 1, function 100"),
        ("0001 0000 0003 01 03 00", "transaction 1, unit 1, read holding registers (03)"),
    ],
)
def test_a_request_is_told_in_words(frame: str, words: str) -> None:
    """Also one that is malformed or of no known function."""
    assert describe_request(bytes.fromhex(frame)) == words


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (None, "no reply"),
        (VALUES, "transaction 1, unit 1, 4 bytes of values to function 04"),
        (WRITE, "transaction 3, unit 1, an answer to function 06"),
        ("0001 0000 0003 01 84 63", "transaction 1, unit 1, exception 63 (unknown) to function 04"),
        ("0001 0000 0002 01 84", "transaction 1, unit 1, exception 00 (unknown) to function 04"),
        ("0001 0000 0002 01 03", "transaction 1, unit 1, 0 bytes of values to function 03"),
    ],
)
def test_a_reply_is_told_in_words(frame: str | None, words: str) -> None:
    """Also none, and one that is cut."""
    assert describe_reply(_hex(frame)) == words
