"""The benches for tests in Python."""

from __future__ import annotations

import pytest

from softctl.errors import SoftctlError
from softctl.testing import Bench, LiveBench, NotMetError


@pytest.fixture
def bench() -> Bench:
    return Bench(equipment={"T_101": {"initial_level": "1.0 m"}}, set={"STIR_TIME": "10 s"})


def test_a_batch_in_python(bench: Bench) -> None:
    """Commands, waiting, values, steps and watches follow one batch to its count."""
    bench.never("XV_101 AND (P_101 OR P_102)")
    bench.expect("Feed.Idle AND NOT RUNNING")
    bench.command("START")
    bench.expect("P_101.running AND P_102.running", within="5 s")
    begun = bench.run_until("Feed.Stirring", within="3 min")
    bench.set(STIR_TIME="20 s")
    ended = bench.run_until("NOT Feed.Stirring", within=30)
    assert ended - begun == pytest.approx(20, abs=0.11)
    bench.sequence(["Coasting", "Discharging", "Counting", "Closing"], within="5 min")
    assert bench["BATCHES"] == 1
    assert bench["T_101.level"] == pytest.approx(0.27, abs=0.02)
    assert bench.steps("Feed") == ("Closing",)
    bench.compare("LT_101", "T_101.level", band="10 mm", within="5 s")


def test_what_is_not_met_is_an_assertion(bench: Bench) -> None:
    """The text says what was expected, what was found, and the values before."""
    bench.run_for("12 s")
    with pytest.raises(NotMetError) as caught:
        bench.expect("T_101.level > 1.2", within="3 s")
    assert isinstance(caught.value, AssertionError)
    text = str(caught.value)
    assert "expected T_101.level > 1.2 within 3 s" in text
    assert "found false until" in text
    assert "the last 10 s of T_101.level:" in text


def test_a_broken_watch_is_told_by_the_call_that_met_it(bench: Bench) -> None:
    """It is told once, and later calls go on."""
    bench.never("P_101.running")
    bench.command("START")
    with pytest.raises(NotMetError, match=r"never P_101\.running"):
        bench.run_for(5)
    bench.run_for(1.0)
    assert bench["P_101.running"] is True


def test_faults_and_forces(bench: Bench) -> None:
    """Both act from the next scan on and end at their times or by a call."""
    assert bench["LSL_101"] is True
    bench.fault("LSL_101 broken wire", for_="2 s")
    bench.expect("NOT LSL_101")
    bench.run_for("2 s")
    bench.expect("LSL_101", within="100 ms")
    bench.fault("LSL_101 stuck")
    bench.mend("LSL_101")
    bench.force({"LSL_101": False}, for_=1)
    bench.expect("NOT LSL_101", for_=0.9)
    bench.expect("LSL_101", within="200 ms")
    bench.force({"LSL_101": False})
    bench.release()
    bench.expect("LSL_101")
    bench.cut_wire(for_="1 s")
    bench.expect("COMMS_ALARM", within="600 ms")
    bench.mend_wire()
    bench.expect("NOT COMMS_ALARM", within="100 ms")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda b: b.command("STRAT"), "did you mean START?"),
        (lambda b: b.fault("LSH_101 stuk"), "did you mean stuck?"),
        (lambda b: b.set(STIR_TIME="2 s"), "5 s to 900 s"),
        (lambda b: b.expect("LSH_1O1"), "did you mean LSH_101?"),
        (lambda b: b.run_until("LSH_101", within="soon"), "a time such as"),
        (lambda b: b["T_101.levle"], "levle"),
        (lambda b: Bench(equipment={"T_101": {"initial_level": "9 m"}}), "1.43 m"),
        (lambda b: Bench("/nowhere"), "machine.yaml"),
    ],
)
def test_orders_that_cannot_be_are_told(bench: Bench, call: object, words: str) -> None:
    """The words are those of a trial file's errors, names that were meant included."""
    assert callable(call)
    with pytest.raises(SoftctlError, match="expected") as caught:
        call(bench)
    hint = getattr(caught.value, "hint", "")
    assert words in str(caught.value) + hint


@pytest.mark.network
async def test_a_live_bench_takes_the_same_words() -> None:
    """A start, a fault, a set point and a stop over Modbus/TCP."""
    async with LiveBench(equipment={"T_101": {"initial_level": "1.0 m"}}, speed=10) as bench:
        await bench.set(STIR_TIME="5 s")
        await bench.command("START")
        await bench.expect("P_101.running AND Feed.Feeding", within="5 s")
        await bench.fault("LSH_101 broken wire")
        await bench.expect("NOT P_101", within="500 ms")
        await bench.sequence(["Stirring", "Coasting", "Discharging"], within="20 s")
        await bench.command("STOP")
        await bench.expect("NOT RUNNING")
        assert await bench.value("STIR_TIME") == 5_000_000_000
        assert await bench.value("Feed.Idle") is True
        assert 5 < bench.now < 60
        with pytest.raises(NotMetError, match="BATCHES = 0"):
            await bench.expect("BATCHES = 9", within="1 s")
        await bench.expect("Feed.Idle.T > T#1s", within="5 s")
