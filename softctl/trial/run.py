"""Runs trials on the virtual bench."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from softctl.control import Happening, step_names
from softctl.errors import SoftctlError
from softctl.logic import Application, Evaluator, Instance
from softctl.machine import Machine
from softctl.plant import Fault, Plant, build_plant
from softctl.trial import model
from softctl.trial.bench import SOURCE, VirtualBench
from softctl.trial.coverage import Tracker
from softctl.trial.model import Action, Trial
from softctl.trial.names import Names, value_reader
from softctl.trial.parse import Surroundings, TrialFile, parameters_key, with_parameters
from softctl.trial.play import Flags, Player
from softctl.trial.result import Result
from softctl.trial.wording import event_text

Charts = list[tuple[str, Sequence[str]]]


class VirtualRunner:
    """Runs the trials of one machine, each on a bench of its own.

    A tracker, whose marks the application has, follows all of them.
    """

    def __init__(self, around: Surroundings, tracker: Tracker | None = None) -> None:
        self._around = around
        self._tracker = tracker
        self._plants: dict[str, tuple[Machine, Plant, Any]] = {}

    def running(self, application: Application) -> VirtualRunner:
        """A runner of another version of the programs, on the same plants."""
        other = VirtualRunner(replace(self._around, application=application))
        other._plants = self._plants
        return other

    def forget_plants(self, kept: int = 8) -> None:
        """Keep only the newest plants: drawn parameters make a new one for each run."""
        for key in list(self._plants)[:-kept]:
            del self._plants[key]

    def run(self, file: TrialFile, trial: Trial) -> Result:
        """Run one trial to its end; how it went is in the result, whatever happens."""
        bench = self.bench(trial)
        player = Player(trial, file.evaluator(trial), charts(self._around.application))
        play(player, bench, file.names, self._tracker)
        return player.result()

    def bench(self, trial: Trial) -> VirtualBench:
        """A fresh bench with what the trial has given."""
        machine, plant = self._fresh_plant(trial)
        bench = VirtualBench(machine, self._around.application, plant)
        for name, value in trial.settings.items():
            bench.put(name, value)
        return bench

    def _fresh_plant(self, trial: Trial) -> tuple[Machine, Plant]:
        """A plant in its initial state; compiled once for each set of parameters."""
        key = parameters_key(trial.equipment)
        kept = self._plants.get(key)
        if kept is None:
            machine = with_parameters(self._around.machine, trial.equipment)
            plant = build_plant(machine, self._around.blocks)
            kept = self._plants[key] = (machine, plant, plant.snapshot())
        machine, plant, start = kept
        plant.restore(start)
        return machine, plant


def charts(application: Application) -> Charts:
    """The charts of the programs, each with the names of its steps."""
    names = [chart.program for chart in application.charts]
    return [(name, step_names(application, name)) for name in names]


def flag_reader(instance: Instance, found: Charts) -> Callable[[], Flags]:
    """A function that reads which steps of the charts are active."""
    readers = [instance.reader([f"{chart}.{step}.X" for step in steps]) for chart, steps in found]
    if len(readers) == 1:
        read = readers[0]
        return lambda: (read(),)
    return lambda: tuple([read() for read in readers])


def play(player: Player, bench: VirtualBench, names: Names, tracker: Tracker | None = None) -> None:
    """Let a bench run until a trial is over; it begins with the first scan on a healthy link."""
    put_on(player, bench, names, tracker)
    while not player.is_over:
        bench.next_scan()
    if tracker is not None:
        tracker.take(bench)


def put_on(
    player: Player, bench: VirtualBench, names: Names, tracker: Tracker | None = None
) -> None:
    """Let a trial look at each scan of a bench, which somebody else lets run."""
    evaluator: Evaluator = player.evaluator
    read = value_reader(names, evaluator.names, bench.controller, bench.plant)
    flags = flag_reader(bench.controller.instance, charts(bench.controller.application))
    controller = bench.controller
    minds_faults = "PROGRAM_FAULT" not in evaluator.names

    track = None if tracker is None else tracker.follow(bench)
    has_begun = False

    def after_scan(now_ns: int) -> None:
        nonlocal has_begun
        if track is not None:
            track()
        has_begun = has_begun or controller.link_healthy
        if not has_begun:
            return
        for action in player.sample(now_ns, read(), flags()):
            try:
                carry_out(action, bench)
            except SoftctlError as error:
                player.stop(str(error))
        if controller.fault is not None and minds_faults:
            player.stop(f"the program stopped: {controller.fault}")

    def on_happening(happening: Happening) -> None:
        player.note(bench.now_ns, event_text(happening))
        if tracker is not None:
            tracker.hear(happening)

    bench.on_happening = on_happening
    bench.after_scan = after_scan


def carry_out(action: Action, bench: VirtualBench) -> None:
    """Do what a row says."""
    match action:
        case model.Write():
            for name, value in action.values.items():
                bench.put(name, value)
        case model.Break():
            bench.inject(at_plant_time(action, bench.plant.now_ns))
        case model.Mend():
            bench.mend(action.equipment, action.fault)
        case model.Force():
            for path, value in action.values.items():
                bench.force(path, value, action.for_ns, action.text or SOURCE)
        case model.Release():
            for path in action.names or ("",):
                bench.release(path)
        case model.Wire():
            bench.cut_wire(action.for_ns) if action.is_cut else bench.mend_wire()


def at_plant_time(action: model.Break, now_ns: int) -> Fault:
    """The fault with its time counted from the plant's start instead of from the row."""
    return replace(action.fault, at_ns=now_ns + action.fault.at_ns)
