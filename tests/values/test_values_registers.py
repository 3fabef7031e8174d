"""Values in registers: word orders, limits, round trips."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.values.registers import (
    WordOrder,
    decode,
    encode,
    nearest,
    register_count,
    register_limits,
)
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind, round_to_real

NS_PER_MS = 1_000_000
WHOLE = [
    type_
    for type_ in ELEMENTARY_TYPES.values()
    if type_.kind in (Kind.SIGNED, Kind.UNSIGNED, Kind.BITS)
]
FORMATS = {8: "bB", 16: "hH", 32: "iI", 64: "qQ"}


def type_(name: str) -> ElementaryType:
    return ELEMENTARY_TYPES[name]


def by_struct(value: float, format_: str, order: WordOrder) -> bytes:
    """The same bytes made another way: by struct, and by moving bytes one by one."""
    big = struct.pack(">" + format_, value)
    words = [(big[i], big[i + 1]) for i in range(0, len(big), 2)]
    if order in (WordOrder.CDAB, WordOrder.DCBA):
        words.reverse()
    swap = order in (WordOrder.BADC, WordOrder.DCBA)
    return bytes(b for word in words for b in (reversed(word) if swap else word))


# IEEE 754 binary32 and two's complement, worked out with Python's struct. The Modbus
# Application Protocol V1.1b3, section 4.2, defines big-endian inside one register only,
# so the order of wider values is a setting (its four names are common practice).
WIRE = [
    ("REAL", 123.456, "42F6E979", "E979 42F6", "F642 79E9", "79E9 F642"),
    ("REAL", -123.456, "C2F6 E979", "E979 C2F6", "F6C2 79E9", "79E9 F6C2"),
    ("REAL", 1.0, "3F80 0000", "0000 3F80", "803F 0000", "0000 803F"),
    ("DINT", 0x12345678, "1234 5678", "5678 1234", "3412 7856", "7856 3412"),
    ("DINT", 123_456_789, "075B CD15", "CD15 075B", "5B07 15CD", "15CD 5B07"),
]


@pytest.mark.parametrize(("name", "value", "abcd", "cdab", "badc", "dcba"), WIRE)
def test_worked_examples_in_all_orders(
    name: str, value: float, abcd: str, cdab: str, badc: str, dcba: str
) -> None:
    """Known values have known bytes in each of the four orders, and come back."""
    for order, expected in zip(WordOrder, (abcd, cdab, badc, dcba), strict=True):
        raw = encode(value, type_(name), order)
        assert raw == bytes.fromhex(expected)
        back = decode(raw, type_(name), order)
        assert back == (round_to_real(value) if name == "REAL" else value)


def test_lreal() -> None:
    """LREAL 123.456 is 405E DD2F 1A9F BE77 (IEEE 754 binary64, worked out with struct)."""
    raw = bytes.fromhex("405E DD2F 1A9F BE77")
    assert encode(123.456, type_("LREAL"), WordOrder.ABCD) == raw
    assert decode(raw, type_("LREAL"), WordOrder.ABCD) == 123.456
    swapped = bytes.fromhex("BE77 1A9F DD2F 405E")
    assert encode(123.456, type_("LREAL"), WordOrder.CDAB) == swapped


def test_special_reals() -> None:
    """NaN is 7FC00000, +inf 7F800000, -0 80000000 (IEEE 754)."""
    real = type_("REAL")
    assert encode(math.nan, real, WordOrder.ABCD).hex() == "7fc00000"
    assert encode(math.inf, real, WordOrder.ABCD).hex() == "7f800000"
    assert encode(-0.0, real, WordOrder.ABCD).hex() == "80000000"
    assert math.isnan(float(decode(b"\x7f\xc0\x00\x00", real, WordOrder.ABCD)))


@pytest.mark.parametrize(
    ("names", "count"),
    [
        ("SINT USINT BYTE INT UINT WORD CHAR WCHAR", 1),
        ("DINT UDINT DWORD REAL TIME", 2),
        ("LINT ULINT LWORD LREAL LTIME DATE LDATE TOD LTOD DT LDT", 4),
    ],
)
def test_register_counts(names: str, count: int) -> None:
    """A type takes as many registers as its bits need, a TIME two."""
    assert {register_count(type_(name)) for name in names.split()} == {count}


@pytest.mark.parametrize("name", ["BOOL", "STRING", "WSTRING"])
def test_types_without_registers(name: str) -> None:
    """Bits, and texts without a length, are refused by name."""
    with pytest.raises(ValueError, match=f"expected a type that fits registers, got {name}"):
        register_count(type_(name))


@pytest.mark.parametrize("order", WordOrder)
@pytest.mark.parametrize("name", ["INT", "UINT", "WORD", "SINT", "BYTE"])
def test_one_register_keeps_its_byte_order(name: str, order: WordOrder) -> None:
    """The order of bytes inside one register is not a setting (V1.1b3, section 4.2)."""
    assert encode(18, type_(name), order) == b"\x00\x12"


def test_small_values_keep_their_sign() -> None:
    """SINT -2 reads as INT -2."""
    raw = encode(-2, type_("SINT"), WordOrder.ABCD)
    assert raw == b"\xff\xfe"
    assert decode(raw, type_("INT"), WordOrder.ABCD) == -2


def test_time_is_milliseconds() -> None:
    """A TIME travels as a DINT of milliseconds, rounded to the nearest."""
    time = type_("TIME")
    assert encode(90 * 1000 * NS_PER_MS, time, WordOrder.ABCD) == struct.pack(">i", 90_000)
    assert encode(1_499_999, time, WordOrder.ABCD) == struct.pack(">i", 1)
    assert encode(1_500_000, time, WordOrder.ABCD) == struct.pack(">i", 2)
    assert decode(struct.pack(">i", -5), time, WordOrder.ABCD) == -5 * NS_PER_MS


@pytest.mark.parametrize("one", WHOLE, ids=str)
@pytest.mark.parametrize("step", [0, 1])
def test_limits_of_whole_numbers(one: ElementaryType, step: int) -> None:
    """The limits of a type pass, the numbers beyond them are refused with the limits."""
    for limit, away in ((one.low, -1), (one.high, 1)):
        value = limit + away * step
        if step == 0:
            assert decode(encode(value, one, WordOrder.CDAB), one, WordOrder.CDAB) == value
        else:
            with pytest.raises(ValueError, match=f"from {one.low} to {one.high}, got {value}"):
                encode(value, one, WordOrder.CDAB)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("TIME", (2**31) * NS_PER_MS, "expected a TIME from"),
        ("DT", -1, "expected a DT from 0"),
        ("TOD", 86_400_000_000_000, "expected a TOD from 0 to 86399999999999"),
        ("DATE", 1, "expected a DATE at midnight, got 1 ns"),
        ("INT", "one", "expected an INT, got 'one'"),
        ("INT", 1.5, "expected an INT from"),
        ("REAL", 1e39, r"expected a REAL from -3.40282e\+38"),
    ],
)
def test_values_that_do_not_fit(name: str, value: float, words: str) -> None:
    """A value that its registers cannot hold is refused."""
    with pytest.raises(ValueError, match=words):
        encode(value, type_(name), WordOrder.ABCD)


def test_registers_that_hold_another_type() -> None:
    """300 in a register is no USINT, and three bytes are no register."""
    with pytest.raises(ValueError, match="expected a USINT from 0 to 255, got 300"):
        decode(b"\x01\x2c", type_("USINT"), WordOrder.ABCD)
    with pytest.raises(ValueError, match="expected 4 bytes for a REAL, got 3"):
        decode(b"abc", type_("REAL"), WordOrder.ABCD)


@given(st.sampled_from(WHOLE), st.sampled_from(WordOrder), st.data())
def test_whole_numbers_match_struct(
    one: ElementaryType, order: WordOrder, data: st.DataObject
) -> None:
    """Any whole number has struct's bytes in the order asked for, and comes back."""
    value = data.draw(st.integers(one.low, one.high))
    raw = encode(value, one, order)
    format_ = FORMATS[max(16, one.bits)][one.kind is not Kind.SIGNED]
    one_register = WordOrder.ABCD if one.bits <= 16 else order
    assert raw == by_struct(value, format_, one_register)
    assert decode(raw, one, order) == value


