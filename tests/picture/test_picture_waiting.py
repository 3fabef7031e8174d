"""What a chart waits for is what its own scan finds, term by term, all through a trial."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from random import Random
from typing import Any

import pytest
from virtual import VirtualMachine

from softctl.errors import SoftctlError
from softctl.logic import Chart, Global, Instance, Source, compile_application, tree
from softctl.picture import Terms
from softctl.picture.chart_net import ranked
from softctl.runtime.folder import compile_programs, configs_folder, load_folder

# A function that notes what goes through it: 1 for FALSE, 2 for TRUE.
PROBE = Source(
    "probe.st",
    """
VAR_GLOBAL probed : ARRAY[0..999] OF SINT; END_VAR
FUNCTION probe : BOOL
VAR_INPUT number : INT; passed : BOOL; END_VAR
VAR_EXTERNAL probed : ARRAY[0..999] OF SINT; END_VAR
probed[number] := 1;
IF passed THEN probed[number] := 2; END_IF;
probe := passed;
END_FUNCTION
""",
)
FOLDERS = ("glasshouse_feed", "wash_skid", "crate_sorter")


class Probes:
    """Puts a probe around each term of each transition, and a mark on the transition."""

    def __init__(self) -> None:
        self.places: dict[str, int] = {}
        self.marks: dict[str, str] = {}

    def __call__(self, units: Sequence[tree.Unit]) -> Iterator[Global]:
        pous = [pou for unit in units for pou in unit.pous if pou.network]
        for pou in pous:
            assert pou.network is not None
            for number, transition in enumerate(pou.network.transitions):
                count = iter(range(99))
                wrap = self._wrapper(f"{pou.name}.{number}", count)
                transition.condition = wrapped(transition.condition, wrap)
                name = f"__FIRED_{pou.name}_{number}"
                transition.mark = self.marks[f"{pou.name}.{number}"] = name
        return (Global(name, "BOOL", writable=True) for name in self.marks.values())

    def _wrapper(
        self, transition: str, count: Iterator[int]
    ) -> Callable[[tree.Expression], tree.Expression]:
        def wrap(node: tree.Expression) -> tree.Expression:
            at, place = node.at, len(self.places)
            self.places[f"term:{transition}.{next(count)}"] = place
            number = tree.Argument(at, "", tree.Literal(at, "", place), False, False)
            return tree.Call(
                at, tree.Name(at, "probe"), [number, tree.Argument(at, "", node, False, False)]
            )

        return wrap


def wrapped(
    node: tree.Expression, wrap: Callable[[tree.Expression], tree.Expression]
) -> tree.Expression:
    """The same condition with something around each operand of AND and OR."""
    if isinstance(node, tree.Binary) and node.operator in ("AND", "OR"):
        return replace(node, left=wrapped(node.left, wrap), right=wrapped(node.right, wrap))
    return wrap(node)


class Witness:
    """Compares what is told just before a program runs with what its run then finds."""

    def __init__(self, instance: Instance, application: Any, probes: Probes) -> None:
        self.instance, self.probes = instance, probes
        self.terms = Terms(application, instance)
        self.charts = {chart.program.upper(): chart for chart in application.charts}
        self.compared: Counter[str] = Counter()
        self.fired: Counter[str] = Counter()
        names = list(instance._programs)
        instance._runs = [
            self.watch(name, run) if name in self.charts else run
            for name, run in zip(names, instance._runs, strict=True)
        ]

    def watch(self, name: str, run: Callable[[Any], None]) -> Callable[[Any], None]:
        """The program's run, with a look before and a comparison after."""
        chart, instance, program = self.charts[name], self.instance, self.charts[name].program
        marks = [self.probes.marks[f"{program}.{i}"] for i in range(len(chart.transitions))]
        clear = instance.writer(marks)
        read_marks = instance.reader(marks)
        probed = instance.reader(["probed"])
        is_first = True

        def watched(state: Any) -> None:
            nonlocal is_first
            clear([False] * len(marks))
            cells = probed()[0]
            cells[:] = [0] * len(cells)
            active = set(instance.active_steps(program))
            for step in active:
                # The scan brings T up to date before it judges, so T comes first here too.
                since = instance.read(f"{program}.{step}.__SINCE")
                instance.write(f"{program}.{step}.T", int(state.h__NOW - since))
            told = self.terms.look()
            run(state)
            if not is_first:
                self.compare(program, told, active, read_marks(), cells)
            is_first = False

        return watched

    def compare(
        self, program: str, told: dict[str, bool | None], active: set[str], marks: Any, cells: Any
    ) -> None:
        """Each term that was judged, and which transitions were cleared."""
        chart = self.charts[program.upper()]
        gone: set[str] = set()
        for number in ranked(chart.transitions):
            transition = chart.transitions[number]
            sources = set(transition.sources)
            is_enabled = sources <= active
            assert (f"ready:{program}.{number}" in told) == bool(sources & active)
            if is_enabled:
                ready = told[f"ready:{program}.{number}"]
                assert ready is not None
                expected = ready and not sources & gone
                assert marks[number] == expected, (program, number, told)
                self.compared[f"{program}.{number}"] += 1
                if marks[number]:
                    self.fired[f"{program}.{number}"] += 1
                    gone |= sources
        for channel, place in self.probes.places.items():
            if cells[place] and channel.startswith(f"term:{program}.") and channel in told:
                assert told[channel] == (cells[place] == 2), (channel, told)
                self.compared[channel] += 1


def probed(name: str) -> tuple[Any, Any, Probes]:
    """A folder's machine with its programs, probed."""
    folder = load_folder(configs_folder() / name)
    probes = Probes()
    application = compile_programs(folder.machine, [PROBE, *folder.programs], revise=probes)
    return folder, application, probes


