"""Reads the values of a trial file, and complains in one voice."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from softctl.errors import Place, Problem, SoftctlError
from softctl.logic import Condition, ConditionReader, Source, UnknownNameError
from softctl.machine import Point, Role, Value
from softctl.machine.document import Entry, describe
from softctl.machine.read_values import read_value, show_value
from softctl.plant import Plant
from softctl.trial.model import AnyRow
from softctl.trial.names import Names
from softctl.values.names import suggest
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType
from softctl.values.units import parse_duration

T = TypeVar("T")

_BLANKED = re.compile(r"[^\n]")


class FieldReader:
    """What the rows of one file have in common: its text, the machine's names, the complaints."""

    def __init__(self, file: str, text: str, names: Names, plant: Plant) -> None:
        self.file = file
        self.names = names
        self.plant = plant
        self.problems: list[Problem] = []
        self.conditions = ConditionReader(names.application, names.find)
        self._text = text
        self._lines = text.split("\n")

    def complain(self, message: str, place: Place, hint: str = "") -> None:
        """Note an error."""
        self.problems.append(Problem(message, place, hint=hint))

    def attempt(self, read: Callable[[], T], place: Place) -> T | None:
        """The result of a function, or None after its ValueError or SoftctlError is noted."""
        try:
            return read()
        except (ValueError, SoftctlError) as error:
            message, found, hint = str(error).partition("did you mean ")
            if isinstance(error, UnknownNameError):
                found = error.hint
            self.complain(message.rstrip("; :"), place, found + hint)
            return None

    def check_keys(self, entry: Entry, known: Iterable[str], what: str) -> None:
        """Complain about each key that is not known."""
        assert isinstance(entry.value, Mapping)
        known = list(known)
        for key in entry.value:
            if key not in known:
                message = f"expected {what} ({', '.join(known)}), got '{key}'"
                self.complain(message, entry.keys[key], suggest(key, known))

    def mapping(self, entry: Entry, what: str) -> Mapping[str, Entry]:
        """A mapping's entries; empty after a complaint."""
        if isinstance(entry.value, Mapping):
            return entry.value
        self.complain(f"expected {what}, got {describe(entry.value)}", entry.place)
        return {}

    def items(self, entry: Entry, what: str) -> tuple[Entry, ...]:
        """A list's entries; empty after a complaint."""
        if isinstance(entry.value, tuple):
            return entry.value
        self.complain(f"expected {what}, got {describe(entry.value)}", entry.place)
        return ()

    def words(self, entry: Entry, what: str) -> list[Entry]:
        """One word or a list of words."""
        entries = entry.value if isinstance(entry.value, tuple) else (entry,)
        return [one for one in entries if self.text(one, what)]

    def text(self, entry: Entry, what: str = "text") -> str:
        """A text; empty after a complaint."""
        if isinstance(entry.value, str) and entry.value.strip():
            return entry.value.strip()
        self.complain(f"expected {what}, got {describe(entry.value)}", entry.place)
        return ""

    def duration(self, entry: Entry) -> int:
        """Nanoseconds; 0 after a complaint."""
        if not isinstance(entry.value, str):
            message = f"expected a time such as '5 s', got {describe(entry.value)}"
            self.complain(message, entry.place)
            return 0
        text = entry.value
        found = self.attempt(lambda: parse_duration(text), entry.place)
        if found is not None and found <= 0:
            self.complain(f"expected a time above 0 s, got '{text}'", entry.place)
        return found or 0

    def condition(self, entry: Entry, *, number: bool = False) -> Condition | None:
        """A condition in ST over points, program variables and the plant."""
        value = entry.value
        if isinstance(value, bool):
            value = str(value).upper()
        elif isinstance(value, int | float):
            value = str(value)
        if not isinstance(value, str) or not value.strip():
            wanted = "a value in ST" if number else "a condition in ST such as 'P_101 AND NOT STOP'"
            self.complain(f"expected {wanted}, got {describe(entry.value)}", entry.place)
            return None
        found: list[Problem] = []
        source = Source(self.file, self._in_place(value, entry.place))
        condition = self.conditions.read(source, found, number=number)
        self.problems += [self._placed(problem, entry.place) for problem in found]
        return None if found else condition

    def equipment(self, entry: Entry) -> str:
        """The name of a piece of equipment as the machine file has it; empty after a complaint."""
        return self.choice(entry, list(self.names.machine.equipment), "a piece of equipment")

    def chart(self, entry: Entry) -> str:
        """The name of a program that has a chart."""
        charts = [chart.program for chart in self.names.application.charts]
        return self.choice(entry, charts, "a program with a sequence chart")

    def point(self, name: str, place: Place, *roles: Role) -> Point | None:
        """A point of one of the roles that is on the HMI map."""
        point = self.names.point(name)
        fitting = [p.name for p in self.names.machine.points.values() if p.role in roles and p.hmi]
        if point is not None and point.name in fitting:
            return point
        words = " or ".join(role.value for role in roles)
        message = f"expected a {words} ({', '.join(fitting) or 'there is none'}), got {name}"
        self.complain(message, place, suggest(name, fitting))
        return None

    def point_value(self, point: Point, entry: Entry) -> Value | None:
        """A value that a point takes, within its range."""
        value = self.attempt(lambda: read_value(entry.plain(), point.type, point.unit), entry.place)
        if value is None or isinstance(value, str | bool):
            return value
        low, high = point.low, point.high
        if (low is not None and value < low) or (high is not None and value > high):
            limits = ["" if end is None else show_value(end, point.type) for end in (low, high)]
            unit = f" {point.unit}" if point.unit else ""
            message = (
                f"expected a value from {limits[0]} to {limits[1]}{unit} for {point.name}, "
                f"got {describe(entry.value)}"
            )
            self.complain(message, entry.place)
            return None
        return value

    def variable_value(self, name: str, place: Place, entry: Entry) -> tuple[str, Value] | None:
        """A point or program variable that can be forced, with a value of its type."""
        found = self.attempt(lambda: self.names.find(name), place)
        if found is None:
            return None
        path, type_ = found
        point = self.names.point(path)
        if not isinstance(type_, ElementaryType):
            type_ = ELEMENTARY_TYPES["DINT"]
        unit = point.unit if point is not None else ""
        value = self.attempt(lambda: read_value(entry.plain(), type_, unit), entry.place)
        return None if value is None else (path, value)

    def choice(self, entry: Entry, known: Sequence[str], what: str) -> str:
        """One of some words, upper or lower case alike, as they are known; empty otherwise."""
        name = self.text(entry, what)
        by_upper = {one.upper(): one for one in known}
        if not name or name.upper() in by_upper:
            return by_upper.get(name.upper(), "")
        listed = ", ".join(by_upper.values()) or "there is none"
        self.complain(
            f"expected {what} ({listed}), got {name}",
            entry.place,
            suggest(name, by_upper.values()),
        )
        return ""

    def _in_place(self, value: str, place: Place) -> str:
        """A condition as it stands in the file, its lines kept, after nothing but blanks.

        YAML folds lines and drops quotes, so the words are looked for where the value begins.
        """
        before = "\n".join(self._lines[: place.line - 1])
        start = len(before) + bool(before) + place.column - 1
        words = r"\s+".join(re.escape(word) for word in value.split())
        found = re.compile(r"(?:['\"]|[|>][^\n]*\n\s*)?(" + words + ")").match(self._text, start)
        if found is None:
            return "\n" * (place.line - 1) + " " * (place.column - 1) + value
        return _BLANKED.sub(" ", self._text[: found.start(1)]) + found[1]

    def _placed(self, problem: Problem, place: Place) -> Problem:
        return replace(problem, place=replace(problem.place, path=place.path))


@dataclass(slots=True)
class RowReader:
    """One row while it is read: the value of its verb, its other keys."""

    fields: FieldReader
    verb: Entry
    keys: Mapping[str, Entry]
    place: Place
    text: str

    def time(self, key: str) -> int | None:
        """A duration in nanoseconds, None where it is not given."""
        return self.fields.duration(self.keys[key]) if key in self.keys else None

    def needed_within(self, why: str) -> int:
        """The time `within`, which has to be given."""
        if "within" not in self.keys:
            message = f"expected 'within:' with the time {why}, such as 'within: 10 s'; got none"
            self.fields.complain(message, self.place)
            return 0
        return self.fields.duration(self.keys["within"])


@dataclass(frozen=True, slots=True)
class Verb:
    """How a kind of row is read, and the keys it takes beside its own and `text`."""

    read: Callable[[RowReader], AnyRow | None]
    keys: tuple[str, ...] = ()
