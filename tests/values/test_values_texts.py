"""Texts in registers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.values.registers import WordOrder, decode, encode, nearest, register_count
from softctl.values.texts import MAX_TEXT_REGISTERS, text_type
from softctl.values.types import ELEMENTARY_TYPES

TYPES = [text_type(name, n) for name in ("STRING", "WSTRING") for n in (1, 2, 5, 16)]


@pytest.mark.parametrize(
    ("name", "length", "order", "expected"),
    [
        ("STRING", 4, WordOrder.ABCD, "5475 6E65"),
        ("STRING", 4, WordOrder.CDAB, "5475 6E65"),
        ("STRING", 4, WordOrder.BADC, "7554 656E"),
        ("STRING", 4, WordOrder.DCBA, "7554 656E"),
        ("STRING", 7, WordOrder.ABCD, "5475 6E65 0000 0000"),
        ("STRING", 5, WordOrder.ABCD, "5475 6E65 0000"),
        ("WSTRING", 5, WordOrder.ABCD, "0054 0075 006E 0065 0000"),
        ("WSTRING", 5, WordOrder.BADC, "5400 7500 6E00 6500 0000"),
    ],
)
def test_where_the_characters_of_a_text_lie(
    name: str, length: int, order: WordOrder, expected: str
) -> None:
    """Two characters a register (codes of ISO/IEC 8859-1), high byte first, NULs behind."""
    type_ = text_type(name, length)
    raw = encode("Tune", type_, order)
    assert raw == bytes.fromhex(expected)
    assert decode(raw, type_, order) == "Tune"
    assert len(raw) == 2 * register_count(type_)


def test_characters() -> None:
    """A CHAR or WCHAR is its code in one register, whatever the word order."""
    char, wchar = ELEMENTARY_TYPES["CHAR"], ELEMENTARY_TYPES["WCHAR"]
    assert encode("A", char, WordOrder.DCBA) == b"\x00A"
    assert encode("Ω", wchar, WordOrder.DCBA) == "Ω".encode("utf-16-be")
    assert decode(b"\x03\xa9", wchar, WordOrder.DCBA) == "Ω"
    assert nearest("", char) == decode(b"\0\0", char, WordOrder.ABCD) == "\0"
    with pytest.raises(ValueError, match="expected the code of a CHAR, got 937"):
        decode(b"\x03\xa9", char, WordOrder.ABCD)


@pytest.mark.parametrize(
    ("name", "length", "words"),
    [
        ("STRING", 0, "expected a length of STRING from 1 to 246, got 0"),
        ("STRING", 247, "expected a length of STRING from 1 to 246, got 247"),
        ("WSTRING", 124, "expected a length of WSTRING from 1 to 123, got 124"),
        ("CHAR", 1, "expected STRING or WSTRING, got CHAR"),
    ],
)
def test_lengths_that_one_request_cannot_write(name: str, length: int, words: str) -> None:
    """A text is at most what function 16 writes at once: 123 registers (V1.1b3, 6.12)."""
    with pytest.raises(ValueError, match=words):
        text_type(name, length)
    assert register_count(text_type("STRING", 246)) == MAX_TEXT_REGISTERS


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("longer", "expected at most 5 characters, got 'longer'"),
        ("Ω", r"expected characters of a STRING\[5\], got '\\u03a9'"),
        ("a\0b", "expected a text without NULs"),
        (3, r"expected a STRING\[5\], got 3"),
    ],
)
def test_texts_that_do_not_fit(value: str, words: str) -> None:
    """What the registers cannot hold is refused."""
    with pytest.raises(ValueError, match=words):
        encode(value, text_type("STRING", 5), WordOrder.ABCD)


def test_registers_that_hold_too_long_a_text_or_none() -> None:
    """The spare byte of an odd length is not part of the text, and half a pair is no UTF-16."""
    with pytest.raises(ValueError, match="expected at most 5 characters, got 6"):
        decode(b"abcdef", text_type("STRING", 5), WordOrder.ABCD)
    with pytest.raises(ValueError, match=r"expected UTF-16 units for a WSTRING\[2\], got d83d0041"):
        decode(b"\xd8\x3d\x00A", text_type("WSTRING", 2), WordOrder.ABCD)


@pytest.mark.parametrize(
    ("name", "value", "near"),
    [
        ("STRING", "longer", "longe"),
        ("STRING", "5 Ω", "5 ?"),
        ("STRING", "a\0b", "a"),
        ("WSTRING", "5 Ω", "5 Ω"),
        ("WSTRING", "1234\N{GRINNING FACE}", "1234"),
        ("WSTRING", "\ud83d", "?"),
    ],
)
def test_the_nearest_text(name: str, value: str, near: str) -> None:
    """Texts are cut at their length, at a NUL, and never inside a UTF-16 pair."""
    assert nearest(value, text_type(name, 5)) == near


@given(st.sampled_from(TYPES), st.sampled_from(WordOrder), st.text(st.characters()))
def test_any_text_has_a_nearest_that_comes_back(type_, order, value) -> None:  # type: ignore[no-untyped-def]
    """Whatever text a program has, its nearest is encoded and comes back."""
    near = nearest(value, type_)
    assert decode(encode(near, type_, order), type_, order) == near
