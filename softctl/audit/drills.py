"""Drills: what a sound HMI does after each thing that goes wrong on the wire.

1. It polls again, all that it polled before, within the time set.
2. It sends no command twice: what it could not deliver may be stale by now.
3. It does not flood: neither requests nor connections come in much greater numbers.
What the screen showed only a person can say; those questions come with each drill.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum

from softctl.audit.uses import Map
from softctl.modbus.clients import Client
from softctl.modbus.codes import ERROR_BIT, ExceptionCode
from softctl.modbus.fault_scope import Scope
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
    Effect,
    Freeze,
    Refuse,
    Silence,
    SwapWords,
    Truncate,
    WrongTransaction,
)
from softctl.modbus.requests import ReadRequest, Reject, Request
from softctl.values.tables import Table

_SECOND_NS = 1_000_000_000
_FUNCTION_BYTE = 7
_MOST_TIMES, _MOST_AT_LEAST = 3, 20
_CONNECTIONS_A_SECOND = 2

_MARKED = "Did the screen mark the values as bad while it lasted?"
_ALARM = "Did an alarm for the operator come, and go again?"
_NOTICED = "Did anybody who looked at the screen notice?"


@dataclass(frozen=True, slots=True)
class Drill:
    """One thing that goes wrong: its effects on the HMI server's wire, and for how long.

    `restart` closes and opens the server instead, with every set point as after a cold
    start. `heartbeat` limits the effects to HEARTBEAT.
    """

    name: str
    title: str
    effects: tuple[Effect, ...] = ()
    lasts_ns: int = 10 * _SECOND_NS
    questions: tuple[str, ...] = (_MARKED, _ALARM)
    restart: bool = False
    heartbeat: bool = False


_FAILURE = Refuse(ExceptionCode.SERVER_DEVICE_FAILURE)

DRILLS: tuple[Drill, ...] = (
    Drill("cut", "connections are closed and none is taken", (Cut(), Deny())),
    Drill("delay", "every reply is 3 s late", (Delay(3 * _SECOND_NS),)),
    Drill("silence", "no request is answered", (Silence(),)),
    Drill(
        "failure", "exception 04 on every request", (Refuse(ExceptionCode.SERVER_DEVICE_FAILURE),)
    ),
    Drill("busy", "exception 05 on every request", (Refuse(ExceptionCode.ACKNOWLEDGE),)),
    Drill("later", "exception 06 on every request", (Refuse(ExceptionCode.SERVER_DEVICE_BUSY),)),
    Drill("frozen", "the values stand still", (Freeze(),), questions=(_NOTICED, _ALARM)),
    Drill(
        "heartbeat",
        "the heartbeat stands still, all else goes on",
        (Freeze(),),
        questions=(_ALARM,),
        heartbeat=True,
    ),
    Drill("strange", "replies carry another transaction's number", (WrongTransaction(),)),
    Drill("half", "half a frame, and the connection closes", (Truncate(6), Cut(6))),
    Drill(
        "restart",
        "the server starts anew, with initial set points",
        lasts_ns=_SECOND_NS,
        restart=True,
    ),
    Drill("refused", "no new connection is taken", (Deny(),)),
    Drill("swapped", "the words of wide values are swapped", (SwapWords(),), questions=(_NOTICED,)),
)


def scope_of(drill: Drill, map_: Map) -> Scope:
    """Which requests a drill strikes: all, or those for HEARTBEAT."""
    if not drill.heartbeat:
        return Scope()
    place = map_.machine.points["HEARTBEAT"].hmi
    assert place is not None
    return Scope(table=place.table, first=place.address, last=place.address)


# What clients do


@dataclass(slots=True)
class Write:
    """A write that came, answered well or not."""

    host: str
    at_ns: int
    frame: bytes


@dataclass(slots=True)
class Stretch:
    """What came in a stretch of time: reads that got data, writes, requests, connections."""

    started_ns: int
    ended_ns: int = 0
    reads: dict[tuple[str, bytes], list[int]] = field(default_factory=dict)
    requests: list[tuple[str, int]] = field(default_factory=list)
    writes: list[Write] = field(default_factory=list)
    opened: list[tuple[str, int]] = field(default_factory=list)

    @property
    def hosts(self) -> list[str]:
        """Who asked for anything."""
        return list(dict.fromkeys(host for host, _ in self.requests))

    def polled(self, host: str) -> list[bytes]:
        """The reads of a host that came more than once, without their transaction ids."""
        return [body for (who, body), times in self.reads.items() if who == host and len(times) > 1]

    def busiest_second(self, host: str) -> int:
        """The most requests of a host within any second."""
        return _busiest(at_ns for who, at_ns in self.requests if who == host)


class Watcher:
    """Takes the observer's calls of a server, one stretch after the other."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self._clock = clock
        self.stretch = Stretch(clock())

    def next(self) -> Stretch:
        """Begin another stretch, and return the one that ends."""
        now_ns = self._clock()
        done, self.stretch = self.stretch, Stretch(now_ns)
        done.ended_ns = now_ns
        return done

    def opened(self, client: Client) -> None:
        """A client has connected, or was turned away."""
        self.stretch.opened.append((client.host, self._clock()))

    def closed(self, client: Client) -> None:
        """A client has gone; what it does next is what counts."""

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None:
        """One frame has been dealt with (`softctl.modbus.server.Observer`)."""
        stretch, now_ns = self.stretch, client.last_used_ns
        stretch.requests.append((client.host, now_ns))
        if isinstance(request, ReadRequest):
            if reply is not None and reply[_FUNCTION_BYTE] < ERROR_BIT:
                stretch.reads.setdefault((client.host, frame[2:]), []).append(now_ns)
        elif request is not None:
            stretch.writes.append(Write(client.host, now_ns, frame))


