"""Reads `alarms:` and `guards:`: what the controller watches besides running its programs.

Conditions are ST expressions. They are kept as written, with their places; whoever compiles
the programs checks them. A limit of a point becomes such expressions here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from softctl.alarms import AlarmRule
from softctl.machine.alarm_points import REQUEST_POINTS, STATE_SUFFIX
from softctl.machine.document import describe
from softctl.machine.model import Number, Point, Scalar, WatchedAlarm, WatchedGuard
from softctl.machine.read_values import read_number
from softctl.machine.reader import Named, Reader
from softctl.machine.sections import AlarmSection, GuardSection
from softctl.values.names import suggest
from softctl.values.types import ELEMENTARY_TYPES, Kind

_LREAL = ELEMENTARY_TYPES["LREAL"]
_LIMIT_KEYS = ("point", "above", "below", "deadband")


def read_alarms(
    reader: Reader,
    part: Named,
    points: Mapping[str, Point],
    declared: Collection[str],
    system: Collection[str],
) -> Iterator[tuple[Named, WatchedAlarm]]:
    """The alarms with where they stand; what is wrong goes to the reader.

    `points` are the good ones of the `declared` names; `system` are names of system points.
    """
    taken = {name.upper() for name in (*declared, *system)}
    for named in reader.children(part, "alarms"):
        section = reader.section(named, AlarmSection)
        if section is None or not _is_free(reader, named, taken):
            continue
        conditions = _AlarmConditions(reader, named, section, points, declared).read()
        if conditions is not None:
            raised, stays = conditions
            suppressed = _scalar(named, "suppressed_when")
            rule = _rule(named.name, section)
            yield named, WatchedAlarm(rule, raised, stays, suppressed, named.place)


def read_guards(reader: Reader, part: Named) -> dict[str, WatchedGuard]:
    """The guards by name; what is wrong goes to the reader."""
    found = {}
    for named in reader.children(part, "guards"):
        section = reader.section(named, GuardSection)
        if section is None:
            continue
        guard = _guard(reader, named, section)
        if guard is not None:
            found[named.name] = guard
    return found


def _is_free(reader: Reader, named: Named, taken: Collection[str]) -> bool:
    """Whether the names of the points that an alarm brings are nobody else's."""
    names = (named.name, f"{named.name}{STATE_SUFFIX}", *REQUEST_POINTS)
    used = next((name for name in names if name.upper() in taken), None)
    if used is not None:
        reader.complain(f"expected the name {used} to be free for an alarm's point", named.place)
    return used is None


def _rule(name: str, section: AlarmSection) -> AlarmRule:
    return AlarmRule(
        name=name,
        text=section.text,
        priority=section.priority,
        on_delay_ns=section.on_delay,
        off_delay_ns=section.off_delay,
        ending=section.ending,
        group=section.group,
        cause=section.cause,
        consequence=section.consequence,
        response=section.response,
    )


def _scalar(named: Named, key: str) -> Scalar | None:
    raw = named.raw(key) if key in named.entry.keys else None
    return None if raw is None else Scalar(raw, named.where(key))


class _AlarmConditions:
    """Turns either shape of an alarm into the expressions that raise and keep it."""

    def __init__(
        self,
        reader: Reader,
        named: Named,
        section: AlarmSection,
        points: Mapping[str, Point],
        declared: Collection[str],
    ) -> None:
        self._reader = reader
        self._named = named
        self._section = section
        self._points = points
        self._declared = declared

    def read(self) -> tuple[Scalar, Scalar | None] | None:
        """When it is raised, and while what it then stays (None: for as long as that)."""
        when = _scalar(self._named, "when")
        given = [key for key in _LIMIT_KEYS if key in self._named.entry.keys]
        if when is not None:
            for key in given:
                self._complain(f"no '{key}' beside 'when'", key)
            return None if given else (when, None)
        if self._section.point is None:
            self._complain("'when' with a condition, or 'point' with a limit", None)
            return None
        return self._limit(self._section.point)

    def _limit(self, name: str) -> tuple[Scalar, Scalar | None] | None:
        point = self._points.get(name)
        if point is None:
            # One that is declared and not good has its own complaint already.
            if name not in self._declared:
                hint = suggest(name, self._points)
                self._complain("the name of a point", "point", hint)
            return None
        if point.type.kind not in (Kind.REAL, Kind.SIGNED, Kind.UNSIGNED):
            self._complain(f"a point with a number, not with a {point.type.name}", "point")
            return None
        sides = [key for key in ("above", "below") if key in self._named.entry.keys]
        if len(sides) != 1:
            self._complain("either 'above' or 'below'", sides[1] if sides else None)
            return None
        return self._expressions(point, sides[0])

    def _expressions(self, point: Point, side: str) -> tuple[Scalar, Scalar | None] | None:
        limit = self._number(point, side)
        deadband = self._number(point, "deadband")
        if limit is None or deadband is None:
            return None
        if deadband < 0:
            self._complain("a deadband that is not negative", "deadband")
            return None
        sign, back = (">", limit - deadband) if side == "above" else ("<", limit + deadband)
        place = self._named.where(side)
        raised = Scalar(f"{point.name} {sign} {_literal(limit)}", place)
        stays = Scalar(f"{point.name} {sign} {_literal(back)}", place) if deadband else None
        return raised, stays

    def _number(self, point: Point, key: str) -> Number | None:
        if key not in self._named.entry.keys:
            return 0
        raw = self._named.raw(key)
        if key == "deadband" and point.si_offset and isinstance(raw, str):
            # 2 degC of difference and 2 degC of temperature are not the same quantity.
            self._complain(f"a plain number of {point.unit}", key)
            return None
        try:
            # A limit less its deadband is worked out before a REAL's rounding can spoil it.
            type_ = _LREAL if point.type.kind is Kind.REAL else point.type
            return read_number(raw, type_, point.unit)
        except ValueError as error:
            self._reader.complain(str(error), self._named.where(key))
            return None

    def _complain(self, expected: str, key: str | None, hint: str = "") -> None:
        named = self._named
        if key is None or key not in named.entry.keys:
            self._reader.complain(f"expected {expected} in {named.name}", named.place, hint)
        else:
            got = describe(named.raw(key))
            self._reader.complain(f"expected {expected}, got {got}", named.where(key), hint)


def _literal(number: Number) -> str:
    """An ST literal; twelve digits are more than a REAL holds and hide a difference's noise."""
    if isinstance(number, int):
        return str(number)
    mantissa, _, exponent = f"{number:.12g}".partition("e")
    mantissa = mantissa if "." in mantissa else f"{mantissa}.0"
    return f"{mantissa}E{exponent}" if exponent else mantissa


def _guard(reader: Reader, named: Named, section: GuardSection) -> WatchedGuard | None:
    timed = [key for key in ("within", "of", "expect") if key in named.entry.keys]
    never = _scalar(named, "never")
    if never is not None and not timed:
        return WatchedGuard(named.name, section.text, never, None, 0, named.place)
    if never is None and len(timed) == 3 and section.within is not None:
        trigger, expected = _scalar(named, "of"), _scalar(named, "expect")
        assert trigger is not None
        return WatchedGuard(
            named.name, section.text, trigger, expected, section.within, named.place
        )
    got = ", ".join(f"'{key}'" for key in _guard_keys(named)) or "neither"
    reader.complain(
        f"expected 'never', or 'within', 'of' and 'expect' together, in {named.name}; got {got}",
        named.place,
    )
    return None


def _guard_keys(named: Named) -> Iterator[str]:
    yield from (key for key in named.entry.keys if key != "text")