@pytest.mark.parametrize("name", FOLDERS)
def test_terms_are_what_a_random_walk_finds(name: str) -> None:
    """In situations drawn at random, every judged term and transition is as it was told."""
    _, application, probes = probed(name)
    instance = application.instantiate()
    witness = Witness(instance, application, probes)
    assert witness.terms.why == {}
    random, now_ns = Random(4), 0
    steps = [f"{c.program}.{s.name}.X" for c in application.charts for s in c.steps]
    drawn = sorted({path for c in application.charts for path in named(instance, c)})
    for _ in range(800):
        now_ns += random.choice((10**8, 10**9, 10**11))
        for path in drawn:
            if random.random() < 0.3:
                instance.write(path, other(random, instance.read(path)))
        if random.random() < 0.3:
            instance.write(random.choice(steps), random.random() < 0.6)
        instance.scan(now_ns)
    transitions = sum(len(chart.transitions) for chart in application.charts)
    assert len(witness.fired) > 0.5 * transitions
    # What an earlier term of an AND decides, the scan does not judge.
    assert sum(channel in witness.compared for channel in probes.places) > 0.6 * len(probes.places)


def named(instance: Instance, chart: Chart) -> Iterator[str]:
    """The variables that a chart's conditions name and that may be set."""
    for word in {
        word for one in chart.transitions for word in re.findall(r"[A-Za-z_]\w*", one.text)
    }:
        for path in (f"{chart.program}.{word}.Q", f"{chart.program}.{word}", word):
            try:
                value = instance.read(path)
                instance.write(path, value)
            except (SoftctlError, AttributeError):
                continue
            if isinstance(value, bool | int | float):
                yield path
            break


def other(random: Random, value: bool | int | float) -> bool | int | float:
    """A value of the same kind, often one that a comparison turns on."""
    if isinstance(value, bool):
        return random.random() < 0.6
    return random.choice((0.0, 1.0, 20.0, 90.0) if isinstance(value, float) else (0, 1, 3))


@pytest.mark.parametrize("name", FOLDERS)
def test_terms_are_what_the_scans_on_a_bench_find(name: str) -> None:
    """The same with plant and controller, over the first scans after START."""
    folder, application, probes = probed(name)
    bench = VirtualMachine(replace(folder, application=application))
    witness = Witness(bench.controller.instance, application, probes)
    for number in range(120):
        bench.scan()
        if number == 5:
            bench.command("START")
    assert witness.fired
    assert sum(witness.compared.values()) > 120


def test_a_look_changes_nothing() -> None:
    """Looking calls no block and moves no edge: the program goes on as if nobody had looked."""
    _, application, _ = probed("wash_skid")
    watched, alone = application.instantiate(), application.instantiate()
    terms = Terms(application, watched)
    for number in range(20):
        for instance in (watched, alone):
            instance.write("START", number == 2)
            instance.scan(number * 10**8)
        terms.look()
        assert watched.snapshot() == alone.snapshot()


CHART = """
FUNCTION doubled : INT
VAR_INPUT x : INT; END_VAR
doubled := 2 * x;
END_FUNCTION
TYPE Colour : (Red, Green); END_TYPE
VAR_GLOBAL CONSTANT most : INT := 3; END_VAR
PROGRAM Chart
VAR CONSTANT least : INT := 2; END_VAR
VAR
  n : INT; row : ARRAY[1..3] OF BOOL; i : INT := 2; paint : Colour := Green;
  clock : TON; d : INT;
END_VAR
INITIAL_STEP One: END_STEP
STEP Two: END_STEP
TRANSITION FROM One TO Two := {condition}; END_TRANSITION
TRANSITION FROM Two TO One := TRUE; END_TRANSITION
END_PROGRAM
"""


def told(condition: str) -> tuple[dict[str, bool | None], dict[str, str]]:
    """What is told of a condition before the second scan, and what is not told and why."""
    application = compile_application([Source("chart.st", CHART.format(condition=condition))])
    instance = application.instantiate()
    terms = Terms(application, instance)
    instance.scan(0)
    return terms.look(), terms.why


@pytest.mark.parametrize(
    ("condition", "terms", "ready"),
    [
        ("n = 0 AND NOT row[2]", [True, True], True),
        ("n < least AND doubled(n) > most", [True, False], False),
        ("n > 0 OR paint = Green AND NOT clock.Q", [False, True, True], True),
        ("NOT (n > 0 OR row[1])", [True], True),
        ("One.T >= T#1s", [False], False),
        # 1 / 0 has no value, but the other term decides.
        ("d <> 0 AND 10 / d > 1", [False, None], False),
        ("n = 0 OR 10 / d > 1", [True, None], True),
        ("n = 0 AND 10 / d > 1", [True, None], None),
    ],
)
def test_conditions_are_split_and_judged(
    condition: str, terms: list[bool | None], ready: bool | None
) -> None:
    """Comparisons, calls, constants, enumerations, times: each operand of AND and OR is a term."""
    found, why = told(condition)
    assert [found[f"term:Chart.0.{i}"] for i in range(len(terms))] == terms
    assert found["ready:Chart.0"] == ready
    assert len(found) == len(terms) + 1
    assert why == {}


def test_what_cannot_be_told_has_a_reason() -> None:
    """An element whose index is a variable is left open, with why; the rest is told."""
    found, why = told("row[i] AND n = 0")
    assert found == {"term:Chart.0.0": None, "term:Chart.0.1": True, "ready:Chart.0": None}
    assert list(why) == ["term:Chart.0.0"]
    assert "plain number" in why["term:Chart.0.0"]
