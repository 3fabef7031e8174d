"""What an audit costs our server, in one run with the same server without it.

`python tests/benchmarks/audit_cost.py [SECONDS [ROUNDS]]` prints requests per second and
processor time per request under the C load generator, in turns, best of the rounds.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from modbus_peers import AUDITED, Result, compile_c, load, serving

SERVERS = ("ours", f"ours {AUDITED}")
LOADS = {"1 connection": (1, 1, 10), "32 connections": (32, 1, 10), "16 deep": (1, 16, 10)}

Best = dict[str, list[Result]]


def measure(directory: Path, seconds: float, rounds: int) -> Best:
    """For each load the best round of both servers, the plain one first."""
    best: Best = {}
    with ExitStack() as stack:
        running = [stack.enter_context(serving(name, directory, 1000)) for name in SERVERS]
        for name, numbers in LOADS.items():
            results: list[list[Result]] = [[], []]
            for _ in range(rounds):
                for index, server in enumerate(running):
                    results[index].append(load(directory, server, *numbers, seconds))
            best[name] = [max(one, key=lambda result: result.per_second) for one in results]
    return best


def table(best: Best) -> str:
    """Rates and processor times, and how much less and more they are with the audit."""
    lines = [
        f"{'load':18}{'req/s':>9}{'audited':>9}{'less':>8}{'cpu us':>9}{'audited':>9}{'more':>8}"
    ]
    for name, (plain, audited) in best.items():
        less = 1 - audited.per_second / plain.per_second
        before, after = (1e6 * one.server_cpu_s / one.replies for one in (plain, audited))
        lines.append(
            f"{name:18}{plain.per_second:9.0f}{audited.per_second:9.0f}{less:9.1%}"
            f"{before:9.2f}{after:9.2f}{after / before - 1:9.1%}"
        )
    return "\n".join(lines)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 0.5
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 8
    with tempfile.TemporaryDirectory() as directory:
        compile_c(Path(directory))
        print(table(measure(Path(directory), seconds, rounds)))


if __name__ == "__main__":
    main()
