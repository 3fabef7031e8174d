"""Source texts and the list of what is wrong with them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

from softctl.errors import Place, Problem, Severity


@dataclass(frozen=True)
class Source:
    """One text of a program; `name` is what messages call it."""

    name: str
    text: str

    @cached_property
    def lines(self) -> list[str]:
        """The text, split at the line ends that tokens count."""
        return [line.rstrip("\r") for line in self.text.split("\n")]

    def excerpt(self, line: int) -> str:
        """The text of a one-based line, or nothing beyond the end."""
        return self.lines[line - 1] if 0 < line <= len(self.lines) else ""


class Token:
    """One word or mark of a source text.

    `kind` is the keyword or mark itself, or one of name, int, real, based, typed, string,
    wstring, address, end; `key` is the text in capitals, since identifiers ignore case.
    """

    __slots__ = ("column", "key", "kind", "line", "pragma", "source", "start", "text")

    def __init__(
        self, kind: str, text: str, start: int, line: int, column: int, source: Source
    ) -> None:
        self.kind = kind
        self.text = text
        self.key = text.upper()
        self.start = start
        self.line = line
        self.column = column
        self.source = source
        self.pragma = ""

    @property
    def end(self) -> int:
        """The offset just behind the token."""
        return self.start + len(self.text)

    @property
    def place(self) -> Place:
        """Where the token stands, for messages."""
        return Place(self.source.name, self.line, self.column)

    def __repr__(self) -> str:
        return f"<{self.kind} {self.text!r} {self.line}:{self.column}>"


@dataclass
class Reporter:
    """Collects problems; with `strict`, departures from the standard are errors."""

    strict: bool = False
    problems: list[Problem] = field(default_factory=list)
    _seen: set[tuple[Place, Severity]] = field(default_factory=set)

    def error(self, at: Token, message: str, hint: str = "") -> None:
        """Note an error at a token."""
        self._add(at, message, hint, "error")

    def warn(self, at: Token, message: str, hint: str = "") -> None:
        """Note a doubt at a token."""
        self._add(at, message, hint, "warning")

    def depart(self, at: Token, message: str, hint: str = "") -> None:
        """Note a form that the standard does not have: a warning, or an error if strict."""
        self._add(at, message, hint, "error" if self.strict else "warning")

    def _add(self, at: Token, message: str, hint: str, severity: Severity) -> None:
        place, excerpt = at.place, at.source.excerpt(at.line)
        if (place, severity) in self._seen:
            return  # one message a place: the later ones follow from the first
        self._seen.add((place, severity))
        self.problems.append(Problem(message, place, severity, excerpt, hint))

    @property
    def errors(self) -> list[Problem]:
        """The problems that stop a compilation."""
        return [problem for problem in self.problems if problem.severity == "error"]

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """The problems that do not."""
        return tuple(problem for problem in self.problems if problem.severity == "warning")


def counted(number: int, noun: str) -> str:
    """`1 argument`, `2 arguments`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def suggest(name: str, candidates: Iterable[str]) -> str:
    """A "did you mean" hint for a misspelt name, or nothing."""
    by_key = {candidate.upper(): candidate for candidate in candidates}
    close = difflib.get_close_matches(name.upper(), by_key, n=1, cutoff=0.6)
    return f"did you mean {by_key[close[0]]}?" if close else ""
