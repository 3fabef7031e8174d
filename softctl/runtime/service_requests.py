"""What people may ask of a running controller: programs, forces, alarms."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import asdict

from softctl.alarms import ACTS
from softctl.errors import SoftctlError
from softctl.logic import Source
from softctl.logic.literals import parse_value
from softctl.runtime.control_service import ControlService
from softctl.runtime.event_feed import EventFeed
from softctl.runtime.folder import compile_programs
from softctl.runtime.service_port import Answer, Request

_SECOND_NS = 1_000_000_000
_PORTION = 500


class ServiceRequests:
    """Deals with the requests for one controller, between two of its scans."""

    def __init__(self, service: ControlService, feed: EventFeed | None = None) -> None:
        self._service = service
        self._feed = feed
        self._acts: dict[str, Callable[[Request], Answer]] = {
            "forces": self._forces,
            "force": self._force,
            "release": self._release,
            "alarms": self._alarms,
            "alarm": self._alarm,
            "read": self._read,
            "write": self._write,
            "stop": self._stop,
            "restart": self._restart,
            "events": self._events,
        }

    async def answer(self, request: Request) -> Answer:
        """The answer to a request; raises SoftctlError for one that is refused."""
        what = request["do"]
        if what == "load":
            return await self._load(request)
        act = self._acts.get(what)
        if act is None:
            known = ", ".join(("load", *self._acts))
            raise SoftctlError(f"expected a request among {known}; got {what}")
        return act(request)

    async def _load(self, request: Request) -> Answer:
        """Compile aside, so that scans go on, and change at the next scan."""
        sources = [Source(str(name), str(text)) for name, text in request["sources"]]
        machine = self._service.controller.machine
        application = await asyncio.to_thread(compile_programs, machine, sources)
        taken = await self._service.change(application)
        names = ", ".join(source.name for source in sources)
        self._service.note("run", names, "program loaded", str(request.get("by", "")))
        return {"kept": taken.kept, "reset": taken.reset, "gone": taken.gone}

    # The programs

    def _stop(self, request: Request) -> Answer:
        self._service.stop(str(request["by"]))
        return {"state": self._service.controller.state.name.lower()}

    def _restart(self, request: Request) -> Answer:
        warm = self._service.restart(str(request["by"]), cold=bool(request["cold"]))
        return {"restored": warm.restored, "lost": warm.lost}

    # Values

    def _read(self, request: Request) -> Answer:
        """Variables of programs, by path."""
        instance = self._service.controller.instance
        return {"values": list(instance.reader([str(path) for path in request["paths"]])())}

    def _write(self, request: Request) -> Answer:
        """Commands and set points, as an HMI writes them."""
        name, value = str(request["name"]), request["value"]
        return {"value": self._service.write(name, value, str(request["by"]))}

    # What happened

    def _events(self, request: Request) -> Answer:
        """Events after a number, a portion of them; all where it is of another run."""
        if self._feed is None:
            raise SoftctlError("this controller keeps no events")
        is_same = request["run"] == self._feed.run
        after = int(request["after"]) if is_same else 0
        events = self._feed.after(after)[:_PORTION]
        number = events[-1].number if events else after
        return {"run": self._feed.run, "number": number, "events": [asdict(e) for e in events]}

    # Forces

    def _forces(self, _: Request) -> Answer:
        now_ns = self._service.now_ns
        rows = [
            {
                "path": force.path,
                "value": force.value,
                "left_s": max(0.0, (force.until_ns - now_ns) / _SECOND_NS),
                "reason": force.reason,
                "by": force.source,
            }
            for force in self._service.controller.forces.held
        ]
        return {"forces": rows}

    def _force(self, request: Request) -> Answer:
        given = request["value"]
        try:
            value = parse_value(given) if isinstance(given, str) else given
        except ValueError as error:
            raise SoftctlError(str(error)) from None
        controller = self._service.controller
        change = controller.forces.force(
            str(request["path"]),
            value,
            for_ns=int(request["for_ns"]),
            now_ns=self._service.now_ns,
            source=str(request["by"]),
            reason=str(request["reason"]),
        )
        controller.watch.happenings.append(change)
        return {"path": change.force.path, "value": change.force.value}

    def _release(self, request: Request) -> Answer:
        controller, now_ns, by = self._service.controller, self._service.now_ns, request["by"]
        if request["path"] is None:
            changes = controller.forces.release_all(now_ns=now_ns, source=str(by))
        else:
            path = str(request["path"])
            changes = [controller.forces.release(path, now_ns=now_ns, source=str(by))]
        controller.watch.happenings += changes
        return {"released": [change.force.path for change in changes]}

    # Alarms

    def _alarms(self, _: Request) -> Answer:
        board = self._service.controller.watch.board
        figures = board.rates.figures(self._service.now_ns)
        rows = [
            {
                "name": name,
                "text": alarm.rule.text,
                "priority": alarm.rule.priority.value,
                "state": alarm.state.value,
                "availability": alarm.availability.value,
                "first_out": alarm.is_first_out,
                "since_s": _seconds(alarm.raised_at_ns if alarm.state.is_listed else None),
                "shelved_until_s": _seconds(alarm.shelved_until_ns),
            }
            for name, alarm in board.alarms.items()
        ]
        rates = {
            "last_10_min": figures.last_10_min,
            "peak_10_min": figures.peak_10_min,
            "mean_10_min": figures.mean_10_min,
            "floods": figures.floods,
            "is_flood": figures.is_flood,
            "frequent": [list(pair) for pair in figures.frequent],
            "verdict": figures.verdict,
        }
        return {"alarms": rows, "rates": rates}

    def _alarm(self, request: Request) -> Answer:
        watch, name = self._service.controller.watch, str(request["name"])
        act = ACTS.get(str(request["act"]))
        if act is None:
            raise SoftctlError(f"expected one of {', '.join(ACTS)}; got {request['act']}")
        for_ns, now_ns = int(request.get("for_ns", 0)), self._service.now_ns
        watch.happenings += act(watch.board, name, now_ns, str(request["by"]), for_ns)
        return {"state": watch.board.alarm(name).state.value}


def _seconds(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / _SECOND_NS
