"""How much faster two processes do a campaign's runs than one.

    python tests/benchmarks/campaign_scaling.py [RUNS]

The demo's campaign, the same runs with one worker and with two; what both find is compared
too. The peer of the second process is the first: the ratio says what starting it and sharing
the runs out costs. It means something only on a computer with two free processors.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import perf_counter

from softctl.runtime.campaigns import find_campaigns, run_campaign
from softctl.runtime.folder import demo_folder


def measure(folder: Path, runs: int) -> dict[str, float]:
    """Wall seconds of both, and their ratio."""
    (where,) = find_campaigns(folder, ())
    taken = {}
    found = {}
    for workers in (1, 2):
        begin = perf_counter()
        outcome = run_campaign(
            folder, where, runs=runs, seed=1, workers=workers, on_run=lambda _: None
        )
        taken[workers] = perf_counter() - begin
        found[workers] = outcome.findings
    assert found[1] == found[2], "what is found must not depend on the workers"
    return {
        "one worker, s": taken[1],
        "two workers, s": taken[2],
        "one against two": taken[1] / taken[2],
    }


def main() -> None:
    """Print the figures."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for name, value in measure(demo_folder(), runs).items():
        print(f"{name:<24} {value:10.2f}")


if __name__ == "__main__":
    main()
