"""Plays a trial: looks at samples, says what is to be done, comes to verdicts.

It knows no clock and no bench. Whoever owns those calls `sample` after every scan (in
virtual time) or poll (live), and does what it returns before the next one. So what follows
a deed is judged from the next sample on, which has seen it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from softctl.errors import SoftctlError
from softctl.logic import Condition, Evaluator
from softctl.trial import model
from softctl.trial.model import Action, AnyRow, Trial, row_conditions
from softctl.trial.result import (
    AFTER_NS,
    WINDOW_NS,
    Deed,
    Event,
    Outcome,
    Result,
    StepLog,
    Verdict,
    Window,
)
from softctl.trial.wording import condition_names, done, expected, moment, seconds, values_text

Flags = tuple[tuple[bool, ...], ...]
Ended = tuple[Outcome, str]
"""How an observation ended and what was found."""

_KEPT_SAMPLES = 100_000


class Player:
    """One trial while it is run.

    `slack_ns` is added to the times in which something has to happen: live, what is seen
    over a wire is seen a little later.
    """

    def __init__(
        self,
        trial: Trial,
        evaluator: Evaluator,
        charts: Sequence[tuple[str, Sequence[str]]],
        slack_ns: int = 0,
    ) -> None:
        self.trial = trial
        self._slack_ns = slack_ns
        self.evaluator = evaluator
        self.is_over = False
        self.steps = StepLog(charts)
        self._rows = list(trial.rows)
        self._verdicts: list[tuple[int, Verdict]] = []
        self._deeds: list[Deed] = []
        self._events: list[Event] = []
        self._watches: list[_Watching] = []
        self._fresh: list[_Watching] = []
        self._entered: list[tuple[str, str]] = []
        self._current: _Observer | None = None
        self._number = 0
        self._values: tuple[Any, ...] = ()
        self._trace: deque[tuple[int, tuple[Any, ...]]] = deque(maxlen=_KEPT_SAMPLES)
        self._stopped = ""
        self._started_ns: int | None = None
        self._now_ns = 0

    def sample(
        self,
        now_ns: int,
        values: tuple[Any, ...],
        flags: Flags,
        missed: int = 0,
        *,
        has_seen_deeds: bool = True,
    ) -> list[Action]:
        """Take in the values of the evaluator's names and the flags of the charts' steps.

        The first sample is the trial's time 0. `missed` is how many scans went by unseen
        since the last sample. A sample that has not seen the last deeds is for watches and
        sequences that began before. Returns what is to be done now, in order.
        """
        if self._started_ns is None:
            self._started_ns = now_ns
        self._now_ns = now_ns = now_ns - self._started_ns
        self._values = values
        self.evaluator.load(values)
        self._trace.append((now_ns, values))
        entered = self.steps.take(now_ns, flags)
        try:
            if not has_seen_deeds:
                self._entered += entered
                self._look_at_watches(now_ns)
                return []
            if self._entered:
                entered, self._entered = [*self._entered, *entered], []
            if self._fresh:
                self._watches += self._fresh
                self._fresh = []
            self._look_at_watches(now_ns)
            if self._current is not None:
                ended = self._current.look(now_ns, entered, missed)
                if ended is None:
                    return []
                self._end_current(ended)
            return self._go_on(now_ns)
        except SoftctlError as error:
            self.stop(str(error))
            return []

    def note(self, at_ns: int, what: str) -> None:
        """Keep for the record something that the controller told."""
        self._events.append(Event(at_ns - (self._started_ns or 0), what))

    def stop(self, why: str) -> None:
        """Give up: what has not been judged is not reached."""
        self._stopped = self._stopped or why
        self.is_over = True

    def not_run(self, why: str) -> Result:
        """The result of a trial that cannot be run here."""
        return Result(self.trial, (), (), (), 0, not_run=why)

    def result(self) -> Result:
        """The verdicts in the order of the rows."""
        begun = {number for number, _ in self._verdicts}
        for watching in (*self._watches, *self._fresh):
            if watching.number not in begun:
                self._note(watching.number, watching.row, self._open_watch(watching))
        seen = {number for number, _ in self._verdicts}
        for number, row in enumerate(self._rows):
            if expected(row) and number not in seen:
                self._note(number, row, (Outcome.NOT_REACHED, "the trial did not come to it"))
        self._verdicts.sort(key=lambda pair: pair[0])
        verdicts = [self._with_what_followed(*pair) for pair in self._verdicts]
        return Result(
            self.trial,
            tuple(verdicts),
            tuple(self._deeds),
            self.steps.close(self._now_ns),
            self._now_ns,
            self._stopped,
            events=tuple(self._events),
        )

    @property
    def now_ns(self) -> int:
        """The trial's own time, as of the last sample."""
        return self._now_ns

    @property
    def deeds(self) -> tuple[Deed, ...]:
        """What it has done so far."""
        return tuple(self._deeds)

    @property
    def settled(self) -> dict[int, Verdict]:
        """The verdicts there are, by the number of their row in the trial."""
        return dict(self._verdicts)

    def broken(self) -> list[Verdict]:
        """What is already known not to be met."""
        return [verdict for _, verdict in self._verdicts if verdict.outcome is Outcome.NOT_MET]

    def trace(self) -> Window:
        """Every sample that is still kept."""
        return Window(self.evaluator.names, tuple(self._trace))

    # Rows

    def _go_on(self, now_ns: int) -> list[Action]:
        """Begin rows until one has to be waited for."""
        actions: list[Action] = []
        while self._number < len(self._rows):
            row = self._rows[self._number]
            if isinstance(row, model.Watch):
                watching = _Watching(row, self._number, self.evaluator, now_ns)
                (self._fresh if actions else self._watches).append(watching)
                if not actions:
                    self._look_at_watches(now_ns)
            elif isinstance(row, model.LeftOut):
                self._note(self._number, row, (Outcome.NOT_RUN, row.why))
            elif isinstance(row, Action):
                actions.append(row)
                self._deeds.append(Deed(now_ns, done(row), row.text, row.place))
            else:
                if isinstance(row, model.Wait):
                    self._deeds.append(Deed(now_ns, done(row), row.text, row.place))
                self._current = self._observer(row, now_ns)
                ended = None if actions else self._current.look(now_ns, [], 0)
                if ended is None:
                    return actions
                self._end_current(ended)
                continue
            self._number += 1
        if not any(watching.holds_open for watching in (*self._watches, *self._fresh)):
            self.is_over = True
        return actions

    def _observer(self, row: AnyRow, now_ns: int) -> _Observer:
        slack_ns = self._slack_ns
        match row:
            case model.Wait():
                return _Waiting(now_ns + row.time_ns)
            case model.WaitUntil():
                within_ns = row.within_ns + slack_ns
                return _Expecting(row, row.condition, self.evaluator, now_ns, within_ns, 0)
            case model.Expect():
                within_ns = row.within_ns + slack_ns if row.within_ns else 0
                return _Expecting(row, row.condition, self.evaluator, now_ns, within_ns, row.for_ns)
            case model.Sequence():
                return _Following(row, self.steps, now_ns + row.within_ns + slack_ns)
        raise AssertionError(f"nothing to look at in {row}")

    def _end_current(self, ended: Ended) -> None:
        row = self._rows[self._number]
        self._current = None
        if not isinstance(row, model.Wait):
            self._note(self._number, row, ended)
        self._number += 1
        if isinstance(row, model.WaitUntil) and ended[0] is not Outcome.MET:
            self.stop(f"{row.condition.text} did not become true within {seconds(row.within_ns)}")
            raise SoftctlError(self._stopped)

    def _look_at_watches(self, now_ns: int) -> None:
        if not self._watches:
            return
        still = []
        for watching in self._watches:
            ended = watching.look(now_ns)
            if ended is None:
                still.append(watching)
            else:
                self._note(watching.number, watching.row, ended)
        self._watches = still

    def _open_watch(self, watching: _Watching) -> Ended:
        """A watch that the trial's end finds running."""
        if self._stopped and watching.row.for_ns is not None:
            return Outcome.NOT_REACHED, "the trial stopped before"
        return Outcome.MET, f"held from {moment(watching.since_ns)} to the end"

    # Verdicts

    def _note(self, number: int, row: AnyRow, ended: Ended) -> None:
        outcome, found = ended
        now_ns = self._now_ns
        window = self._window(row, now_ns, now_ns) if outcome is Outcome.NOT_MET else None
        text = row.text or expected(row)
        verdict = Verdict(outcome, text, expected(row), found, self._now_ns, row.place, window)
        self._verdicts.append((number, verdict))

    def _with_what_followed(self, number: int, verdict: Verdict) -> Verdict:
        """A verdict whose window goes on a little, now that more is known."""
        if verdict.window is None:
            return verdict
        end_ns = verdict.at_ns + AFTER_NS
        return replace(verdict, window=self._window(self._rows[number], verdict.at_ns, end_ns))

    def _window(self, row: AnyRow, at_ns: int, end_ns: int) -> Window:
        names = condition_names(*row_conditions(row)) or self.evaluator.names
        places = [self.evaluator.names.index(name) for name in names]
        return Window(
            names,
            tuple(
                (time, tuple(values[place] for place in places))
                for time, values in self._trace
                if at_ns - WINDOW_NS <= time <= end_ns
            ),
        )


