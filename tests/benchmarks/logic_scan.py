"""What a scan of compiled logic costs, next to closures over the same tree and to Python by hand.

    python tests/benchmarks/logic_scan.py

One program (see `logic_program.py`) runs as generated code, as one closure per node of the
typed tree (`tests/logic/closures.py`) and written by hand in Python; all three have to
agree in every value before anything is timed. A program ten times as large shows how cost
grows, and a text of 5,000 lines how fast the front end is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

sys.path.append(str(Path(__file__).parents[1] / "logic"))

from closures import ClosureMachine
from logic_program import Line, structured_text, watched

from softctl.logic import Application, Instance, Source, compile_application
from softctl.logic import application as application_module

STEP_NS = 50_000_000
SAMPLES = 9


def compiled(cells: int) -> Application:
    """The benchmark's program with so many cells."""
    return compile_application([Source("line.st", structured_text(cells))])


def check_agreement(application: Application, scans: int) -> None:
    """Raise AssertionError unless all three give the same values in each scan."""
    generated, closures, by_hand = application.instantiate(), ClosureMachine(application), Line()
    read = generated.reader(watched())
    for number in range(1, scans + 1):
        now = number * STEP_NS
        generated.scan(now)
        closures.scan(now)
        by_hand.scan(now)
        assert list(read()) == by_hand.values(), number
        assert generated.snapshot()[:2] == closures.snapshot(), number


def rate(runs: dict[str, Callable[[int], Any]], scans: int) -> dict[str, float]:
    """Microseconds per call of each, the best of some rounds that take turns."""
    best = dict.fromkeys(runs, float("inf"))
    now = dict.fromkeys(runs, 0)
    for _ in range(SAMPLES):
        for name, run in runs.items():
            start = perf_counter()
            for _ in range(scans):
                now[name] += STEP_NS
                run(now[name])
            best[name] = min(best[name], (perf_counter() - start) / scans * 1e6)
    return best


def phases(cells: int) -> dict[str, float]:
    """Milliseconds of processor time of a compilation: whole, and the part after checking."""
    best = {"whole": float("inf"), "generation and compilation": float("inf")}
    plain = application_module._Compiler._generate
    spent = [0.0]

    def timed(*arguments: Any) -> Application:
        start = process_time()
        made = plain(*arguments)
        spent[0] = process_time() - start
        return made

    application_module._Compiler._generate = timed  # type: ignore[method-assign]
    try:
        for _ in range(SAMPLES):
            start = process_time()
            compiled(cells)
            whole = process_time() - start
            best["whole"] = min(best["whole"], whole * 1e3)
            name = "generation and compilation"
            best[name] = min(best[name], spent[0] * 1e3)
    finally:
        application_module._Compiler._generate = plain  # type: ignore[method-assign]
    return best


def snapshots(instance: Instance, calls: int) -> dict[str, float]:
    """Microseconds to take a snapshot and to restore one."""
    state = instance.snapshot()
    return rate(
        {
            "snapshot": lambda now: instance.snapshot(),
            "restore": lambda now: instance.restore(state),
        },
        calls,
    )


def measure(scans: int) -> dict[str, float]:
    """Times and ratios; raises AssertionError if the three do not agree."""
    small, large = compiled(1), compiled(10)
    check_agreement(small, min(scans, 2_000))
    runs = {
        "generated": small.instantiate().scan,
        "closures": ClosureMachine(small, trusting=True).scan,
        "by hand": Line().scan,
    }
    figures = rate(runs, scans)
    ten = rate({"ten times": large.instantiate().scan}, max(scans // 10, 1))["ten times"]
    one_ms, ten_ms = phases(1), phases(10)
    lines = len(structured_text(10).splitlines())
    front_ms = ten_ms["whole"] - ten_ms["generation and compilation"]
    return {
        "statements executed a scan": ClosureMachine(small).count_statements(200, STEP_NS),
        "generated, us a scan": figures["generated"],
        "closures, us a scan": figures["closures"],
        "by hand, us a scan": figures["by hand"],
        "closures / generated (at least 8)": figures["closures"] / figures["generated"],
        "generated / by hand (at most 1.5)": figures["generated"] / figures["by hand"],
        "ten times the program, us a scan": ten,
        "ten times / one (at most 13)": ten / figures["generated"],
        "generation and compilation, ms": one_ms["generation and compilation"],
        "of ten times (below 100), ms": ten_ms["generation and compilation"],
        "reading 5,000 lines (below 600), ms": front_ms / lines * 5_000,
        **{f"{k}, us": v for k, v in snapshots(small.instantiate(), scans).items()},
    }


def main() -> None:
    """Print the figures."""
    for name, value in measure(1_000).items():
        print(f"{name:<38} {value:10.2f}")


if __name__ == "__main__":
    main()
