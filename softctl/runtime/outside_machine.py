"""Somebody else's controller in real time, with our field or with somebody else's.

Nothing is known of the inside of such a controller, neither its scan nor its state. What it
does is seen at the cards of the field, and on its HMI map if it has one; there commands and
set points are written. With our field it is a Modbus/TCP client of ours and finds the cards as
the machine file has them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.image import Side, point_reader
from softctl.machine import Machine, Point, Role, Value
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.field_client import LinkError
from softctl.runtime.field_service import FieldService
from softctl.runtime.live_machine import CUT_RULES, slack_ns
from softctl.runtime.map_client import MapClient
from softctl.runtime.parties import Parties
from softctl.runtime.tls_files import controller_tls, server_tls
from softctl.trial import model
from softctl.trial.model import Action, Parameters
from softctl.trial.names import Names
from softctl.trial.parse import Surroundings, with_parameters
from softctl.trial.play import Player
from softctl.trial.run import at_plant_time
from softctl.trial.visible import PROGRAM_FAULT, View, outside_flags, outside_reader

_COMES_WITHIN_S = 30.0
_CARDS = (Role.INPUT, Role.OUTPUT)


class OutsideMachine:
    """Somebody else's controller and its field, as they are seen and reached from outside.

    Used as a context: it begins with the controller brought to rest and, with our field, the
    plant at its beginning. `now_ns` counts machine time from there.
    """

    def __init__(
        self,
        around: Surroundings,
        equipment: Parameters,
        settings: Mapping[str, Value],
        speed: float,
        parties: Parties,
        folder: Path,
    ) -> None:
        machine = with_parameters(around.machine, equipment)
        self.machine = machine
        self.late_ns = slack_ns(machine, speed, parties.lag_ns)
        self.clock = MachineClock(speed)
        self.now_ns = 0
        self._speed = speed
        self._parties = parties
        self._folder = folder
        self._settings = settings
        self.plant = around.plant
        self._field: FieldService | None = None
        self._cards: MapClient | None = None
        self._hmi: MapClient | None = None
        if parties.field is None:
            self.plant = build_plant(machine, around.blocks)
            self._field = FieldService(FieldDevice(machine, self.plant), self.clock)
        else:
            tls = controller_tls(machine.field, folder)
            self._cards = MapClient(machine, Side.FIELD, *parties.field, tls=tls)
        if parties.controller is not None:
            self._hmi = MapClient(machine, Side.HMI, *parties.controller)
        self._began_ns = self._lost_before_ns = 0
        self._look_from_ns = self._write_from_ns = 0
        self._cut_until_ns: float | None = None

    @property
    def view(self) -> View:
        """What is seen of it, and can be done, as far as its servers were found to answer."""
        return View(
            is_inside=False,
            has_plant=self._field is not None,
            hmi=frozenset() if self._hmi is None else self._hmi.served,
            cards=_cards_of(self.machine) if self._cards is None else self._cards.served,
            why_no_cut=self._why_no_cut(),
            grace_ns=self.late_ns,
        )

    def hoped_view(self) -> View:
        """What would be seen if every server had the whole of its map."""
        every = frozenset(p.name for p in self.machine.points.values() if p.hmi is not None)
        return View(
            is_inside=False,
            has_plant=self._field is not None,
            hmi=frozenset() if self._hmi is None else every,
            cards=_cards_of(self.machine),
            why_no_cut=self._why_no_cut(),
        )

    async def __aenter__(self) -> OutsideMachine:
        try:
            await self._start()
        except BaseException:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        for client in (self._hmi, self._cards):
            if client is not None:
                await client.close()
        if self._field is not None:
            await self._field.close()

    async def play(self, player: Player, names: Names) -> None:
        """Let a trial look every scan period, and do what it says, until it is over."""
        charts, wanted = player.steps.charts, player.evaluator.names
        view, machine = self.view, self.machine
        read_hmi = _no_points if self._hmi is None else self._hmi.reader
        read = outside_reader(names, charts, wanted, view, read_hmi, self._read_cards, self.plant)
        flags = outside_flags(machine, charts, view, read_hmi)
        shows_fault = PROGRAM_FAULT in view.hmi and PROGRAM_FAULT not in wanted
        fault = read_hmi([machine.points[PROGRAM_FAULT]] if shows_fault else [])
        self._begin_now()
        while not player.is_over:
            missed = await self._next()
            has_seen = self.now_ns >= self._look_from_ns
            values = read()
            for action in player.sample(
                self.now_ns, values, flags(), missed, has_seen_deeds=has_seen
            ):
                await self._carry_out(action)
            if any(fault()):
                player.stop("the program stopped")

    async def rest(self) -> None:
        """Give the commands that bring the controller to rest; raises LinkError."""
        if self._hmi is not None:
            for name in self._parties.rest:
                await self._hmi.put(name, True)

    async def _start(self) -> None:
        field, hmi, parties = self._field, self._hmi, self._parties
        beginning = self.plant.snapshot()
        at_field = None
        if field is not None:
            endpoint = self.machine.field
            port = endpoint.port if parties.field_port is None else parties.field_port
            at_field = await field.start(endpoint.host, port, server_tls(endpoint, self._folder))
        await parties.prepare()
        if field is not None and at_field is not None:
            await self._until_driven(field, at_field)
        if self._cards is not None:
            await self._cards.survey()
        if hmi is not None:
            await hmi.survey()
            await self._write_settings(hmi)
            await self.rest()
        await self._settle()
        if field is not None:
            field.begin_anew(beginning)

    async def _until_driven(self, field: FieldService, at_field: tuple[str, int]) -> None:
        """Wait for a controller that writes outputs; raises SoftctlError where none comes."""
        try:
            async with asyncio.timeout(_COMES_WITHIN_S):
                while field.device.is_fail_safe:
                    await asyncio.sleep(0.005)
        except TimeoutError:
            raise SoftctlError(
                f"expected a controller that writes the outputs of the field at "
                f"{at_field[0]}:{at_field[1]} within {_COMES_WITHIN_S:g} s, got none"
            ) from None

    async def _write_settings(self, hmi: MapClient) -> None:
        """Set points as a fresh controller has them, and what the trial has given."""
        points = self.machine.points.values()
        fresh = {p.name: p.initial for p in points if p.role is Role.SETPOINT}
        held = {p.name: False for p in points if p.role is Role.COMMAND and p.hold}
        for name, value in {**fresh, **held, **self._settings}.items():
            if name in hmi.served:
                await hmi.put(name, value)

    async def _settle(self) -> None:
        """Give the other side time to have seen what was done."""
        await asyncio.sleep(self.clock.wall_ns(self.late_ns) / 1e9)

    def _begin_now(self) -> None:
        if self._field is None:
            self._began_ns = self.clock.now_ns()
        else:
            self._lost_before_ns = self._field.lost_ns

    def _time_ns(self) -> int:
        if self._field is not None:
            return self.plant.now_ns
        return self.clock.now_ns() - self._began_ns

    async def _next(self) -> int:
        """Wait for a scan period; how many more have gone by."""
        period_ns = self.machine.scan_ns
        await asyncio.sleep(max(0.001, self.clock.wall_ns(period_ns) / 1e9))
        for client in (self._hmi, self._cards):
            if client is not None:
                await client.poll()
        last_ns, self.now_ns = self.now_ns, self._time_ns()
        if self._cut_until_ns is not None and self.now_ns >= self._cut_until_ns:
            self._cut(False)
        self._require_in_time()
        return max(0, (self.now_ns - last_ns) // period_ns - 1)

    def _require_in_time(self) -> None:
        """Raise SoftctlError where the plant gave up time that the controller has lived through."""
        if self._field is None:
            return
        lost_ns = self._field.lost_ns - self._lost_before_ns
        if lost_ns > self.late_ns:
            raise SoftctlError(
                f"expected a computer that keeps the plant in time, got a plant that is "
                f"{lost_ns / 1e9:.1f} s behind: its controller cannot be judged like that"
            )

    async def _carry_out(self, action: Action) -> None:
        match action:
            case model.Write():
                assert self._hmi is not None, "a trial that writes has a map to write to"
                # A command does not overtake what was done to the equipment before it.
                while self._time_ns() < self._write_from_ns:
                    await asyncio.sleep(0.005)
                for name, value in action.values.items():
                    await self._hmi.put(name, value)
            case model.Break():
                self.plant.inject(at_plant_time(action, self.plant.now_ns))
                self._write_from_ns = self._time_ns() + self.late_ns
            case model.Mend():
                self.plant.mend(action.equipment, action.fault)
                self._write_from_ns = self._time_ns() + self.late_ns
            case model.Wire():
                self._cut(action.is_cut)
                if action.is_cut and action.for_ns is not None:
                    self._cut_until_ns = self.now_ns + action.for_ns
            case _:
                raise AssertionError(f"{action} is never fitted to somebody else's controller")
        self._look_from_ns = self._time_ns() + self.late_ns

    def _cut(self, is_cut: bool) -> None:
        assert self._field is not None, "only our own field's wire is cut"
        self._cut_until_ns = None
        self._field.faults.replace(CUT_RULES if is_cut else ())

    def _why_no_cut(self) -> str:
        if self._field is None:
            return "the wire to a field that is not ours is not cut"
        if self._speed != 1.0:
            return "the wire to somebody else's controller is cut at speed 1 only"
        return ""

    def _read_cards(self, points: list[Point]) -> Callable[[], tuple[Any, ...]]:
        if self._cards is not None:
            return self._cards.reader(points)
        assert self._field is not None, "a field is ours or theirs"
        banks = self._field.device.banks
        return point_reader(banks, self.machine, points, Side.FIELD, wired=True)


async def leave_at_rest(machine: OutsideMachine) -> None:
    """Bring the controller to rest at the end; one that no longer answers is left alone."""
    with suppress(LinkError):
        await machine.rest()


def _cards_of(machine: Machine) -> frozenset[str]:
    return frozenset(p.name for p in machine.points.values() if p.role in _CARDS and p.field)


def _no_points(_: list[Point]) -> Callable[[], tuple[Any, ...]]:
    return tuple
