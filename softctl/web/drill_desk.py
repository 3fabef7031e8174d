"""Drills run from a page against whoever is connected to the HMI server."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from softctl.audit import DRILLS
from softctl.audit.drill_record import result_row
from softctl.errors import SoftctlError
from softctl.runtime.control_service import ControlService
from softctl.runtime.drill_runner import DrillRunner, Timing
from softctl.runtime.tasks import end_task
from softctl.web.access import Person, Role
from softctl.web.actions import SECOND_NS, Act, Message, number, text
from softctl.web.bench import Bench, Row, Show

_TELL_EVERY_S = 0.5


def drill_rows() -> list[Row]:
    """The drills there are."""
    return [
        {
            "name": drill.name,
            "title": drill.title,
            "lasts_s": drill.lasts_ns / SECOND_NS,
            "questions": list(drill.questions),
        }
        for drill in DRILLS
    ]


@dataclass(slots=True)
class _Question:
    """What only a person can say of a drill."""

    id: str
    drill: str
    text: str
    answer: str | None = None
    by: str = ""


class DrillDesk:
    """One run of drills at a time."""

    def __init__(self, bench: Bench, control: ControlService, show: Show) -> None:
        self._bench = bench
        self._control = control
        self._show = show
        self._runner: DrillRunner | None = None
        self._running: asyncio.Task[None] | None = None
        self._questions: list[_Question] = []
        self._stopped = ""

    def acts(self) -> dict[str, Act]:
        """Start, stop, answer."""
        return {"drill": Act(Role.OPERATE, self._act)}

    async def close(self) -> None:
        """Stop what runs; the wire is as before."""
        if self._running is not None:
            await end_task(self._running)

    async def _act(self, person: Person, message: Message) -> Mapping[str, Any]:
        deeds = {"start": self._start, "stop": self._stop, "answer": self._answer}
        act = text(message, "act")
        if act not in deeds:
            raise SoftctlError(f"expected {', '.join(deeds)} for act, got {act}")
        deeds[act](person, message)
        self._tell()
        return {}

    def _start(self, person: Person, message: Message) -> None:
        if self._is_running:
            raise SoftctlError("expected no drills to run beside others, got some that run")
        names = message.get("names")
        known = {drill.name: drill for drill in DRILLS}
        if not isinstance(names, list) or not names or not set(names) <= set(known):
            raise SoftctlError(f"expected names of drills ({', '.join(known)}), got {names!r:.80}")
        timing = Timing(
            int(number(message, "before_s", 10.0) * SECOND_NS),
            int(number(message, "within_s", 30.0) * SECOND_NS),
        )
        drills = [known[name] for name in names]
        self._questions = [
            _Question(f"{drill.name}.{place}", drill.name, asked)
            for drill in drills
            for place, asked in enumerate(drill.questions)
        ]
        self._stopped = ""
        self._runner = DrillRunner(self._control, drills, timing, self._hear)
        self._running = asyncio.create_task(self._run(self._runner))
        self._bench.note("run", ", ".join(names), "drills begun", person.source)

    def _stop(self, person: Person, _: Message) -> None:
        if self._running is None or not self._is_running:
            raise SoftctlError("expected drills that run, got none")
        self._running.cancel()
        self._bench.note("run", "", "drills stopped", person.source)

    def _answer(self, person: Person, message: Message) -> None:
        wanted = text(message, "question")
        for question in self._questions:
            if question.id == wanted:
                question.answer, question.by = text(message, "text"), person.source
                self._bench.note(
                    "run", question.drill, f"{question.text} {question.answer}", person.source
                )
                return
        raise SoftctlError(f"expected the id of a question, got {wanted}")

    @property
    def _is_running(self) -> bool:
        return self._running is not None and not self._running.done()

    async def _run(self, runner: DrillRunner) -> None:
        drilling = asyncio.create_task(runner.run())
        try:
            while not drilling.done():
                await asyncio.wait([drilling], timeout=_TELL_EVERY_S)
                self._tell()
            drilling.result()
        except SoftctlError as error:
            self._stopped = str(error)
        except asyncio.CancelledError:
            self._stopped = "stopped before the end"
            raise
        finally:
            drilling.cancel()
            await asyncio.gather(drilling, return_exceptions=True)
            self._running = None
            self._tell()

    def _hear(self, event: str, **fields: object) -> None:
        """What the runner tells goes into the journal."""
        self._bench.note("run", str(fields.pop("drill", "")), event, "", **fields)

    def _tell(self) -> None:
        runner = self._runner
        is_running = self._is_running and runner is not None
        rows = [] if runner is None else runner.results
        self._show(
            "drills",
            {
                "running": _current(runner) if is_running and runner is not None else None,
                "phase": runner.phase if is_running and runner is not None else None,
                "left_s": round(runner.left_ns / SECOND_NS) if is_running and runner else None,
                "stopped": self._stopped,
                "rows": [result_row(row) for row in rows],
                "questions": [
                    {"id": one.id, "drill": one.drill, "text": one.text, "answer": one.answer}
                    for one in self._questions
                ],
            },
        )


def _current(runner: DrillRunner) -> str:
    """The drill that is under way; before the first, what goes on instead."""
    return "watching" if runner.running is None else runner.running.name