class _Observer:
    """A row that takes time: `look` tells at each sample how it ended, or None."""

    def look(self, now_ns: int, entered: Sequence[tuple[str, str]], missed: int) -> Ended | None:
        raise NotImplementedError


class _Waiting(_Observer):
    def __init__(self, end_ns: int) -> None:
        self._end_ns = end_ns

    def look(self, now_ns: int, entered: Sequence[tuple[str, str]], missed: int) -> Ended | None:
        return (Outcome.MET, "") if now_ns >= self._end_ns else None


class _Expecting(_Observer):
    """A condition that becomes true within a time and then stays true for another."""

    def __init__(
        self,
        row: AnyRow,
        condition: Condition,
        evaluator: Evaluator,
        now_ns: int,
        within_ns: int,
        for_ns: int,
    ) -> None:
        self._row = row
        self._condition = condition
        self._evaluator = evaluator
        self._test = evaluator.test(condition)
        self._began_ns = now_ns
        self._last_start_ns = now_ns + within_ns
        self._for_ns = for_ns
        self._true_since_ns: int | None = None
        self._broken_ns: int | None = None
        self._is_first = True
        self._is_timed = within_ns > 0

    def look(self, now_ns: int, entered: Sequence[tuple[str, str]], missed: int) -> Ended | None:
        if self._is_first:
            # What follows a deed is judged from the first scan that has seen it.
            self._is_first = False
            self._last_start_ns = max(self._last_start_ns, now_ns)
        if self._test():
            if self._true_since_ns is None:
                self._true_since_ns = now_ns
            since = self._true_since_ns
            if since > self._last_start_ns:
                return self._failed(now_ns)
            if now_ns - since >= self._for_ns:
                return Outcome.MET, self._met(since)
            return None
        if self._true_since_ns is not None:
            self._broken_ns = now_ns
            self._true_since_ns = None
        if now_ns >= self._last_start_ns:
            return self._failed(now_ns)
        return None

    def _met(self, since_ns: int) -> str:
        after_ns = since_ns - self._began_ns
        came = "at once" if after_ns == 0 else f"after {seconds(after_ns)}"
        held = f", held {seconds(self._for_ns)}" if self._for_ns else ""
        return f"{self._values()} {came}{held}" if self._is_comparison() else f"true {came}{held}"

    def _failed(self, now_ns: int) -> Ended:
        if self._broken_ns is not None:
            return Outcome.NOT_MET, f"became false at {moment(self._broken_ns)}: {self._values()}"
        word = "until" if self._is_timed else "at"
        return Outcome.NOT_MET, f"false {word} {moment(now_ns)}: {self._values()}"

    def _is_comparison(self) -> bool:
        return isinstance(self._row, model.Expect) and self._row.measured is not None

    def _values(self) -> str:
        row = self._row
        if isinstance(row, model.Expect) and row.measured and row.reference:
            found = self._evaluator.value(row.measured)
            other = self._evaluator.value(row.reference)
            unit = f" {row.unit}" if row.unit else ""
            return f"{found:.6g}{unit}, {found - other:+.3g}{unit} from {other:.6g}{unit}"
        return values_text(*self._evaluator.found(self._condition))


