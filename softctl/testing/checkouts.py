"""A checkout driven by a test: an HMI program that reads the map, and a tester that answers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from softctl.checkout import DEFAULT_TOLERANCE, Answer, Attempt, Checkout, Step, Verdict
from softctl.runtime.checkout_file import CheckoutFile
from softctl.runtime.checkouts import CheckoutService, Choice, open_checkout
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder

Tester = Callable[[Step], Awaitable[str | None]]
"""Says what the screen shows in a step, or operates the HMI and returns; None skips it."""

_SETTLE_S = 0.2
_LOOK_S = 0.02


class CheckoutBench:
    """A checkout's map on a loopback port, for the HMI program under test.

    Args:
        folder: a machine folder, or the demo.
        names, roles, cards: which steps, as `softctl checkout` takes them; all without any.
        session: a file to go on with, and to keep what is found in.
        tolerance: how far a value may be off, as a share of its range.

    Inside `async with`; `where` is the address to connect to.
    """

    def __init__(
        self,
        folder: str | Path | MachineFolder | None = None,
        *,
        names: Sequence[str] = (),
        roles: Sequence[str] = (),
        cards: Sequence[str] = (),
        session: str | Path | None = None,
        reviewer: str = "",
        tolerance: float = DEFAULT_TOLERANCE,
    ) -> None:
        if not isinstance(folder, MachineFolder):
            folder = load_folder(Path(folder) if folder is not None else demo_folder())
        self._file = None if session is None else CheckoutFile(Path(session))
        self.checkout: Checkout = open_checkout(
            folder,
            file=self._file,
            choice=Choice(names, roles, cards),
            reviewer=reviewer,
            tolerance=tolerance,
        )
        self._service = CheckoutService(self.checkout)
        self.where: tuple[str, int] = ("", 0)

    async def __aenter__(self) -> CheckoutBench:
        self.where = await self._service.start("127.0.0.1", 0)
        return self

    async def __aexit__(self, *details: object) -> None:
        await self._service.close()
        if self._file is not None:
            self._file.close()

    async def run(
        self, tester: Tester, *, look: float = _LOOK_S, settle: float = _SETTLE_S
    ) -> list[Attempt]:
        """Ask for every step that has no verdict; what failed.

        Args:
            look: seconds that the HMI has to read a new value before the tester is asked.
            settle: seconds that a second write has to come after an operation.

        Raises:
            SoftctlError: an answer that cannot be understood.
        """
        found = [await self.ask(step, tester, look, settle) for step in self.checkout.open_steps()]
        return [attempt for attempt in found if attempt.verdict is Verdict.FAIL]

    async def ask(
        self, step: Step, tester: Tester, look: float = _LOOK_S, settle: float = _SETTLE_S
    ) -> Attempt:
        """One step, whatever was said about it before."""
        self.checkout.begin(step.id)
        await asyncio.sleep(look)
        said = await tester(step)
        if said is None:
            return self.checkout.decide(step.id, Verdict.SKIPPED)
        if step.answer is Answer.DONE:
            await asyncio.sleep(settle)
        return self.checkout.answer(step.id, said)
