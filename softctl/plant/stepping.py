"""How the steps of a plant are run: one call of its program each, or many in one function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from softctl.logic import Application, FusedRun, Instance

WORTH_STEPS = 3_000
"""Steps after which it pays to have made one function of them, which takes 0.2 s or so."""

Reader = Callable[[], tuple[Any, ...]]
Writer = Callable[[Sequence[Any]], None]


class Stepper:
    """Runs an instance, and keeps what is read from it and written to it true meanwhile.

    Many steps in one function are faster, and then the instance's variables are behind until
    they are settled; only those of `connect` are always right. That function is made for
    those who ask for it by `hasten`, since the moment that it takes may come at a bad time,
    and not before a plant has run for a while.
    """

    def __init__(self, application: Application, instance: Instance) -> None:
        self._application = application
        self._instance = instance
        self._given: set[str] = set()
        self._taken: set[str] = set()
        self._until_worth: int | None = None
        self._run: FusedRun | None = None
        self._is_fresh = False

    def hasten(self) -> None:
        """Run steps in one function from now on, where the program allows it."""
        if self._until_worth is None:
            is_made = self._application.is_fused(self._given, self._taken)
            self._until_worth = 0 if is_made else WORTH_STEPS

    def _fuse(self) -> None:
        program = self._application.fused(self._given, self._taken)
        self._run = None if program is None else self._instance.fused_run(program)

    # Steps

    def step(self, now_ns: int) -> None:
        """One step at a time of the plant, as a call of its program."""
        if self._run is not None:
            self.settle()
            self._run.drop()
            self._is_fresh = True
        self._instance.scan(now_ns)
        if self._until_worth is not None:
            self._until_worth -= 1
            if self._until_worth <= 0:
                self._until_worth = None
                self._fuse()

    def steps(self, span: range) -> int:
        """Steps at these times, one at least; how many of them were made."""
        run = self._run
        if run is None and self._until_worth is None:
            scan = self._instance.scan
            for now_ns in span:
                scan(now_ns)
            return len(span)
        # What somebody wrote has been seen by every block only behind one step.
        if run is None or not (run.has_begun or (self._is_fresh and run.begin())):
            self.step(span.start)
            return 1
        self._instance.scan_fused(run, span)
        return len(span)

    @property
    def last_ns(self) -> int:
        """The time of the last step, also of one that failed."""
        return self._instance.now_ns

    # Access

    def connect(self, given: Sequence[str], taken: Sequence[str]) -> tuple[Writer, Reader]:
        """A writer of some variables and a reader of others for use between any two runs."""
        self.leave()
        self._run = None
        self._given.update(given)
        self._taken.update(taken)
        return self._instance.writer(given), self._instance.reader(taken)

    def reader(self, paths: Sequence[str]) -> Reader:
        """A reader of any variables."""
        read = self._instance.reader(paths)

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
        """Bring them up to date, as somebody is going to write them."""
        if self._run is not None:
            self._run.settle()
            self._run.drop()
            self._is_fresh = False

    def snapshot(self) -> Any:
        """The instance's whole state, for `restore`."""
        self.settle()
        return self._instance.snapshot()

    def restore(self, state: Any) -> None:
        """Go back to a state that `snapshot` gave."""
        self.leave()
        self._instance.restore(state)
