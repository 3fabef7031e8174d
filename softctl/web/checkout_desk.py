"""The point-to-point check of an HMI's screens, led from a page."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from softctl.checkout import Answer, Checkout, Verdict
from softctl.control import ControlState
from softctl.errors import SoftctlError
from softctl.runtime.checkout_file import CheckoutFile
from softctl.runtime.checkouts import CheckoutGuest, Choice, open_checkout, settled
from softctl.runtime.control_service import ControlService
from softctl.web.access import Person, Role
from softctl.web.actions import Act, Message, flag, text
from softctl.web.bench import Bench, Show

_SETTLES_WITHIN_S = 5.0


class CheckoutDesk:
    """One checkout at a time, at the HMI server of a controller whose programs stand still.

    With `path` the session is kept there and goes on with the next start.
    """

    def __init__(
        self, bench: Bench, control: ControlService, show: Show, path: Path | None
    ) -> None:
        self._bench = bench
        self._control = control
        self._show = show
        self._path = path
        self._file: CheckoutFile | None = None
        self._guest: CheckoutGuest | None = None
        self._is_blind = False

    @property
    def is_running(self) -> bool:
        """Whether the HMI map is the checkout's."""
        return self._guest is not None

    def acts(self) -> dict[str, Act]:
        """Start, go from step to step, stop."""
        return {"checkout": Act(Role.OPERATE, self._act)}

    async def close(self) -> None:
        """Give the map back to the controller; what was noted is kept."""
        guest, self._guest = self._guest, None
        if guest is not None:
            await guest.close()
        if self._file is not None:
            self._file.close()
            self._file = None

    async def tidy(self) -> None:
        """End it when somebody has started the programs."""
        if self.is_running and self._control.controller.state is ControlState.RUNNING:
            await self.close()
            self._bench.note("run", "", "checkout ended: the programs run", "")
            self._tell()

    async def _act(self, person: Person, message: Message) -> Mapping[str, Any]:
        deeds = {
            "start": self._start,
            "begin": self._begin,
            "answer": self._answer,
            "decide": self._decide,
            "stop": self._stop,
        }
        act = text(message, "act")
        if act not in deeds:
            raise SoftctlError(f"expected {', '.join(deeds)} for act, got {act}")
        answer = await deeds[act](person, message)
        self._tell()
        return answer

    async def _start(self, person: Person, message: Message) -> Mapping[str, Any]:
        if self.is_running:
            raise SoftctlError("expected no checkout to run beside another, got one that runs")
        names = message.get("names", [])
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            raise SoftctlError(f"expected a list of points, got {names!r:.60}")
        reviewer = text(message, "reviewer").strip()
        if not reviewer:
            raise SoftctlError("expected the name of whoever checks, got none")
        self._is_blind = flag(message, "blind")
        file = None if self._path is None else CheckoutFile(self._path)
        checkout = open_checkout(
            self._bench.folder,
            file=file,
            hmi=self._control.controller.hmi,
            choice=Choice(names=names),
            reviewer=reviewer,
        )
        guest = CheckoutGuest(self._control, checkout)
        try:
            await guest.start()
        except SoftctlError:
            if file is not None:
                file.close()
            raise
        self._guest, self._file = guest, file
        self._bench.note("run", reviewer, "checkout begun", person.source)
        return {}

    async def _begin(self, _: Person, message: Message) -> Mapping[str, Any]:
        checkout = self._checkout
        step = checkout.begin(text(message, "step"))
        return checkout.step_document(step, blind=self._is_blind)

    async def _answer(self, person: Person, message: Message) -> Mapping[str, Any]:
        checkout, wanted = self._checkout, text(message, "step")
        step = checkout.find(wanted)
        if step.answer is Answer.DONE:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(settled(checkout), _SETTLES_WITHIN_S)
        said = message.get("text")
        words = said if isinstance(said, str) else ""
        checkout.answer(wanted, words, _comment(message))
        return self._noted(wanted, person)

    async def _decide(self, person: Person, message: Message) -> Mapping[str, Any]:
        checkout, wanted = self._checkout, text(message, "step")
        word = text(message, "verdict")
        found = [one for one in Verdict if one.value == word]
        if not found:
            known = ", ".join(one.value for one in Verdict)
            raise SoftctlError(f"expected a verdict ({known}), got {word}")
        checkout.decide(wanted, found[0], _comment(message))
        return self._noted(wanted, person)

    async def _stop(self, person: Person, _: Message) -> Mapping[str, Any]:
        assert self._checkout is not None
        await self.close()
        self._bench.note("run", "", "checkout ended", person.source)
        return {}

    @property
    def _checkout(self) -> Checkout:
        if self._guest is None:
            raise SoftctlError("expected a checkout that runs, got none: start one")
        return self._guest.checkout

    def _noted(self, step_id: str, person: Person) -> Mapping[str, Any]:
        checkout = self._checkout
        verdict = checkout.verdict(step_id)
        assert verdict is not None, "it was noted just now"
        self._bench.note("run", step_id, f"checkout: {verdict.value}", person.source)
        return checkout.step_document(checkout.find(step_id), blind=self._is_blind)

    def _tell(self) -> None:
        if self._guest is None:
            self._show("checkout", {"running": False, "blind": False, "steps": []})
            return
        document = self._checkout.document(blind=self._is_blind)
        self._show("checkout", {"running": True, "blind": self._is_blind, **document})


def _comment(message: Message) -> str:
    comment = message.get("comment")
    return comment if isinstance(comment, str) else ""
