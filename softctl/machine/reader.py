"""Reads one section of a machine file after another, and complains in one voice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, get_args

from pydantic import ValidationError

from softctl.errors import Place, Problem
from softctl.machine.document import Entry, describe, walk
from softctl.machine.fields import EXPECTED
from softctl.machine.section import Section
from softctl.values.names import explain_bad_name, suggest

S = TypeVar("S", bound=Section)

_SHAPES = {"list_type": "a list such as [one, another]", "too_short": "at least one"}


@dataclass(slots=True)
class Named:
    """A named part of the file: its value, and where the name stands."""

    name: str
    place: Place
    entry: Entry

    def where(self, *steps: str | int) -> Place:
        """The place of the value at the end of `steps`, or of the name when it is missing."""
        found = self.entry
        for step in steps:
            child = found.child(step)
            if child is None:
                return self.place
            found = child
        return found.place

    def raw(self, *steps: str | int) -> Any:
        """The value at the end of `steps` without places."""
        return walk(self.entry, steps).plain()


@dataclass(slots=True)
class Reader:
    """Collects what is wrong while the sections are read."""

    problems: list[Problem] = field(default_factory=list)

    def complain(self, message: str, place: Place, hint: str = "") -> None:
        """Note an error."""
        self.problems.append(Problem(message, place, hint=hint))

    def section(self, named: Named, model: type[S]) -> S | None:
        """The section checked against its model, or None after complaints."""
        if not isinstance(named.entry.value, dict):
            keys = ", ".join(_keys(model))
            self.complain(
                f"expected keys ({keys}), got {describe(named.entry.value)}", named.entry.place
            )
            return None
        try:
            return model.model_validate(named.entry.plain())
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                self._translate(dict(detail), named, model)
            return None

    def children(self, named: Named, what: str) -> Iterator[Named]:
        """The named parts of a mapping such as `cards`, those with unusable names left out."""
        if named.entry.value is None:
            return
        if not isinstance(named.entry.value, dict):
            got = describe(named.entry.value)
            self.complain(f"expected {what} by name, got {got}", named.entry.place)
            return
        seen: dict[str, Place] = {}
        for name, entry in named.entry.value.items():
            place = named.entry.keys[name]
            if self.is_good_name(name, place, seen):
                seen[name.upper()] = place
                yield Named(name, place, entry)

    def is_good_name(self, name: str, place: Place, seen: dict[str, Place]) -> bool:
        """Complains about a name that programs could not use or that another one has."""
        bad = explain_bad_name(name)
        if bad:
            self.complain(bad, place)
        elif name.upper() in seen:
            first = seen[name.upper()]
            self.complain(
                f"expected names that differ in more than capitals, got '{name}' again",
                place,
                f"the first stands at line {first.line}",
            )
        else:
            return True
        return False

    def _translate(self, detail: dict[str, Any], named: Named, model: type[Section]) -> None:
        """One of pydantic's errors in our words."""
        steps: tuple[str | int, ...] = detail["loc"]
        *parents, last = steps
        if detail["type"] == "missing":
            name = ".".join(str(step) for step in (named.name, *parents))
            place = named.where(*parents) if parents else named.place
            self.complain(f"expected the key '{last}' in {name}, got none", place)
        elif detail["type"] == "extra_forbidden":
            key, keys = str(last), _keys(_inner(model, parents))
            self.complain(
                f"expected a key among {', '.join(keys)}; got '{key}'",
                walk(named.entry, tuple(parents)).keys[key],
                suggest(key, keys),
            )
        elif detail["type"] == "model_type":
            keys = _keys(_inner(model, steps))
            got = _shape(detail["input"])
            self.complain(f"expected keys ({', '.join(keys)}), got {got}", named.where(*steps))
        elif detail["type"] == EXPECTED:
            context = detail["ctx"]
            self.complain(context["message"], named.where(*steps), context["hint"])
        else:
            # Only the shapes of lists are left to pydantic's own checks.
            expected = _SHAPES.get(detail["type"], f"another value ({detail['msg']})")
            self.complain(
                f"expected {expected}, got {_shape(detail['input'])}", named.where(*steps)
            )


def in_file_order(problems: Iterable[Problem], text: str) -> Iterator[Problem]:
    """Problems in the order of lines, each once, with the line it is about."""
    lines = text.split("\n")
    unique = dict.fromkeys(problems)
    for problem in sorted(unique, key=lambda one: (one.place.line, one.place.column)):
        line = problem.place.line
        yield replace(problem, excerpt=lines[line - 1] if 0 < line <= len(lines) else "")


def _keys(model: type[Section]) -> list[str]:
    """The keys of a section, as the file writes them."""
    return [info.alias or name for name, info in model.model_fields.items()]


def _inner(model: type[Section], steps: Sequence[str | int]) -> type[Section]:
    """The section inside a section that `steps` lead to."""
    for step in steps:
        fields = model.model_fields.items()
        hint = next(info.annotation for name, info in fields if (info.alias or name) == str(step))
        choices = (hint, *get_args(hint))
        model = next(one for one in choices if isinstance(one, type) and issubclass(one, Section))
    return model


def _shape(value: object) -> str:
    return "none" if value == [] else describe(value)
