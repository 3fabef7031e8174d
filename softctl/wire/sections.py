"""The faults of a file as pydantic models, one for each effect.

Each model makes its own effect. What a fault is about (whose requests, which, when, how
many) is the same for all but two: new connections have no requests, and a stopped
heartbeat knows its address.
"""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field

from softctl.machine.fields import Text, Truth, choice, duration, whole
from softctl.machine.section import Section
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
    Effect,
    Freeze,
    Refuse,
    Reset,
    Silence,
    Split,
    SwapWords,
    Truncate,
    WrongLength,
    WrongTransaction,
    WrongUnit,
)
from softctl.values.tables import Table
from softctl.wire.fields import (
    Addresses,
    ByteOffset,
    ByteRate,
    Functions,
    Networks,
    Share,
    Units,
    WordOffset,
)

_SECOND_NS: Final = 1_000_000_000
_LONGEST: Final = "86400 s"

Span = Annotated[int, duration("0 s", _LONGEST)]
Wait = Annotated[int, duration("0 s", "600 s")]
Bytes = Annotated[int, whole(0, 260)]


class FaultSection(Section):
    """What all faults have: whom they strike, when, how often, and whether at all."""

    effect: str
    client: Networks = Field(default=(), description="clients it strikes; else all")
    share: Share = Field(default=1.0, description="how many of the requests, drawn by chance")
    after: Span = Field(default=0, description="when it begins, from the start of the run")
    until: Span | None = Field(default=None, description="when it ends, from the start of the run")
    active: Truth = Field(default=True, description="false switches it off")

    def make(self) -> Effect:
        """The effect that the file asks for."""
        raise NotImplementedError


class DenySection(FaultSection):
    """New connections are turned away."""

    def make(self) -> Effect:
        return Deny()


class AnySection(FaultSection):
    """A fault of requests."""

    unit: Units = Field(default=frozenset(), description="unit ids; else all")
    function: Functions = Field(default=frozenset(), description="function codes; else all")


class HeartbeatSection(AnySection):
    """The controller's heartbeat stands still."""

    def make(self) -> Effect:
        return Freeze()


class RequestSection(AnySection):
    """A fault of requests that may be about some addresses only."""

    table: Annotated[Table, choice(Table)] | None = Field(default=None, description="a table")
    addresses: Addresses | None = Field(default=None, description="first and last wire address")
    point: Text | None = Field(default=None, description="a point, for its table and addresses")


class SilenceSection(RequestSection):
    """The request is lost."""

    def make(self) -> Effect:
        return Silence()


class ResetSection(RequestSection):
    """The connection is reset in place of a reply."""

    def make(self) -> Effect:
        return Reset()


class StaleSection(RequestSection):
    """Reads show what was there when the fault began."""

    def make(self) -> Effect:
        return Freeze()


class SwapSection(RequestSection):
    """Registers come in the wrong order."""

    def make(self) -> Effect:
        return SwapWords()


class DelaySection(RequestSection):
    """Replies come late."""

    by: Wait = Field(description="how late at least")
    random: Wait = Field(default=0, description="how much later at most, drawn by chance")

    def make(self) -> Effect:
        return Delay(self.by, self.random)


class CutSection(RequestSection):
    """The connection is closed."""

    keep: Bytes = Field(default=0, description="bytes of the reply that are sent before")

    def make(self) -> Effect:
        return Cut(self.keep)


class TruncateSection(RequestSection):
    """The reply is cut short and the connection stays."""

    keep: Bytes = Field(description="bytes of the reply that are sent")

    def make(self) -> Effect:
        return Truncate(self.keep)


class SplitSection(RequestSection):
    """The reply comes in pieces."""

    size: Annotated[int, whole(1, 260)] = Field(default=1, description="bytes of a piece")
    gap: Wait = Field(default=0, description="time between pieces")

    def make(self) -> Effect:
        return Split(self.size, self.gap)


class SlowSection(RequestSection):
    """The reply comes byte by byte."""

    rate: ByteRate = Field(description="how fast")

    def make(self) -> Effect:
        return Split(1, _SECOND_NS // self.rate)


class ExceptionSection(RequestSection):
    """The request is refused."""

    code: Annotated[int, whole(1, 255)] = Field(description="exception code")

    def make(self) -> Effect:
        return Refuse(self.code)


class WrongTransactionSection(RequestSection):
    """The reply bears another transaction id."""

    by: WordOffset = Field(default=1, description="what is added to it")

    def make(self) -> Effect:
        return WrongTransaction(self.by)


class WrongUnitSection(RequestSection):
    """The reply bears another unit id."""

    by: ByteOffset = Field(default=1, description="what is added to it")

    def make(self) -> Effect:
        return WrongUnit(self.by)


class WrongLengthSection(RequestSection):
    """The reply's length field is wrong."""

    by: WordOffset = Field(default=1, description="what is added to it")

    def make(self) -> Effect:
        return WrongLength(self.by)


EFFECTS: Final[dict[str, type[FaultSection]]] = {
    "delay": DelaySection,
    "silence": SilenceSection,
    "exception": ExceptionSection,
    "stale": StaleSection,
    "stop heartbeat": HeartbeatSection,
    "swap words": SwapSection,
    "wrong transaction": WrongTransactionSection,
    "wrong unit": WrongUnitSection,
    "wrong length": WrongLengthSection,
    "truncate": TruncateSection,
    "split": SplitSection,
    "slow": SlowSection,
    "cut": CutSection,
    "reset": ResetSection,
    "refuse connections": DenySection,
}
