"""A checkout: its steps one by one, what is said about each, and how far it is.

Whoever drives it (a terminal, a page, a test) calls `begin` for a step, shows its
instruction and calls `answer` or `decide`; nothing here knows a clock, a file or a screen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from softctl.checkout.answers import read_answer
from softctl.checkout.hints import explain
from softctl.checkout.judge import DEFAULT_TOLERANCE, Judged, Verdict, is_right
from softctl.checkout.operations import judge_writes
from softctl.checkout.session import Attempt, Session, attempt_document
from softctl.checkout.stage import Stage
from softctl.checkout.steps import Answer, Step
from softctl.checkout.wire_log import WireLog
from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.values.names import suggest

_MOST_FRAMES = 6
NOT_READ = "the HMI has not read it since the value was put: look at the tag's address"


@dataclass(frozen=True, slots=True)
class Progress:
    """How many steps there are, and how many have which verdict."""

    total: int
    passed: int
    failed: int
    skipped: int

    @property
    def open(self) -> int:
        """The steps without a verdict."""
        return self.total - self.passed - self.failed - self.skipped

    @property
    def is_clean(self) -> bool:
        """True when every step has passed."""
        return self.passed == self.total


class Checkout:
    """One checkout of one machine's HMI map.

    Args:
        machine: whose map it is.
        steps: what is to be checked, see `make_plan` and `choose_steps`.
        session: what was found before; attempts are added to it.
        hmi: the map that HMIs see; no program may fill it meanwhile.
        now: the date and time with its zone.
        reviewer: who says what the screen shows.
        keep: told of every attempt, to write it down before anything else happens.
        tolerance: how far a value may be off, as a share of its range.
    """

    def __init__(
        self,
        machine: Machine,
        steps: Sequence[Step],
        session: Session,
        hmi: HmiMap,
        *,
        now: Callable[[], str],
        reviewer: str = "",
        keep: Callable[[Attempt], None] | None = None,
        tolerance: float = DEFAULT_TOLERANCE,
    ) -> None:
        self.machine = machine
        self.steps = tuple(steps)
        self.session = session
        self.reviewer = reviewer
        self.tolerance = tolerance
        self.stage = Stage(machine, hmi)
        self.log = WireLog(machine, hmi)
        self.current: Step | None = None
        self.hmi = hmi
        self._now = now
        self._keep = keep
        self._by_id = {step.id: step for step in steps}

    # Steps

    def find(self, step_id: str) -> Step:
        """The step with an id; raises SoftctlError."""
        step = self._by_id.get(step_id)
        if step is None:
            hint = suggest(step_id, self._by_id)
            more = f"; {hint}" if hint else ""
            raise SoftctlError(f"expected a step of this checkout, got {step_id}{more}")
        return step

    def begin(self, step_id: str) -> Step:
        """Put the step's values into the map, and look at writes from now on."""
        step = self.find(step_id)
        self.current = step
        self.stage.put(step.puts)
        self.log.begin("" if step.operation is None else step.operation.main)
        return step

    def rest(self) -> None:
        """Show no step: the whole map at rest, as before the first one."""
        self.current = None
        self.stage.put({})
        self.log.begin()

    def open_steps(self, *, failed: bool = False) -> list[Step]:
        """The steps without a verdict, or those that failed, in order."""
        wanted = Verdict.FAIL if failed else None
        return [step for step in self.steps if self.verdict(step.id) is wanted]

    def verdict(self, step_id: str) -> Verdict | None:
        """How a step stands, None while nothing was said about it."""
        attempt = self.session.last(self.find(step_id))
        return None if attempt is None else attempt.verdict

    @property
    def progress(self) -> Progress:
        """How far it is."""
        found = [self.verdict(step.id) for step in self.steps]
        return Progress(
            len(found),
            found.count(Verdict.PASS),
            found.count(Verdict.FAIL),
            found.count(Verdict.SKIPPED),
        )

    def tick(self, clients: int) -> None:
        """What a controller would do in a scan; once every scan period."""
        self.stage.tick(clients)
        self.log.follow()

    # Verdicts

    def answer(self, step_id: str, text: str, comment: str = "") -> Attempt:
        """What the screen shows, as a person says it; for an operation that it is done.

        Raises SoftctlError when the answer cannot be understood, and when another step is
        looked at: then nothing is noted.
        """
        step = self._require_current(step_id)
        if step.answer is Answer.DONE:
            judged = judge_writes(step, self.machine, self.log, self.hmi.bank, self.tolerance)
            return self._note(step, judged, text, comment, "wire")
        return self._note(step, self._judge(step, text), text, comment, "comparison")

    def decide(self, step_id: str, verdict: Verdict, comment: str = "") -> Attempt:
        """The tester's own verdict; a fail wants a comment."""
        step = self.find(step_id)
        if verdict is Verdict.FAIL and not comment.strip():
            raise SoftctlError("expected a comment with a fail, got none")
        return self._note(step, Judged(verdict, ""), "", comment, "tester")

    def _require_current(self, step_id: str) -> Step:
        step = self.find(step_id)
        if step is not self.current:
            shown = "none" if self.current is None else self.current.id
            raise SoftctlError(f"expected an answer to {shown}, which is shown, got {step_id}")
        return step

    def _judge(self, step: Step, text: str) -> Judged:
        point = self.machine.points[step.point]
        try:
            answer = read_answer(text, step, point)
        except ValueError as error:
            raise SoftctlError(str(error)) from None
        if is_right(step, point, answer, self.tolerance):
            return Judged(Verdict.PASS, answer.text)
        if not self.log.has_read(point):
            return Judged(Verdict.FAIL, answer.text, NOT_READ)
        if step.answer in (Answer.YES, Answer.CHOICE):
            return Judged(Verdict.FAIL, answer.text)
        hint = explain(
            self.machine,
            point,
            step.expected,
            answer.value,
            around=self.stage.values(),
            digit=answer.digit,
        )
        return Judged(Verdict.FAIL, answer.text, hint)

    def _note(self, step: Step, judged: Judged, said: str, comment: str, by: str) -> Attempt:
        frames = self.log.writes if by == "wire" else []
        attempt = Attempt(
            step=step.id,
            mark=step.mark,
            verdict=judged.verdict,
            expected=step.shown,
            said=said.strip(),
            seen=judged.seen,
            hint=judged.hint,
            comment=comment.strip(),
            by=by,
            reviewer=self.reviewer,
            at=self._now(),
            frames=tuple(dict.fromkeys(write.frame for write in frames))[:_MOST_FRAMES],
        )
        if self._keep is not None:
            self._keep(attempt)
        self.session.add(attempt)
        return attempt

    # Data

    def step_document(self, step: Step, *, blind: bool = False) -> dict[str, Any]:
        """A step as JSON has it; `blind` leaves out what has to be shown."""
        attempt = self.session.last(step)
        point = self.machine.points[step.point]
        return {
            "id": step.id,
            "point": step.point,
            "description": step.description,
            "place": step.place,
            "role": point.role.value,
            "card": point.card,
            "unit": point.unit,
            "instruction": step.instruction,
            "answer": step.answer.value,
            "choices": {str(number): name for number, name in step.choices.items()},
            "expected": None if blind else step.shown,
            "attempt": None if attempt is None else attempt_document(attempt),
            "tries": self.session.tries(step),
        }

    def document(self, *, blind: bool = False) -> dict[str, Any]:
        """All of it as JSON has it: progress, the step that is shown, every step."""
        progress = self.progress
        return {
            "machine": self.machine.name,
            "reviewer": self.reviewer,
            "started": self.session.basis.started,
            "tolerance": self.tolerance,
            "current": None if self.current is None else self.current.id,
            "progress": {
                "total": progress.total,
                "passed": progress.passed,
                "failed": progress.failed,
                "skipped": progress.skipped,
                "open": progress.open,
            },
            "writes_all_the_time": sorted(self.log.habits),
            "steps": [self.step_document(step, blind=blind) for step in self.steps],
        }
