"""Faults on the wire, as decisions: which of them strike a request, and what is then sent.

A rule is an effect and a scope. Effects work in the order of `Stage`, whatever order the
rules are in: first what is answered, then how the frame is spoilt, then how its bytes are
cut, then when they are sent, then how the connection ends. So rules combine.

Times of a scope count from `started_ns` of the `Faults`; chances come from seeded
generators, so a run can be repeated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.bank import Bank
from softctl.modbus.clients import Client
from softctl.modbus.fault_effects import (
    Cut,
    Delay,
    Deny,
    Effect,
    Freeze,
    Refuse,
    Reply,
    Reset,
    Silence,
    Split,
    Stage,
    Strike,
    SwapWords,
    Truncate,
    WrongLength,
    WrongTransaction,
    WrongUnit,
)
from softctl.modbus.fault_scope import Scope
from softctl.modbus.frames import HEADER_BYTES, Frame, encode_frame
from softctl.modbus.functions import decode_request
from softctl.modbus.requests import Reject, Request
from softctl.values.tables import Table

__all__ = [
    "Cut",
    "Delay",
    "Deny",
    "Effect",
    "Faults",
    "Freeze",
    "Refuse",
    "Reset",
    "Rule",
    "Scope",
    "Silence",
    "Split",
    "Stage",
    "SwapWords",
    "Truncate",
    "WrongLength",
    "WrongTransaction",
    "WrongUnit",
]


_LATER_STAGES = tuple(stage for stage in Stage if stage is not Stage.ANSWER)


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """An effect on the requests of a scope.

    Attributes:
        name: what people call it.
        seed: of its own generator, so that other rules do not change its chances; empty
            for the generator of the `Faults`.
    """

    effect: Effect
    scope: Scope = field(default_factory=Scope)
    name: str = ""
    seed: str = ""

    def is_like(self, other: Rule) -> bool:
        """Whether both say the same."""
        return (self.name, self.effect, self.scope, self.seed) == (
            other.name,
            other.effect,
            other.scope,
            other.seed,
        )


class Answerer(Protocol):
    """The part of a server that faults come between: see `Server`."""

    def answer(self, frame: Frame, client: Client) -> bytes | None: ...

    def bank(self, unit: int) -> Bank | None: ...

    def conclude(
        self, frame: Frame, client: Client, request: Request | Reject | None, reply: bytes
    ) -> bytes | None: ...


class Faults:
    """The rules that are in force on one server; switch them live with `add` and `remove`.

    Args:
        random: the seeded generator of chances and random delays.
        started_ns: the server's clock when times of scopes begin.
    """

    def __init__(self, random: Random, started_ns: int = 0, rules: Sequence[Rule] = ()) -> None:
        self.random = random
        self.started_ns = started_ns
        self.rules: list[Rule] = []
        self._frozen: dict[tuple[Rule, int], dict[Table, bytes]] = {}
        self._frozen_at_ns: dict[tuple[Rule, int], int] = {}
        self._randoms: dict[Rule, Random] = {}
        self._counts: dict[Rule, int] = {}
        for rule in rules:
            self.add(rule)

    def add(self, rule: Rule) -> None:
        """Put a rule in force; ValueError when it is in force already."""
        if rule in self._counts:
            raise ValueError(f"expected a rule that is not in force yet, got {rule}")
        self.rules.append(rule)
        self._randoms[rule] = Random(rule.seed) if rule.seed else self.random
        self._counts[rule] = 0

    def remove(self, rule: Rule) -> None:
        """Take a rule out of force; ValueError when it is not in force."""
        self.rules.remove(rule)
        del self._randoms[rule], self._counts[rule]
        for key in [key for key in self._frozen if key[0] is rule]:
            del self._frozen[key], self._frozen_at_ns[key]

    def replace(self, rules: Sequence[Rule]) -> None:
        """Put these rules in force and no others.

        One that says the same as a rule in force changes nothing: that one goes on with
        its chances, its count and what it has frozen.
        """
        wanted = list(rules)
        for old in tuple(self.rules):
            same = next((rule for rule in wanted if rule.is_like(old)), None)
            if same is None:
                self.remove(old)
            else:
                wanted.remove(same)
        for rule in wanted:
            self.add(rule)

    def active(self, now_ns: int) -> list[Rule]:
        """The rules whose time is now."""
        return [rule for rule in self.rules if rule.scope.is_active(now_ns - self.started_ns)]

    def count(self, rule: Rule) -> int:
        """How many requests, or new connections, a rule in force has struck."""
        return self._counts[rule]

    def frozen_for(self, frame: Frame, client: Client, now_ns: int) -> int:
        """For how long what a client sees with such a read has stood still on purpose, in ns."""
        request = decode_request(frame.pdu)
        since_ns = [
            self._frozen_at_ns[rule, frame.unit]
            for rule in self.active(now_ns)
            if (rule, frame.unit) in self._frozen_at_ns
            and rule.scope.concerns(client)
            and rule.scope.covers(frame, request)
        ]
        return now_ns - min(since_ns, default=now_ns)

    def denies(self, client: Client, now_ns: int) -> bool:
        """Whether a new connection is turned away."""
        for rule in self.active(now_ns):
            if (
                isinstance(rule.effect, Deny)
                and rule.scope.concerns(client)
                and self._happens(rule)
            ):
                self._counts[rule] += 1
                return True
        return False

    def respond(self, frame: Frame, client: Client, now_ns: int, server: Answerer) -> list[Action]:
        """What to do about one frame, which `server` answers unless a rule is in the way."""
        if frame.protocol:
            server.answer(frame, client)  # discards and counts it
            return []
        request = decode_request(frame.pdu)
        struck = self._struck(frame, request, client, now_ns, server.bank(frame.unit))
        client.struck += bool(struck)
        if any(rule.effect.stage is Stage.ANSWER for rule in struck):
            whole = self._answer_instead(frame, request, client, struck, server)
        else:
            whole = server.answer(frame, client)
        if whole is None:
            return []
        reply = Reply(whole)
        for stage in _LATER_STAGES:
            if stage is Stage.BYTES and reply.frame:
                reply.parts = [(0, reply.frame)]
            for rule in struck:
                if rule.effect.stage is stage and reply.frame:
                    frozen = self._frozen.get((rule, frame.unit), {})
                    strike = Strike(request, rule.scope, self._randoms[rule], frozen)
                    rule.effect.apply(reply, strike)
        actions: list[Action] = [
            Send(now_ns + delay_ns, data) for delay_ns, data in reply.parts if data
        ]
        if reply.end is not None:
            actions.append(Close(now_ns + reply.end.at_ns, reply.end.abort))
        return actions

    def _answer_instead(
        self,
        frame: Frame,
        request: Request | Reject,
        client: Client,
        struck: Sequence[Rule],
        server: Answerer,
    ) -> bytes | None:
        """Nobody does the request, yet it came and is counted, with what it got."""
        reply = Reply(encode_frame(frame.transaction, frame.unit, frame.pdu))
        for rule in struck:
            if rule.effect.stage is Stage.ANSWER and reply.frame:
                rule.effect.apply(reply, Strike(request, rule.scope, self._randoms[rule], {}))
        return server.conclude(frame, client, request, reply.frame[HEADER_BYTES:])

    def _struck(
        self,
        frame: Frame,
        request: Request | Reject,
        client: Client,
        now_ns: int,
        bank: Bank | None,
    ) -> list[Rule]:
        struck = []
        for rule in self.active(now_ns):
            self._freeze(rule, frame.unit, bank, now_ns)
            if (
                not isinstance(rule.effect, Deny)
                and rule.scope.concerns(client)
                and rule.scope.covers(frame, request)
                and self._happens(rule)
            ):
                self._counts[rule] += 1
                struck.append(rule)
        return struck

    def _freeze(self, rule: Rule, unit: int, bank: Bank | None, now_ns: int) -> None:
        """Remember the bank as it is at the first request that finds the rule active."""
        if isinstance(rule.effect, Freeze) and bank is not None:
            key = (rule, unit)
            if key not in self._frozen:
                self._frozen_at_ns[key] = now_ns
                self._frozen[key] = {table: bytes(bank.area(table).memory) for table in Table}

    def _happens(self, rule: Rule) -> bool:
        share = rule.scope.probability
        return share >= 1 or self._randoms[rule].random() < share
