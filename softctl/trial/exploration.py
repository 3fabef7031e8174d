"""An exploration from beginning to end: a proof where there can be one, else random walks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from softctl.machine import Role, Scalar, Value, WatchedGuard
from softctl.machine.document import Plain
from softctl.trial.bench import VirtualBench
from softctl.trial.exhaustive import Search, why_not
from softctl.trial.explore import Discovery, Explorer, LeftOut, walk
from softctl.trial.input_values import Input, shortest
from softctl.trial.model import Trial, Watch
from softctl.trial.parse import Surroundings
from softctl.values.types import Kind


@dataclass(frozen=True, slots=True)
class Exploration:
    """What an exploration found: a proof if `no_proof` is empty, which else says why not."""

    machine: str
    seed: int
    guards: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    no_proof: str
    scans: int
    states: int
    discoveries: tuple[Discovery, ...]


def explore(
    explorer: Explorer, *, seed: int, scans: int, on_scans: Callable[[int], None] = lambda _: None
) -> Exploration:
    """Search all states if that can prove something and ends within the scans; else walk.

    The same seed finds the same. `on_scans` hears now and then how many scans there were.
    """
    why = why_not(explorer)
    states = 0
    known: tuple[Discovery, ...] = ()
    if not why:
        searched = Search(explorer).run(scans)
        if searched.is_closed:
            return _told(explorer, seed, "", searched.scans, searched.states, searched.discoveries)
        why = f"{searched.scans} scans were not enough for all states"
        states, known = searched.states, searched.discoveries
    walked = walk(explorer, seed=seed, scans=scans, on_walk=on_scans)
    keys = [one.breach.key for one in known]
    found = (*known, *(one for one in walked.discoveries if one.breach.key not in keys))
    return _told(explorer, seed, why, walked.scans, states, found)


def values_at_rest(around: Surroundings) -> dict[str, Value]:
    """What the plant says of itself before anything moves: the inputs that a walk begins with."""
    plant = around.plant
    start = plant.snapshot()
    bench = VirtualBench(around.machine, around.application, plant)
    bench.next_scan()
    names = [p.name for p in around.machine.points.values() if p.role is Role.INPUT]
    values = bench.controller.instance.reader(names)()
    plant.restore(start)
    return dict(zip(names, values, strict=True))


def throughout_guards(trials: Sequence[Trial]) -> Iterator[WatchedGuard]:
    """What trials watch from before their first deed to their end, once each, as guards."""
    seen: set[str] = set()
    for trial in trials:
        for row in trial.rows:
            if not isinstance(row, Watch):
                break
            if row.for_ns is not None or row.until is not None or row.place == trial.place:
                continue
            text = " ".join(row.condition.text.split())
            words = text if not row.wanted else f"NOT ({text})"
            if words not in seen:
                seen.add(words)
                name = f"{'always' if row.wanted else 'never'}: {text}"
                condition = Scalar(words, row.place)
                yield WatchedGuard(name, row.text, condition, None, 0, row.place)


def as_trial(discovery: Discovery, explorer: Explorer) -> dict[str, Plain]:
    """A discovery as a trial: every input forced, commands and set points given.

    It ends a scan after what it shows.
    """
    machine, inputs = explorer.machine, {one.name: one for one in explorer.inputs}
    rows: list[Plain] = []
    held = {one.name: one.initial for one in explorer.inputs if one.role is Role.INPUT}
    first = [c for c in discovery.changes if c.scan == 0 and c.name in held]
    held |= {change.name: change.value for change in first}
    if held:
        rows.append({"force": {n: _plain(v, inputs[n].kind) for n, v in held.items()}})
    now = 0
    for change in discovery.changes:
        if change in first:
            continue
        if change.scan > now:
            rows.append({"wait": _time((change.scan - now) * machine.scan_ns)})
            now = change.scan
        rows.append(_row(inputs[change.name], change.value))
    left = discovery.breach.scan - now + 2
    rows.append({"wait": _time(left * machine.scan_ns)})
    parts: dict[str, Plain] = {"text": f"Explored without a plant: {discovery.breach.text}"}
    guard = discovery.breach.guard
    if guard is not None and guard.name not in machine.guards:
        parts["throughout"] = [{"never": str(guard.condition.value), "text": discovery.breach.text}]
    return {**parts, "procedure": rows}


def _told(
    explorer: Explorer,
    seed: int,
    why: str,
    scans: int,
    states: int,
    discoveries: tuple[Discovery, ...],
) -> Exploration:
    names = tuple(guard.name for guard in explorer.guards)
    left_out = tuple(explorer.left_out)
    return Exploration(
        explorer.machine.name, seed, names, left_out, why, scans, states, discoveries
    )


def _row(one: Input, value: Value) -> dict[str, Plain]:
    if one.role is Role.INPUT:
        return {"force": {one.name: _plain(value, one.kind)}}
    if one.role is Role.COMMAND:
        return {"command" if value else "withdraw": one.name}
    return {"set": {one.name: _plain(value, one.kind)}}


def _plain(value: Value, kind: Kind) -> Plain:
    if kind is Kind.DURATION and isinstance(value, int):
        return _time(value)
    return shortest(value, kind)


def _time(time_ns: int) -> str:
    """A time in a unit in which it is a whole number."""
    for unit, size in (("s", 1_000_000_000), ("ms", 1_000_000), ("us", 1_000)):
        if time_ns % size == 0:
            return f"{time_ns // size} {unit}"
    return f"{time_ns} ns"
