"""The virtual bench itself."""

from __future__ import annotations

import pytest
from trial_texts import demo

from softctl.field import FieldDevice
from softctl.plant import build_plant
from softctl.trial.bench import VirtualBench

MS = 1_000_000


@pytest.fixture
def bench() -> VirtualBench:
    around = demo()
    return VirtualBench(around.machine, around.application, build_plant(around.machine))


def test_callbacks_come_in_order_of_time_and_of_giving(bench: VirtualBench) -> None:
    """Equal times keep the order in which they were given; the time is the callback's."""
    seen: list[tuple[str, int]] = []
    for name, time_ns in (("b", 20 * MS), ("a", 10 * MS), ("c", 20 * MS)):
        bench.at(time_ns, lambda name=name: seen.append((name, bench.now_ns)))
    bench.run_to(30 * MS)
    assert seen == [("a", 10 * MS), ("b", 20 * MS), ("c", 20 * MS)]
    assert bench.now_ns == 30 * MS
    assert bench.plant.now_ns == 30 * MS


def test_scans_are_on_the_grid(bench: VirtualBench) -> None:
    """One scan each period, whatever the steps in which time goes on."""
    times: list[int] = []
    bench.after_scan = times.append
    bench.run_to(130 * MS)
    bench.run_to(140 * MS)
    assert bench.next_scan() == 150 * MS
    assert times == [50 * MS, 100 * MS, 150 * MS]
    assert bench.controller.statistics.scans == 3


def test_advancing_is_the_same_as_stepping() -> None:
    """A field that is advanced over a scan ends where one that is stepped does, to the bit."""
    around = demo()
    stepped, advanced = (FieldDevice(around.machine, build_plant(around.machine)) for _ in range(2))
    for number in range(400):
        for device in (stepped, advanced):
            device.bank.bits(next(iter(t for t in _coils())))[0] = 60 < number < 300
        for _ in range(5):
            stepped.step()
        advanced.advance(advanced.plant.now_ns + 50 * MS)
    terminals = ["T_101.level", "P_101.running", "LT_101.signal"]
    assert stepped.plant.reader(terminals)() == advanced.plant.reader(terminals)()
    assert stepped.plant.read("T_101.level") > 0.07


def _coils() -> list[object]:
    from softctl.values.tables import Table

    return [Table.COILS]


def test_the_first_scan_has_no_link(bench: VirtualBench) -> None:
    """As in real time, a link is healthy after its first exchange."""
    bench.next_scan()
    assert bench.controller.values()["COMMS_ALARM"] is True
    bench.next_scan()
    assert bench.controller.values()["COMMS_ALARM"] is False


def test_two_benches_agree_to_the_bit() -> None:
    """Nothing but the machine file's seed draws by chance: two runs are the same."""
    around = demo()
    ends = []
    for _ in range(2):
        made = VirtualBench(around.machine, around.application, build_plant(around.machine))
        made.next_scan()
        made.give(["START"])
        made.run_to(60_000 * MS)
        ends.append((made.plant.snapshot().inner, made.controller.instance.snapshot()))
    assert ends[0] == ends[1]