class _Following(_Observer):
    """Steps that a chart enters in order, from the first of them on.

    One that is active when the row begins may be the first.
    """

    def __init__(self, row: model.Sequence, steps: StepLog, end_ns: int) -> None:
        self._row = row
        self._steps = steps
        self._end_ns = end_ns
        self._seen: list[tuple[str, int]] = []
        self._group = 0
        self._open = set(row.groups[0])
        self._fresh = True

    def look(self, now_ns: int, entered: Sequence[tuple[str, str]], missed: int) -> Ended | None:
        row = self._row
        if self._fresh:
            self._fresh = False
            entered = [*(key for key in self._already() if key not in entered), *entered]
        for chart, step in entered:
            if chart != row.chart:
                continue
            if self._take(step, missed):
                self._seen.append((step, now_ns))
            elif self._seen:
                wanted = " or ".join(sorted(self._open))
                return Outcome.NOT_MET, f"expected {wanted}, entered {step} at {moment(now_ns)}"
            if self._group == len(row.groups):
                return Outcome.MET, self._story()
        if now_ns >= self._end_ns:
            wanted = " or ".join(sorted(self._open))
            active = ", ".join(s for c, s in self._steps.active() if c == row.chart) or "no step"
            return Outcome.NOT_MET, f"{wanted} not entered by {moment(now_ns)}; {active} is active"
        return None

    def _already(self) -> list[tuple[str, str]]:
        """Steps of the first group that are active when the row begins."""
        first = set(self._row.groups[0])
        active = self._steps.active()
        return [key for key in active if key[0] == self._row.chart and key[1] in first]

    def _take(self, step: str, missed: int) -> bool:
        """Whether the step is the next one; as many scans as went by unseen may hide others."""
        group, open_ = self._group, self._open
        for _ in range(missed + 1):
            if step in open_:
                self._group, self._open = group, open_ - {step}
                if not self._open:
                    self._next()
                return True
            group += 1
            if group >= len(self._row.groups):
                return False
            open_ = set(self._row.groups[group])
        return False

    def _next(self) -> None:
        self._group += 1
        if self._group < len(self._row.groups):
            self._open = set(self._row.groups[self._group])

    def _story(self) -> str:
        return ", ".join(f"{step} at {moment(time)}" for step, time in self._seen)


