"""A case: one thing that a specification asks of a server."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from softctl.conform.evidence import Evidence
from softctl.conform.site import Site, Support
from softctl.conform.steps import NotApplicable, NotSupported, Outcome, Script, Verdict
from softctl.conform.talk import Talk

MAP = "MAP V1.1b3"
MTG = "MTG V1.0b"
SEC = "SEC v36"
TLS = "RFC 5246"
TCP = "RFC 9293"
PRACTICE = "common practice"

CLAUSES = {
    MAP: "Modbus Application Protocol Specification V1.1b3",
    MTG: "Modbus Messaging on TCP/IP Implementation Guide V1.0b",
    SEC: "Modbus/TCP Security Protocol Specification v36",
    TLS: "The Transport Layer Security (TLS) Protocol Version 1.2",
    TCP: "Transmission Control Protocol",
    PRACTICE: "asked by no specification, but relied on by everybody",
}
"""The short names that clauses begin with, and what they stand for."""


Play = Callable[[Talk], Script[None]]
"""Makes the script of a case."""


@dataclass(frozen=True, slots=True)
class Case:
    """One case.

    Attributes:
        id: stable and unique, such as `fc03-limit-over`.
        group: the name under which cases are chosen together.
        title: what the server has to do, as a sentence.
        clause: where that is written; begins with a key of `CLAUSES`.
        functions: function codes without which the case says nothing.
        play: makes the script.
        is_unpredictable: what a device does with the request is nobody's to foresee.
    """

    id: str
    group: str
    title: str
    clause: str
    functions: tuple[int, ...]
    play: Play
    is_unpredictable: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """How a case went, with what was sent and received, and how long it took."""

    case: Case
    outcome: Outcome
    evidence: Evidence
    duration_ns: int = 0

    @property
    def is_failure(self) -> bool:
        """Whether the server failed the case."""
        return self.outcome.verdict is Verdict.FAIL


def script_of(case: Case, site: Site) -> Script[None]:
    """The script of a case on this site; it first asks whether the case makes sense here."""
    if case.is_unpredictable and not site.allows_unpredictable:
        raise NotApplicable("unforeseeable effect: runs only when the host is confirmed")
    for function in case.functions:
        support = site.support.get(function, Support.YES)
        if support is not Support.YES:
            raise NotSupported(f"the server {support.value} to function {function:02X}")
    yield from case.play(Talk(site))
