"""A case is a script: it yields what to do on its connections and is told what came.

Scripts are generators, so that a whole conversation over several connections reads from
top to bottom, while sockets, clocks and waiting stay outside. Who drives a script does
each step it yields and sends back a `Heard`.

Connections are numbered from 0 by the script; one that is used for the first time is
opened.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from enum import Enum
from typing import TypeVar

from softctl.conform.wire import Reply

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Open:
    """Connect and send nothing."""

    line: int


@dataclass(frozen=True, slots=True)
class Send:
    """Hand these bytes to TCP in one piece."""

    line: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Pause:
    """Wait so long that bytes sent before and after travel apart."""


@dataclass(frozen=True, slots=True)
class Hear:
    """Wait for this many frames; give up at the time-out or when the server closes."""

    line: int
    frames: int


@dataclass(frozen=True, slots=True)
class Settle:
    """Wait a moment for anything, and take all that came."""

    line: int


@dataclass(frozen=True, slots=True)
class HalfClose:
    """Close the sending side only."""

    line: int


@dataclass(frozen=True, slots=True)
class Close:
    """Close in good order; `reset` breaks the connection off instead."""

    line: int
    reset: bool = False


class Show(Enum):
    """What a client shows of itself at a TLS handshake; the value is the word for it.

    The wrong ones carry the role of the right one, so that a server that overlooks what is
    wrong with them serves them.
    """

    OWN = "own"
    NOTHING = "nothing"
    STRANGER = "stranger"
    SELF_SIGNED = "self-signed"
    FORGED = "forged"
    EXPIRED = "expired"
    NOT_YET = "not-yet"
    NO_ROLE = "no-role"
    TWO_ROLES = "two-roles"
    OTHER_STRING = "other-string"


@dataclass(frozen=True, slots=True)
class Hello:
    """What a client offers: versions such as "1.2", TLS 1.2 suites by OpenSSL's names, a curve.

    Empty `ciphers` and `curve` stand for everything usual.
    """

    show: Show = Show.OWN
    lowest: str = "1.2"
    highest: str = "1.2"
    ciphers: str = ""
    curve: str = ""


@dataclass(frozen=True, slots=True)
class Shake:
    """Connect and shake hands, as far as the server lets this client."""

    line: int
    hello: Hello


@dataclass(frozen=True, slots=True)
class Plain:
    """Connect without TLS to a server that speaks it."""

    line: int


@dataclass(frozen=True, slots=True)
class Raw:
    """Send these bytes below TLS, on a line that has shaken hands."""

    line: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Farewell:
    """Send a close_notify and wait for the one that answers it."""

    line: int


Step = Open | Send | Pause | Hear | Settle | HalfClose | Close | Shake | Plain | Raw | Farewell


@dataclass(frozen=True, slots=True)
class Handshake:
    """What both sides agreed on, and the server's certificate in DER."""

    version: str
    cipher: str
    certificate: bytes


@dataclass(frozen=True, slots=True)
class Heard:
    """What came on a line by the end of a step.

    `raw` is everything taken; `replies` and `rest` are cut from it. `is_lost` means that
    `rest` has a length field no frame can have; `is_closed` that the server closed the
    connection, or did not accept it. Over TLS, `tls` is there once hands were shaken,
    `alert` is the alert that the server sent, and `unable` why this side could not offer
    what it was to.
    """

    replies: tuple[Reply, ...] = ()
    raw: bytes = b""
    rest: bytes = b""
    is_lost: bool = False
    is_closed: bool = False
    tls: Handshake | None = None
    alert: str = ""
    unable: str = ""


Script = Generator[Step, Heard, T]


class Verdict(Enum):
    """How a case ended; the value is the word shown to people."""

    PASS = "pass"
    FAIL = "fail"
    NOT_SUPPORTED = "not supported"
    NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, slots=True)
class Outcome:
    """A verdict and, unless it is a pass, its reason."""

    verdict: Verdict
    reason: str = ""


class Unmet(Exception):  # noqa: N818 - a judgement about the server, not an error of ours
    """The server did not do what its specification asks."""

    def __init__(self, expected: str, got: str) -> None:
        super().__init__(f"expected {expected}, got {got}")


class NotApplicable(Exception):  # noqa: N818 - as above
    """The case needs something that this server, or this run, does not have."""


class NotSupported(Exception):  # noqa: N818 - as above
    """The server refused the function with exception 01, as it may."""


def advance(script: Script[None], heard: Heard | None) -> Step | Outcome:
    """Drive a script to its next step, or to its outcome; `heard` is None at the start."""
    try:
        return next(script) if heard is None else script.send(heard)
    except StopIteration:
        return Outcome(Verdict.PASS)
    except Unmet as unmet:
        return Outcome(Verdict.FAIL, str(unmet))
    except NotSupported as reason:
        return Outcome(Verdict.NOT_SUPPORTED, str(reason))
    except NotApplicable as reason:
        return Outcome(Verdict.NOT_APPLICABLE, str(reason))