@given(st.floats(allow_nan=False), st.sampled_from(WordOrder))
def test_lreals_match_struct(value: float, order: WordOrder) -> None:
    """Any LREAL has struct's bytes in the order asked for, and comes back."""
    raw = encode(value, type_("LREAL"), order)
    assert raw == by_struct(value, "d", order)
    assert decode(raw, type_("LREAL"), order) == value


@given(st.floats(width=32, allow_nan=False), st.sampled_from(WordOrder))
def test_reals_match_struct(value: float, order: WordOrder) -> None:
    """Any REAL has struct's bytes in the order asked for, and comes back."""
    raw = encode(value, type_("REAL"), order)
    assert raw == by_struct(value, "f", order)
    assert decode(raw, type_("REAL"), order) == value


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(WordOrder))
def test_times_come_back(milliseconds: int, order: WordOrder) -> None:
    """Any whole number of milliseconds that fits comes back."""
    value = milliseconds * NS_PER_MS
    assert decode(encode(value, type_("TIME"), order), type_("TIME"), order) == value


@given(st.sampled_from(list(ELEMENTARY_TYPES.values())), st.sampled_from(WordOrder), st.data())
def test_any_registers_decode_or_are_refused(
    one: ElementaryType, order: WordOrder, data: st.DataObject
) -> None:
    """Whatever a client writes, decoding gives a value within limits or a ValueError."""
    if one.kind is Kind.BOOL or one.bits == 0:
        return
    size = 2 * register_count(one)
    raw = data.draw(st.binary(min_size=size, max_size=size))
    try:
        value = decode(raw, one, order)
    except ValueError as error:
        assert str(error).startswith("expected ")  # noqa: PT017
        return
    if one.kind is not Kind.REAL:
        assert encode(value, one, order) == raw
    if not isinstance(value, str | float):
        low, high = register_limits(one)
        assert low <= value <= high


