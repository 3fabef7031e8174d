"""What can be wrong with a user's input, and where.

Every message says what was expected, what came and where. Foreign exceptions are
translated into these once, at the edge of the shell that met them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Place:
    """A position in a user's file.

    `line` and `column` count from 1; 0 means unknown. `path` is the dotted path of a
    configuration key, such as `equipment.T_101.initial_level`, or empty.
    """

    file: str
    line: int = 0
    column: int = 0
    path: str = ""

    def __str__(self) -> str:
        position = f":{self.line}:{self.column}" if self.line else ""
        path = f", {self.path}" if self.path else ""
        return f"{self.file}{position}{path}"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong (or doubtful) in a user's file.

    `message` reads "expected …, got …"; `excerpt` is the source line it is about, and
    `hint` what to do about it ("did you mean LSL_101?").
    """

    message: str
    place: Place
    severity: Severity = "error"
    excerpt: str = ""
    hint: str = ""

    def __str__(self) -> str:
        head = f"{self.severity}: {self.message} ({self.place})"
        lines = [head]
        if self.excerpt:
            lines.append("    " + self.excerpt.expandtabs(1))
            if self.place.column:
                lines.append("    " + " " * (self.place.column - 1) + "^")
        if self.hint:
            lines.append("    " + self.hint)
        return "\n".join(lines)


class SoftctlError(Exception):
    """Anything a user can mend; its text is the whole message, shown without a traceback."""


class ProblemsError(SoftctlError):
    """A user's files hold errors: all that were found, in the order of the files."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
