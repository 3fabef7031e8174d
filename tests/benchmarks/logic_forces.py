"""What forces cost: nothing while there are none, and how much while there are some.

    python tests/benchmarks/logic_forces.py

One program with a thousand block calls is scanned by three instances of one application in
turns: one that never had a force, one whose forces were all released, one with forced
variables. The figures are ratios of scan times against the first, from the same run.
"""

from __future__ import annotations

from statistics import median
from time import perf_counter

from softctl.logic import Instance, Source, compile_application

_BLOCK = """
FUNCTION_BLOCK Cell
VAR_INPUT on : BOOL; gain : LREAL; END_VAR
VAR_OUTPUT level : LREAL; full : BOOL; END_VAR
VAR n : DINT; END_VAR
IF on THEN
    n := n + 1;
    level := level + gain * 0.5;
    full := level > 100.0;
    IF full THEN level := 0.0; END_IF;
END_IF;
END_FUNCTION_BLOCK
"""


def program(cells: int) -> str:
    """A program that calls so many blocks."""
    names = [f"c{i}" for i in range(cells)]
    calls = "\n".join(f"{name}(on := NOT stop, gain := 1.5);" for name in names)
    variables = f"VAR {', '.join(names)} : Cell; stop : BOOL; END_VAR"
    return f"{_BLOCK} PROGRAM P {variables}\n{calls}\nEND_PROGRAM"


def _time(instance: Instance, scans: int) -> float:
    scan = instance.scan
    start = perf_counter()
    for now_ns in range(scans):
        scan(now_ns)
    return perf_counter() - start


def measure(cells: int, scans: int, rounds: int) -> dict[str, float]:
    """Medians of so many rounds' ratios: a busy machine slows all three of a round alike."""
    application = compile_application([Source("cells.st", program(cells))])
    never, released, forced = (application.instantiate() for _ in range(3))
    paths = [f"P.c{i}.gain" for i in range(0, cells, 10)]
    for instance in (released, forced):
        for path in paths:
            instance.force(path, 2.0)
    released.release_all()
    taken = [
        [_time(instance, scans) for instance in (never, released, forced)] for _ in range(rounds)
    ]
    return {
        "scan of the unforced program, us": min(row[0] for row in taken) / scans * 1e6,
        "forces released, against never forced": median(row[1] / row[0] for row in taken),
        f"{len(paths)} of {cells} blocks forced, against never forced": median(
            row[2] / row[0] for row in taken
        ),
    }


def main() -> None:
    """Print the figures."""
    for name, value in measure(1000, 5, 300).items():
        print(f"{name:<52} {value:10.2f}")


if __name__ == "__main__":
    main()
