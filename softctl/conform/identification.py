"""Function 43: the encapsulated interface, and reading the device identification."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import NamedTuple

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case
from softctl.conform.steps import NotApplicable, Script, Unmet
from softctl.conform.talk import Talk

GROUP = "identification"
_CLAUSE = f"{MAP}, 6.21"
_BASIC, _REGULAR, _EXTENDED, _ONE = 1, 2, 3, 4
_LEVELS = (0x01, 0x02, 0x03, 0x81, 0x82, 0x83)
_CATEGORY_ENDS = {_BASIC: 0x02, _REGULAR: 0x7F, _EXTENDED: 0xFF}
_MOST_REPLIES = 64


def cases() -> Iterator[Case]:
    """Every case of function 43, MEI type 14."""
    rows = (
        ("basic", "Vendor name, product code and revision come in order", _basic),
        ("regular", "Access code 2 returns objects 00 to 7F, or what the level has", _regular),
        ("extended", "Access code 3 returns objects in order, or what the level has", _extended),
        ("level", "The conformity level is 01 to 03 or 81 to 83", _level),
        ("one-object", "Access code 4 returns the one object that was asked for", _one),
        ("one-unknown", "Access code 4 for an object that is not there is 02", _one_unknown),
        ("unknown-restarts", "A stream from an unknown object begins at object 00", _restarts),
        ("code-zero", "Access code 0 is exception 03", partial(_code, 0)),
        ("code-five", "Access code 5 is exception 03", partial(_code, 5)),
        ("short", "A request without its object id is exception 03", _short),
        ("long", "A request one byte too long is exception 03", _long),
        ("other-type", "An unassigned MEI type, 63, is exception 01", _other_type),
    )
    for name, title, play in rows:
        yield Case(f"fc43-{name}", GROUP, title, _CLAUSE, (0x2B,), play)


class _Page(NamedTuple):
    level: int
    more: int
    next_id: int
    objects: list[tuple[int, bytes]]


def _page(pdu: bytes, code: int) -> _Page:
    """One reply, with every length in it checked."""
    if len(pdu) < 7 or pdu[:3] != bytes((0x2B, 0x0E, code)) or pdu[4] not in (0x00, 0xFF):
        raise Unmet(
            f"2B 0E {code:02X}, level, more follows, next object, count", judge.describe(pdu)
        )
    level, more, next_id, count = pdu[3:7]
    rest, objects = pdu[7:], []
    for _ in range(count):
        if len(rest) < 2 or len(rest) < 2 + rest[1]:
            raise Unmet(f"{count} objects of id, length and value", judge.describe(pdu))
        objects.append((rest[0], rest[2 : 2 + rest[1]]))
        rest = rest[2 + rest[1] :]
    if rest:
        raise Unmet(f"{count} objects and nothing after them", judge.describe(pdu))
    return _Page(level, more, next_id, objects)


def _stream(talk: Talk, code: int, first: int = 0) -> Script[list[int]]:
    """The ids of all objects of a stream, over as many replies as it takes."""
    ids: list[int] = []
    wanted = first
    for _ in range(_MOST_REPLIES):
        page = _page((yield from talk.ask(pdus.identification(code, wanted))), code)
        ids += [object_id for object_id, _ in page.objects]
        if not page.more:
            break
        wanted = page.next_id
    if ids != sorted(set(ids)):
        raise Unmet("object ids that rise", str(ids))
    return ids


def _basic(talk: Talk) -> Script[None]:
    ids = yield from _stream(talk, _BASIC)
    if ids != [0, 1, 2]:
        raise Unmet("the objects 0, 1 and 2", str(ids))


def _category(talk: Talk, code: int) -> Script[None]:
    """A device of a lower level answers with the objects of its own level."""
    ids = yield from _stream(talk, code)
    if ids[:3] != [0, 1, 2] or ids[-1] > _CATEGORY_ENDS[code]:
        raise Unmet(f"the objects 0, 1, 2 and others up to {_CATEGORY_ENDS[code]}", str(ids))


def _regular(talk: Talk) -> Script[None]:
    yield from _category(talk, _REGULAR)


def _extended(talk: Talk) -> Script[None]:
    yield from _category(talk, _EXTENDED)


def _read_level(talk: Talk) -> Script[int]:
    return _page((yield from talk.ask(pdus.identification(_BASIC, 0))), _BASIC).level


def _level(talk: Talk) -> Script[None]:
    level = yield from _read_level(talk)
    if level not in _LEVELS:
        raise Unmet("a conformity level of 01, 02, 03, 81, 82 or 83", f"{level:02X}")


def _require_individual(talk: Talk) -> Script[None]:
    level = yield from _read_level(talk)
    if not level & 0x80:
        raise NotApplicable(f"conformity level {level:02X} has no access to single objects")


def _one(talk: Talk) -> Script[None]:
    yield from _require_individual(talk)
    for object_id in (0, 2):
        pdu = yield from talk.ask(pdus.identification(_ONE, object_id))
        page = _page(pdu, _ONE)
        if [found for found, _ in page.objects] != [object_id] or page.more:
            raise Unmet(f"object {object_id:02X} alone", judge.describe(pdu))


def _one_unknown(talk: Talk) -> Script[None]:
    yield from _require_individual(talk)
    ids = yield from _stream(talk, _EXTENDED)
    missing = next(number for number in range(0x7F, 0, -1) if number not in ids)
    yield from talk.refuse(pdus.identification(_ONE, missing), 0x02)


def _restarts(talk: Talk) -> Script[None]:
    ids = yield from _stream(talk, _BASIC)
    again = yield from _stream(talk, _BASIC, first=0x7E)
    if again != ids:
        raise Unmet(f"the objects {ids} again", str(again))


def _code(code: int, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.identification(code, 0), 0x03)


def _short(talk: Talk) -> Script[None]:
    yield from talk.refuse(b"\x2b\x0e\x01", 0x03)


def _long(talk: Talk) -> Script[None]:
    yield from talk.refuse(b"\x2b\x0e\x01\x00\x00", 0x03)


def _other_type(talk: Talk) -> Script[None]:
    yield from talk.refuse(b"\x2b\x63", 0x01)
