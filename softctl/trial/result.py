"""What came of a trial: a verdict for each expectation, what was done, which steps were active."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from softctl.errors import Place
from softctl.trial.model import Trial

WINDOW_NS = 10_000_000_000
"""How much of the related values goes with an expectation that was not met."""

AFTER_NS = 3_000_000_000
"""How much of what followed goes with it, where the trial went on."""


class Outcome(Enum):
    """How an expectation ended."""

    MET = "met"
    NOT_MET = "not met"
    NOT_REACHED = "not reached"
    NOT_RUN = "not run"


@dataclass(frozen=True, slots=True)
class Window:
    """The values of some variables around a moment: `samples` are (time, values)."""

    names: tuple[str, ...]
    samples: tuple[tuple[int, tuple[Any, ...]], ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """One expectation: what was expected, what was found, and when that was settled."""

    outcome: Outcome
    text: str
    expected: str
    found: str
    at_ns: int
    place: Place
    window: Window | None = None


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that the trial did."""

    at_ns: int
    what: str
    text: str
    place: Place


@dataclass(frozen=True, slots=True)
class Event:
    """Something that the controller told: an alarm, a guard, the end of a force."""

    at_ns: int
    what: str


@dataclass(frozen=True, slots=True)
class Span:
    """A step that was active from one time to another."""

    chart: str
    step: str
    from_ns: int
    to_ns: int


@dataclass(frozen=True, slots=True)
class Result:
    """A trial that was run.

    `stopped` says why it could not go on, `not_run` why it could not be run at all; both
    are empty otherwise. What was not run has neither passed nor failed, and neither has a
    trial of which an expectation could not be judged here.
    """

    trial: Trial
    verdicts: tuple[Verdict, ...]
    deeds: tuple[Deed, ...]
    spans: tuple[Span, ...]
    duration_ns: int
    stopped: str = ""
    not_run: str = ""
    events: tuple[Event, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether it came to its end with every expectation met."""
        is_met = all(verdict.outcome is Outcome.MET for verdict in self.verdicts)
        return is_met and not self.stopped and not self.not_run

    @property
    def failed(self) -> bool:
        """Whether it was stopped, or an expectation was not met or not reached."""
        bad = (Outcome.NOT_MET, Outcome.NOT_REACHED)
        is_bad = any(verdict.outcome in bad for verdict in self.verdicts)
        return (is_bad or bool(self.stopped)) and not self.not_run

    @property
    def is_partial(self) -> bool:
        """Whether some expectations could not be judged here, and all others are met."""
        return not (self.passed or self.failed or self.not_run)

    def count(self, outcome: Outcome) -> int:
        """How many expectations ended so."""
        return sum(verdict.outcome is outcome for verdict in self.verdicts)


@dataclass(slots=True)
class StepLog:
    """The spans of active steps, from samples of their flags."""

    charts: Sequence[tuple[str, Sequence[str]]]
    spans: list[Span] = field(default_factory=list)
    _since: dict[tuple[str, str], int] = field(default_factory=dict)
    _before: tuple[tuple[bool, ...], ...] = ()

    def take(self, now_ns: int, flags: tuple[tuple[bool, ...], ...]) -> list[tuple[str, str]]:
        """Note a sample, one tuple of flags for each chart; (chart, step) of those entered."""
        if flags == self._before:
            return []
        entered = []
        for (chart, steps), now in zip(self.charts, flags, strict=True):
            for step, is_active in zip(steps, now, strict=True):
                key = (chart, step)
                if is_active and key not in self._since:
                    self._since[key] = now_ns
                    entered.append(key)
                elif not is_active and key in self._since:
                    self.spans.append(Span(chart, step, self._since.pop(key), now_ns))
        self._before = flags
        return entered

    def active(self) -> list[tuple[str, str]]:
        """(chart, step) of every step that is active now."""
        return list(self._since)

    def close(self, now_ns: int) -> tuple[Span, ...]:
        """All spans; what is active ends now."""
        still = [Span(*key, since, now_ns) for key, since in self._since.items()]
        return tuple(sorted([*self.spans, *still], key=lambda span: span.from_ns))
