"""Why a chart does not go on: the truth of each term of the transitions that wait.

Terms are looked at beside the program, on a copy of the values that they name, so nothing
in the program changes and no function block is called. After a scan this is what the
transitions come to now, with the inputs and variables as that scan left them; the next scan
judges anew, on its own inputs and time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from softctl.errors import Problem, SoftctlError
from softctl.logic import (
    Application,
    Condition,
    ConditionReader,
    Instance,
    Source,
    Type,
    find_as,
)
from softctl.logic.terms import Joined, Term, split_condition, terms_of
from softctl.logic.typed import Symbol


@dataclass(slots=True)
class _Waiting:
    """One transition: `terms` are channels with their conditions, None where there is a why."""

    ready: str
    steps: Callable[[], tuple[Any, ...]]
    shape: Term | Joined
    terms: list[tuple[str, Condition | None]] = field(default_factory=list)


class Terms:
    """Looks at the transitions of an instance; `channels` are all names that it may give.

    `why` says for each channel that stays None what cannot be looked at beside the program.
    """

    def __init__(self, application: Application, instance: Instance) -> None:
        self._instance = instance
        self._program = ""
        self._application = application
        self._reader = ConditionReader(application, self._find, self._constant)
        self.why: dict[str, str] = {}
        self._waiting = [
            self._read(chart.program, number, transition.sources, transition.text)
            for chart in application.charts
            for number, transition in enumerate(chart.transitions)
        ]
        known = [term for one in self._waiting for _, term in one.terms if term is not None]
        self._evaluator = self._reader.compile(known)
        self._values = instance.reader(self._evaluator.names)
        self.channels = tuple(
            channel
            for one in self._waiting
            for channel in (one.ready, *(name for name, _ in one.terms))
        )

    def look(self) -> dict[str, bool | None]:
        """Truths by channel, for the transitions that leave an active step; others are absent.

        `ready:` is the whole condition, `term:` one of its terms. None is what cannot be
        told: `why` has the reason, or it cannot be computed now (a division by zero).
        """
        self._evaluator.load(self._values())
        found: dict[str, bool | None] = {}
        for one in self._waiting:
            if any(one.steps()):
                truths = [self._truth(term) for _, term in one.terms]
                names = (name for name, _ in one.terms)
                found.update(zip(names, truths, strict=True))
                found[one.ready] = _joined(one.shape, iter(truths).__next__)
        return found

    def _truth(self, term: Condition | None) -> bool | None:
        if term is None:
            return None
        try:
            return bool(self._evaluator.value(term))
        except SoftctlError:
            return None

    def _read(self, program: str, number: int, steps: Sequence[str], text: str) -> _Waiting:
        self._program = program
        shape = split_condition(text)
        active = self._instance.reader([f"{program}.{step}.X" for step in steps])
        one = _Waiting(f"ready:{program}.{number}", active, shape)
        for place, term in enumerate(terms_of(shape)):
            channel = f"term:{program}.{number}.{place}"
            problems: list[Problem] = []
            condition = self._reader.read(Source(program, term.text), problems)
            if problems:
                self.why[channel] = problems[0].message
            one.terms.append((channel, None if problems else condition))
        return one

    def _constant(self, name: str) -> Symbol | None:
        """A program's own constant first, then a global one."""
        world, key = self._application.world, name.upper()
        own = world.blocks[self._program.upper()].symbols.get(key)
        found = own or world.globals_.get(key)
        return found if found is not None and found.storage == "constant" else None

    def _find(self, path: str) -> tuple[str, Type]:
        return find_as(self._instance, self._program, path)


def _joined(part: Term | Joined, take: Callable[[], bool | None]) -> bool | None:
    """AND and OR of what is known: FALSE decides an AND, TRUE an OR, whatever the rest is."""
    if isinstance(part, Term):
        return take()
    decides = part.operator == "OR"
    truths = [_joined(one, take) for one in part.parts]
    if decides in truths:
        return decides
    return None if None in truths else not decides


def reasons(chart: dict[str, Any], why: Mapping[str, str]) -> None:
    """Write into a chart's geometry why some of its terms have no truth."""
    for transition in chart["transitions"]:
        for term in transition["terms"]:
            if term.get("channel") in why:
                term["why"] = why[term["channel"]]