# Judgement


class Verdict(Enum):
    """How a check went."""

    PASS = "pass"
    FAIL = "fail"


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that a sound HMI does: how it went and what was seen."""

    name: str
    verdict: Verdict
    seen: str


@dataclass(frozen=True, slots=True)
class DrillResult:
    """One drill with one HMI."""

    drill: str
    host: str
    checks: tuple[Check, ...]

    @property
    def verdict(self) -> Verdict:
        """FAIL if a check failed."""
        failed = any(check.verdict is Verdict.FAIL for check in self.checks)
        return Verdict.FAIL if failed else Verdict.PASS


@dataclass(frozen=True, slots=True)
class Judge:
    """Judges what hosts do after drills against what they did before.

    `within_ns` is how long they may take until they poll everything again.
    """

    map: Map
    before: Stretch
    within_ns: int

    def is_back(self, after: Stretch) -> bool:
        """True when every host polls all that it polled before."""
        return all(not self._missing(host, after) for host in self.before.hosts)

    def judge(self, drill: Drill, during: Stretch, after: Stretch) -> list[DrillResult]:
        """A result for each host that was there before."""
        return [
            DrillResult(
                drill.name,
                host,
                (
                    self._resumes(host, after),
                    self._repeats_nothing(host, during, after),
                    self._floods_not(host, during, after),
                ),
            )
            for host in self.before.hosts
        ]

    def _missing(self, host: str, after: Stretch) -> list[bytes]:
        return [body for body in self.before.polled(host) if (host, body) not in after.reads]

    def _resumes(self, host: str, after: Stretch) -> Check:
        name = "polls again"
        missing = self._missing(host, after)
        if missing:
            points = [p.name for body in missing for p in self.map.touched(_span(body))]
            return Check(
                name, Verdict.FAIL, f"did not read again: {', '.join(points) or 'nothing'}"
            )
        firsts = [after.reads[host, body][0] for body in self.before.polled(host)]
        took_s = (max(firsts, default=after.started_ns) - after.started_ns) / _SECOND_NS
        in_time = took_s * _SECOND_NS <= self.within_ns
        verdict = Verdict.PASS if in_time else Verdict.FAIL
        return Check(name, verdict, f"all of it after {took_s:.1f} s")

    def _repeats_nothing(self, host: str, *stretches: Stretch) -> Check:
        habits = {write.frame[2:] for write in self.before.writes if write.host == host}
        seen: dict[bytes, int] = {}
        for stretch in stretches:
            for write in stretch.writes:
                if write.host == host and write.frame[2:] not in habits:
                    seen[write.frame[2:]] = seen.get(write.frame[2:], 0) + 1
        twice = [body for body, count in seen.items() if count > 1]
        if twice:
            text = f"wrote the same {seen[twice[0]]} times: {twice[0].hex(' ')}"
            return Check("repeats no command", Verdict.FAIL, text)
        return Check("repeats no command", Verdict.PASS, f"{len(seen)} writes, none twice")

    def _floods_not(self, host: str, *stretches: Stretch) -> Check:
        usual = self.before.busiest_second(host)
        most = max(stretch.busiest_second(host) for stretch in stretches)
        seconds = sum(s.ended_ns - s.started_ns for s in stretches) / _SECOND_NS
        opened = sum(who == host for stretch in stretches for who, _ in stretch.opened)
        seen = f"{most} requests in the busiest second ({usual} before), {opened} connections"
        is_calm = most <= max(_MOST_TIMES * usual, _MOST_AT_LEAST)
        is_patient = opened <= max(5.0, _CONNECTIONS_A_SECOND * seconds)
        verdict = Verdict.PASS if is_calm and is_patient else Verdict.FAIL
        return Check("does not flood", verdict, seen)


def _span(body: bytes) -> tuple[Table, int, int]:
    """What a read asks for; `body` is its frame without the transaction id."""
    function, address, count = body[5], int.from_bytes(body[6:8]), int.from_bytes(body[8:10])
    tables = {
        1: Table.COILS,
        2: Table.DISCRETE_INPUTS,
        3: Table.HOLDING_REGISTERS,
        4: Table.INPUT_REGISTERS,
    }
    return tables[function], address, count


def _busiest(times: Iterable[int]) -> int:
    ordered = sorted(times)
    first = most = 0
    for last, at_ns in enumerate(ordered):
        while at_ns - ordered[first] >= _SECOND_NS:
            first += 1
        most = max(most, last - first + 1)
    return most


def choose(names: Sequence[str]) -> list[Drill]:
    """The drills of these names, in this order; all without names. Raises KeyError."""
    by_name = {drill.name: drill for drill in DRILLS}
    return [by_name[name] for name in names] if names else list(DRILLS)
