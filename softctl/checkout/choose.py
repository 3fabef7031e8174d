"""Which steps of a plan are wanted: by name, role or card."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fnmatch import fnmatchcase

from softctl.checkout.steps import Step
from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.values.names import suggest

_MOST_SHOWN = 12


def choose_steps(
    steps: Sequence[Step],
    machine: Machine,
    *,
    names: Sequence[str] = (),
    roles: Sequence[str] = (),
    cards: Sequence[str] = (),
) -> tuple[Step, ...]:
    """The steps of the points, or with the ids, that patterns such as `LT_*` name.

    Roles and cards narrow them down; what is empty leaves all. Raises SoftctlError for a
    pattern that names nothing.
    """
    points = machine.points
    chosen = list(steps)
    for kind, patterns, words in (
        ("point", names, lambda step: (step.point, step.id)),
        ("role", roles, lambda step: (points[step.point].role.value,)),
        ("card", cards, lambda step: (points[step.point].card,)),
    ):
        if patterns:
            _require_all(kind, patterns, [words(step)[0] for step in steps], steps, words)
            chosen = [step for step in chosen if _is_any(words(step), patterns)]
    if not chosen:
        raise SoftctlError("expected steps that all the choices together name, got none")
    return tuple(chosen)


def _require_all(
    kind: str,
    patterns: Sequence[str],
    known: Sequence[str],
    steps: Sequence[Step],
    words: Callable[[Step], Sequence[str]],
) -> None:
    """Raise SoftctlError for a pattern that fits nothing."""
    for pattern in patterns:
        if not any(_is_any(words(step), [pattern]) for step in steps):
            names = list(dict.fromkeys(filter(None, known)))
            hint = suggest(pattern, names)
            shown = ", ".join(names[:_MOST_SHOWN]) + (", …" if len(names) > _MOST_SHOWN else "")
            more = f"; {hint}" if hint else ""
            raise SoftctlError(f"expected a {kind} of the HMI map ({shown}), got {pattern}{more}")


def _is_any(words: Sequence[str], patterns: Sequence[str]) -> bool:
    return any(fnmatchcase(word.upper(), pattern.upper()) for word in words for pattern in patterns)