@given(
    st.sampled_from([one for one in ELEMENTARY_TYPES.values() if one.bits > 1]),
    st.sampled_from(WordOrder),
    st.floats() | st.integers(-(2**70), 2**70),
)
def test_the_nearest_value_always_fits(one: ElementaryType, order: WordOrder, value: float) -> None:
    """Whatever number a program has, the nearest that registers hold is encoded, and is itself."""
    if one.kind is Kind.STRING:
        return
    near = nearest(value, one)
    again = nearest(near, one)
    assert again == near or again != again
    back = decode(encode(near, one, order), one, order)
    if one.name == "TIME":
        assert abs(float(back) - float(near)) <= NS_PER_MS / 2
    elif one.name == "REAL":
        assert back == round_to_real(float(near)) or back != back
    else:
        assert back == near or back != back


@pytest.mark.parametrize(
    ("name", "value", "near"),
    [
        ("INT", 40_000, 32_767),
        ("UINT", -1, 0),
        ("USINT", 256, 255),
        ("TIME", 2**40 * NS_PER_MS, (2**31 - 1) * NS_PER_MS),
        ("REAL", -1e300, -math.inf),
        ("LREAL", 1e300, 1e300),
        ("DATE", -5, 0),
        ("DATE", 86_400_000_000_001, 86_400_000_000_000),
    ],
)
def test_nearest_values(name: str, value: float, near: float) -> None:
    """A value that does not fit becomes the limit it is beyond, a DATE its midnight."""
    assert nearest(value, type_(name)) == near
