"""The shortest trial that still shows what a run of a campaign has found.

Delta debugging over what happened: halves and smaller parts of the happenings are left out
as long as the same thing goes wrong (A. Zeller and R. Hildebrandt, "Simplifying and
isolating failure-inducing input", IEEE Transactions on Software Engineering 28(2), 2002:
the algorithm ddmin; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from softctl.trial.campaign import Draw
from softctl.trial.result import Outcome, Result

T = TypeVar("T")

_AFTER_NS = 1_000_000_000


def failure_key(result: Result) -> str:
    """What went wrong, the same for runs in which the same went wrong; empty if nothing."""
    broken = next((v.text for v in result.verdicts if v.outcome is Outcome.NOT_MET), "")
    return broken or (f"stopped: {result.stopped}" if result.stopped else "")


def shrink(draw: Draw, key: str, run: Callable[[Draw], Result]) -> Draw:
    """A draw with as little in it as still fails in the same way."""

    def fails(candidate: Draw) -> bool:
        return failure_key(run(candidate)) == key

    draw = _shortened(draw, key, run)
    if draw.happenings:
        kept = smallest(draw.happenings, lambda some: fails(replace(draw, happenings=tuple(some))))
        draw = replace(draw, happenings=tuple(kept))
    if draw.given is not None and fails(replace(draw, given=None)):
        draw = replace(draw, given=None)
    return _shortened(draw, key, run)


def smallest(items: Sequence[T], fails: Callable[[Sequence[T]], bool]) -> list[T]:
    """A part of the items that fails and of which no item can be left out (1-minimal)."""
    if fails([]):
        return []
    current, parts = list(items), 2
    while len(current) > 1:
        size = -(-len(current) // parts)
        for start in range(0, len(current), size):
            rest = current[:start] + current[start + size :]
            if rest and fails(rest):
                current, parts = rest, max(parts - 1, 2)
                break
        else:
            if parts >= len(current):
                break
            parts = min(2 * parts, len(current))
    return current


def _shortened(draw: Draw, key: str, run: Callable[[Draw], Result]) -> Draw:
    """The draw up to a moment after the failure, if it still fails so."""
    result = run(draw)
    broken = [v.at_ns for v in result.verdicts if v.outcome is Outcome.NOT_MET]
    if not broken:
        return draw
    end_ns = min(broken) + _AFTER_NS
    happenings = tuple(one for one in draw.happenings if one.at_ns <= end_ns)
    shorter = replace(draw, happenings=happenings, duration_ns=min(draw.duration_ns, end_ns))
    return shorter if failure_key(run(shorter)) == key else draw
