"""Scan time and punctuality of the demo, next to a bare loop of the same period.

    python tests/benchmarks/demo_scan.py [SECONDS]

Field and controller run in one process and meet over loopback TCP, as `softctl run` has
it. The peer is an asyncio loop that only sleeps until the same instants, so the ratio
shows what the scans cost in punctuality and not how good the machine's timers are.
"""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass, field

from softctl.control import Controller, ScanStatistics
from softctl.field import FieldDevice
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import demo_folder, load_folder


@dataclass
class Samples:
    """Microseconds of each scan: how late it began, and how long it took."""

    late: list[float] = field(default_factory=list)
    took: list[float] = field(default_factory=list)


class RecordingStatistics(ScanStatistics):
    """Scan figures that keep every sample."""

    __slots__ = ("samples",)

    def __init__(self) -> None:
        super().__init__()
        self.samples = Samples()

    def note(self, *, duration_ns: int, jitter_ns: int, overruns: int) -> None:
        super().note(duration_ns=duration_ns, jitter_ns=jitter_ns, overruns=overruns)
        self.samples.took.append(duration_ns / 1e3)
        self.samples.late.append(jitter_ns / 1e3)


async def demo(seconds: float) -> RecordingStatistics:
    """The demo for a while."""
    folder = load_folder(demo_folder())
    clock = MachineClock()
    controller = Controller(folder.machine, folder.application)
    statistics = controller.statistics = RecordingStatistics()
    plant = FieldService(FieldDevice(folder.machine, folder.build_plant()), clock)
    control = ControlService(controller, clock)
    at = await plant.start("127.0.0.1", 0)
    await control.start("127.0.0.1", 0, at)
    await asyncio.sleep(seconds)
    await control.close()
    await plant.close()
    return statistics


async def bare(seconds: float, period_ns: int) -> list[float]:
    """Microseconds of lateness of a loop that does nothing."""
    clock = MachineClock()
    late = []
    for index in range(1, int(seconds * 1e9 // period_ns)):
        await clock.sleep_until(index * period_ns)
        late.append((clock.now_ns() - index * period_ns) / 1e3)
    return late


def quantile(samples: list[float], share: float) -> float:
    """The sample below which `share` of all lie."""
    ordered = sorted(samples)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def measure(seconds: float) -> dict[str, float]:
    """Run both, one after the other in the same process, and return figures in microseconds."""
    period_ns = load_folder(demo_folder()).machine.scan_ns
    idle = asyncio.run(bare(seconds, period_ns))
    statistics = asyncio.run(demo(seconds))
    samples = statistics.samples
    return {
        "scans": statistics.scans,
        "overruns": statistics.overruns,
        "scan median": quantile(samples.took, 0.5),
        "scan 99 %": quantile(samples.took, 0.99),
        "late median": quantile(samples.late, 0.5),
        "late 99 %": quantile(samples.late, 0.99),
        "bare loop late median": quantile(idle, 0.5),
        "bare loop late 99 %": quantile(idle, 0.99),
    }


def main() -> None:
    """Print the figures and the ratios."""
    figures = measure(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
    for name, value in figures.items():
        print(f"{name:<24} {value:10.0f}")
    for share in ("median", "99 %"):
        ratio = figures[f"late {share}"] / figures[f"bare loop late {share}"]
        print(f"late {share}, demo against bare loop: {ratio:.2f}")


if __name__ == "__main__":
    main()