class _Watching:
    """A condition that is looked at in every sample, beside the rows."""

    def __init__(self, row: model.Watch, number: int, evaluator: Evaluator, now_ns: int) -> None:
        self.row = row
        self.number = number
        self.since_ns = now_ns
        self._evaluator = evaluator
        self._test = evaluator.test(row.condition)
        self._until = evaluator.test(row.until) if row.until is not None else None
        self._end_ns = None if row.for_ns is None else now_ns + row.for_ns
        self._broken_ns: int | None = None

    @property
    def holds_open(self) -> bool:
        """Whether the trial has to go on for it."""
        return self._end_ns is not None

    def look(self, now_ns: int) -> Ended | None:
        row = self.row
        if self._until is not None and self._until():
            assert row.until is not None
            return Outcome.MET, f"held until {row.until.text} at {moment(now_ns)}"
        if self._test() is row.wanted:
            self._broken_ns = None
        elif self._lasts(now_ns):
            found = values_text(*self._evaluator.found(row.condition))
            word = "false" if row.wanted else "true"
            return Outcome.NOT_MET, f"{word} at {moment(now_ns)}: {found}"
        if self._end_ns is not None and now_ns >= self._end_ns:
            return Outcome.MET, f"held {seconds(now_ns - self.since_ns)}"
        return None

    def _lasts(self, now_ns: int) -> bool:
        """Whether it is otherwise for longer than is granted."""
        if self._broken_ns is None:
            self._broken_ns = now_ns
        return now_ns - self._broken_ns >= self.row.grace_ns
