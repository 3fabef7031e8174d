"""What a page is about: a machine that runs, here or elsewhere."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from softctl.logic import Application, Source
from softctl.machine import Machine
from softctl.runtime.folder import MachineFolder
from softctl.web.channels import Channels

if TYPE_CHECKING:
    from softctl.web.frame_tap import FrameTap
    from softctl.web.history import History

Row = dict[str, Any]
Answer = Mapping[str, Any]
Show = Callable[[str, Mapping[str, Any]], None]
"""Takes the state of one kind, for all viewers, also those to come."""


class Bench(Protocol):
    """The running machine as the page sees it.

    `ask` takes the requests of `softctl.runtime.service_requests`. `why_not` says of each
    thing that a page may offer why this bench does not have it, "" where it has.
    """

    @property
    def folder(self) -> MachineFolder: ...

    @property
    def machine(self) -> Machine: ...

    @property
    def application(self) -> Application: ...

    @property
    def running(self) -> object:
        """Another object whenever channels have to be made anew: after a restart or a change."""

    @property
    def why_not(self) -> Mapping[str, str]: ...

    @property
    def history_clock(self) -> str: ...

    def now_s(self) -> float:
        """The time that goes with values, by the clock of `history_clock`."""

    def channels(self) -> Channels:
        """What can be read of the programs that run now."""

    def ask(self, request: Mapping[str, Any]) -> Awaitable[Answer]:
        """The controller's answer; raises SoftctlError with its refusal."""

    def note(self, kind: str, name: str, what: str, by: str, /, **details: object) -> None:
        """Put what somebody did on the page into the journal."""

    def quick_mark(self) -> object:
        """Something that differs when alarms or forces have changed."""

    async def quick_states(self) -> Mapping[str, Mapping[str, Any]]:
        """The states of alarms and forces."""

    def states(self) -> Mapping[str, Mapping[str, Any]]:
        """What the other state messages say now, by kind."""

    def equipment_faults(self) -> Mapping[str, Sequence[Row]]:
        """The faults that each piece of equipment can have; empty where no plant runs here."""

    def history(self) -> History:
        """The past; raises SoftctlError where none is kept."""

    def drawings(self) -> tuple[Any, list[Any]]:
        """The geometry of the picture, None for none, and of the charts."""

    def sources(self) -> Sequence[Source]:
        """The programs that run now, as they are written."""

    def trials(self) -> Sequence[Row]:
        """The trials that can be run beside the machine."""

    def drills(self) -> Sequence[Row]:
        """The drills that can be run against its HMI clients."""

    def tap(self, server: str, client: str) -> FrameTap:
        """Listen to a client's frames; raises SoftctlError."""

    def wire_effects(self) -> Sequence[Row]:
        """What can be made to go wrong on the wire."""
