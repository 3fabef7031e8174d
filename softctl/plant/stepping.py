"""How the steps of a plant are run: one call of its program each, or many in one function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from softctl.logic import Application, FusedRun, Instance

_LONGEST_PAUSE = 64

Reader = Callable[[], tuple[Any, ...]]
Writer = Callable[[Sequence[Any]], None]


class Stepper:
    """Runs an instance, and keeps what is read from it and written to it true meanwhile.

    Many steps in one function are faster, and then the instance's variables are behind until
    they are settled; only those of `connect` are always right. That function is made for
    those who ask for it by `hasten`, since the moment that it takes may come at a bad time,
    and not before the plants of this program have run for a while.
    """

    def __init__(self, application: Application, instance: Instance) -> None:
        self._application = application
        self._instance = instance
        self._given: frozenset[str] = frozenset()
        self._taken: frozenset[str] = frozenset()
        self._is_hasty = False
        self._run: FusedRun | None = None
        self._pause = self._rest = 1  # steps between two tries to begin a run, and until the next

    def hasten(self) -> None:
        """Run steps in one function from now on, where the program allows it."""
        self._is_hasty = True

    # Steps

    def step(self, now_ns: int) -> None:
        """One step at a time of the plant, as a call of its program."""
        if self._run is not None and self._run.has_begun:
            self.leave()
        self._instance.scan(now_ns)

    def steps(self, span: range) -> int:
        """Steps at these times, one at least; how many of them were made."""
        run = self._run
        if run is not None and (run.has_begun or (not self._rest and self._begin(run))):
            self._instance.scan_fused(run, span)
            return len(span)
        if run is not None:
            span = span[: self._rest]
        scan = self._instance.scan
        for now_ns in span:
            scan(now_ns)
        if run is not None:
            self._rest -= len(span)
        elif self._is_hasty:
            self._fuse(len(span))
        return len(span)

    def _begin(self, run: FusedRun) -> bool:
        """Begin a run if everything is as it has to be; else it is tried again, ever later."""
        begun = run.begin(self._pause)
        self._pause = 1 if begun else min(2 * self._pause, _LONGEST_PAUSE)
        self._rest = self._pause
        return begun

    def _fuse(self, steps: int) -> None:
        program = self._application.fused_if_worth(self._given, self._taken, steps)
        if program is not None:
            self._run = self._instance.fused_run(program)
            self._rest = 0

    @property
    def last_ns(self) -> int:
        """The time of the last step, also of one that failed."""
        return self._instance.now_ns

    # Access

    def connect(self, given: Sequence[str], taken: Sequence[str]) -> tuple[Writer, Reader]:
        """A writer of some variables and a reader of others for use between any two runs."""
        self.leave()
        self._run = None
        self._given |= set(given)
        self._taken |= set(taken)
        return self._instance.writer(given), self._instance.reader(taken)

    def reader(self, paths: Sequence[str]) -> Reader:
        """A reader of any variables."""
        read = self._instance.reader(paths)
        if not paths:
            return read

        def read_settled() -> tuple[Any, ...]:
            if self._run is not None and self._run.is_ahead:
                self._run.settle()
            return read()

        return read_settled

    def writer(self, paths: Sequence[str]) -> Writer:
        """A writer of any variables."""
        write = self._instance.writer(paths)

        def write_settled(values: Sequence[Any]) -> None:
            self.leave()
            write(values)

        return write_settled

    def settle(self) -> None:
        """Bring the instance's variables up to date."""
        if self._run is not None:
            self._run.settle()

    def leave(self) -> None:
        """Bring them up to date, as somebody is going to write them.

        What is written has been seen by every block only behind one more step.
        """
        if self._run is not None:
            self._run.settle()
            self._run.drop()
            self._pause = self._rest = 1

    def snapshot(self) -> Any:
        """The instance's whole state, for `restore`."""
        self.settle()
        return self._instance.snapshot()

    def restore(self, state: Any) -> None:
        """Go back to a state that `snapshot` gave."""
        self.leave()
        self._instance.restore(state)
