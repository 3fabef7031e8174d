"""Every trial of the machine folders in virtual time and live: are the verdicts the same?

    python tests/trial/live_comparison.py [--speed X] [--only TRIAL] [FOLDER ...]

Live means our own field and controller over loopback TCP, as `softctl trial --live` has them.
All four folders are about twelve hours of machine time. A folder's table has the trials whose
verdicts are the same, those that were not run live (with why) and every verdict that differs.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import monotonic

from softctl.runtime.folder import configs_folder, load_folder
from softctl.runtime.live_trials import run_live
from softctl.runtime.loop import run_loop
from softctl.runtime.trials import load_trials
from softctl.trial.result import Result, Verdict
from softctl.trial.run import VirtualRunner

FASTEST_SCAN_NS = 5_000_000
"""A live scan gets at least this much wall time, unless a speed is asked for."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One trial's results on both clocks."""

    virtual: Result
    live: Result

    @property
    def name(self) -> str:
        return self.virtual.trial.name

    def differences(self) -> Iterator[tuple[Verdict | None, Verdict | None]]:
        """The verdicts that are not the same, in pairs."""
        if self.live.not_run:
            return
        for number in range(max(len(self.virtual.verdicts), len(self.live.verdicts))):
            one, other = _at(self.virtual.verdicts, number), _at(self.live.verdicts, number)
            if one is None or other is None or one.outcome is not other.outcome:
                yield one, other

    @property
    def is_same(self) -> bool:
        """Whether it was run live and every verdict is the same."""
        return not self.live.not_run and not any(True for _ in self.differences())


def _at(verdicts: Sequence[Verdict], number: int) -> Verdict | None:
    return verdicts[number] if number < len(verdicts) else None


def compare(folder: Path, names: Sequence[str] = (), speed: float | None = None) -> Iterator[Pair]:
    """The trials of a folder, or some of them, one after the other on both clocks."""
    found = load_trials(load_folder(folder))
    runner = VirtualRunner(found.around)
    speed = speed or found.around.machine.scan_ns / FASTEST_SCAN_NS
    for file, trial in found.choose(names):
        live = run_loop(run_live(found.around, file, trial, speed))
        yield Pair(runner.run(file, trial), live)


def show(pair: Pair) -> None:
    """One line for a trial, and one for each verdict that differs."""
    word = "same" if pair.is_same else "not run" if pair.live.not_run else "DIFFERENT"
    print(f"  {word:<10}{pair.name:<32}{pair.virtual.duration_ns / 1e9:>9.1f} s", flush=True)
    if pair.live.not_run:
        print(f"      {pair.live.not_run}")
    if pair.live.stopped != pair.virtual.stopped:
        print(f"      virtual: {pair.virtual.stopped or 'to its end'}")
        print(f"      live:    {pair.live.stopped or 'to its end'}")
    for one, other in pair.differences():
        for clock, verdict in (("virtual", one), ("live", other)):
            if verdict is not None:
                found = f"{verdict.outcome.value}: {verdict.found}"
                print(f"      {clock:<8} {verdict.place.line}: {verdict.expected} | {found}")


def main() -> int:
    """Print the table of each folder; 1 where a verdict differs."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", nargs="*", metavar="FOLDER")
    parser.add_argument("--speed", type=float)
    parser.add_argument("--only", action="append", default=[])
    options = parser.parse_args()
    different = 0
    for name in options.folders or sorted(p.name for p in configs_folder().iterdir()):
        print(name)
        began, counts = monotonic(), Counter[str]()
        for pair in compare(configs_folder() / name, options.only, options.speed):
            show(pair)
            counts["same" if pair.is_same else "not run" if pair.live.not_run else "different"] += 1
        told = ", ".join(f"{number} {what}" for what, number in counts.items())
        print(f"{name}: {told}; {monotonic() - began:.0f} s of wall time", flush=True)
        different += counts["different"]
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
