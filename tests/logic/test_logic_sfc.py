"""Charts against IEC 60848's evolution rules and IEC 61131-3's action qualifiers."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import Source, compile_application

PERIODS = (1, 10, 50)


def _chart(qualifier: str, name: str = "act") -> str:
    return f"""PROGRAM P
    VAR go, out : BOOL; runs, finals : DINT; END_VAR
    INITIAL_STEP Off: END_STEP
    STEP On: {name}({qualifier}); END_STEP
    TRANSITION FROM Off TO On := go; END_TRANSITION
    TRANSITION FROM On TO Off := NOT go; END_TRANSITION
    {
        "ACTION act: out := act.Q; runs := runs + 1; IF NOT act.Q THEN finals := finals + 1;"
        " END_IF; END_ACTION"
        if name == "act"
        else ""
    }
    END_PROGRAM"""


QUALIFIERS = {  # IEC 61131-3 action control block, derived from memory; T = 500 ms
    "N": ([(100, 800)], [(100, 300)]),
    "L, T#500ms": ([(100, 600)], [(100, 300)]),
    "D, T#500ms": ([(600, 800)], []),
    "SL, T#500ms": ([(100, 600)], [(100, 600)]),
    "SD, T#500ms": ([(600, 9999)], [(600, 9999)]),
    "DS, T#500ms": ([(600, 9999)], []),
    "S": ([(100, 9999)], [(100, 9999)]),
    "P": (["pulse", 100], ["pulse", 100]),
    "P1": (["pulse", 100], ["pulse", 100]),
    "P0": (["pulse", 800], ["pulse", 300]),
}


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("long", [True, False])
@pytest.mark.parametrize("qualifier", list(QUALIFIERS))
def test_qualifiers_hold_a_variable_as_the_control_block_does(bench, qualifier, long, period):
    """A step active 100–800 ms or 100–300 ms drives a BOOL action as tabulated."""
    made = bench(_chart(qualifier, "out"))
    expected = QUALIFIERS[qualifier][0 if long else 1]
    last = 800 if long else 300
    write, read = made.instance.writer(["P.go"]), made.instance.reader(["P.out"])
    for at in range(0, 1200, period):
        write([100 <= at < last])
        made.scan(at)
        if expected and expected[0] == "pulse":
            wanted = at == expected[1]
        else:
            wanted = any(low <= at < high for low, high in expected)
        assert read()[0] is wanted, at


@pytest.mark.parametrize("period", PERIODS)
def test_an_action_runs_once_more_after_its_step(bench, period):
    """The final scan runs the action with Q false, exactly once (IEC 61131-3, A of the block)."""
    made = bench(_chart("N"))
    for at in range(0, 1200, period):
        made["P.go"] = 100 <= at < 300
        made.scan(at)
    assert (made["P.runs"], made["P.finals"], made["P.out"]) == (200 // period + 1, 1, False)


@pytest.mark.parametrize("qualifier", ["P", "P1", "P0"])
def test_pulsed_actions_run_exactly_once(bench, qualifier):
    """Pulses have no final scan: counting in them counts activations."""
    made = bench(_chart(qualifier))
    for at in range(0, 1200, 10):
        made["P.go"] = 100 <= at < 300 or 500 <= at < 600
        made.scan(at)
    assert (made["P.runs"], made["P.finals"]) == (2, 0)


def test_reset_overrides_every_other_qualifier(bench):
    """R ends a stored action and holds off one that another step asks for."""
    made = bench(
        """PROGRAM P VAR n : DINT; out, other : BOOL; END_VAR
        INITIAL_STEP A: out(S); END_STEP
        STEP B: out(R); out(N); END_STEP
        STEP C: END_STEP
        TRANSITION FROM A TO B := A.T >= T#100ms; END_TRANSITION
        TRANSITION FROM B TO C := B.T >= T#100ms; END_TRANSITION
        END_PROGRAM"""
    )
    seen = {}
    for at in range(0, 400, 50):
        made.scan(at)
        seen[at] = made["P.out"]
    assert seen == {0: True, 50: True, **dict.fromkeys(range(100, 400, 50), False)}


def test_the_initial_step_runs_its_actions_in_the_first_scan(bench):
    """Rule 1: even with its transition true from the start, the initial step is seen once."""
    made = bench(
        """PROGRAM P VAR n : INT; END_VAR
        INITIAL_STEP A: count(P1); END_STEP STEP B: END_STEP
        TRANSITION FROM A TO B := TRUE; END_TRANSITION
        ACTION count: n := n + 1; END_ACTION END_PROGRAM"""
    )
    assert made.instance.active_steps("P") == ("A",)
    made.scan(0)
    assert (made["P.n"], made.instance.active_steps("p")) == (1, ("A",))
    made.scan(10)
    assert (made["P.n"], made["P.A.X"], made.instance.active_steps("P")) == (1, False, ("B",))


def test_one_transition_at_a_time_in_a_row(bench):
    """Rule 2: conditions are judged on the situation at the start of the scan."""
    made = bench(
        """PROGRAM P VAR END_VAR INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := TRUE; END_TRANSITION
        TRANSITION FROM B TO C := TRUE; END_TRANSITION END_PROGRAM"""
    )
    seen = []
    for at in range(4):
        made.scan(at)
        seen += made.instance.active_steps("P")
    assert seen == ["A", "B", "C", "C"]


@pytest.mark.parametrize(
    ("priorities", "target"), [(("", ""), "B"), (("(PRIORITY := 2)", "(PRIORITY := 1)"), "C")]
)
def test_alternatives_are_tried_in_order(bench, priorities, target):
    """Left to right, unless priorities are given (IEC 61131-3 table 57)."""
    made = bench(
        f"""PROGRAM P VAR END_VAR INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION {priorities[0]} FROM A TO B := TRUE; END_TRANSITION
        TRANSITION {priorities[1]} FROM A TO C := TRUE; END_TRANSITION END_PROGRAM"""
    )
    made.scan(0)
    made.scan(1)
    assert made.instance.active_steps("P") == (target,)


def test_step_time_counts_and_freezes(bench):
    """X tells whether a step is active; T runs while it is and keeps its last value."""
    made = bench(_chart("N"))
    for at, on in [(0, 0), (50, 1), (80, 1), (100, 0), (150, 0)]:
        made["P.go"] = bool(on)
        made.scan(at)
    assert made["P.On.T"] == 50 * 1_000_000
    assert made["P.Off.T"] == 50 * 1_000_000
    assert (made["P.On.X"], made["P.Off.X"]) == (False, True)


def test_charts_are_described_for_documents(bench):
    """Steps and transitions come in order of the text, with conditions as written."""
    chart = bench(_chart("N")).application.charts[0]
    assert chart.program == "P"
    assert [(step.name, step.initial) for step in chart.steps] == [("Off", True), ("On", False)]
    assert [(t.sources, t.targets, t.text) for t in chart.transitions] == [
        (("Off",), ("On",), "go"),
        (("On",), ("Off",), "NOT go"),
    ]


def test_a_chart_can_be_the_body_of_a_block(bench):
    """Every instance has its own situation."""
    made = bench(
        """FUNCTION_BLOCK Lamp VAR_INPUT go : BOOL; END_VAR VAR_OUTPUT lit : BOOL; END_VAR
        INITIAL_STEP Dark: END_STEP STEP Bright: lit(N); END_STEP
        TRANSITION FROM Dark TO Bright := go; END_TRANSITION
        TRANSITION FROM Bright TO Dark := NOT go; END_TRANSITION END_FUNCTION_BLOCK
        PROGRAM P VAR a, b : Lamp; END_VAR a(go := TRUE); b(go := FALSE); END_PROGRAM"""
    )
    made.scan(0)
    made.scan(1)
    assert (made["P.a.lit"], made["P.b.lit"], made["P.a.Bright.X"]) == (True, False, True)


@st.composite
def _graphs(draw):
    count = draw(st.integers(2, 6))
    steps = st.lists(st.integers(0, count - 1), min_size=1, max_size=3, unique=True)
    transitions = draw(st.lists(st.tuples(steps, steps, st.integers(0, 3)), min_size=1, max_size=7))
    initial = draw(st.lists(st.integers(0, count - 1), min_size=1, max_size=2, unique=True))
    inputs = draw(st.lists(st.tuples(*[st.booleans()] * 4), min_size=3, max_size=8))
    return count, transitions, initial, inputs


@settings(max_examples=80, deadline=None)
@given(_graphs())
def test_random_charts_evolve_as_a_naive_reading_of_the_rules(graph):
    """Any graph of steps and transitions follows rules 1 to 5, read naively."""
    count, transitions, initial, inputs = graph
    instance = compile_application([Source("g.st", _text(graph))]).instantiate()
    active = set(initial)
    write = instance.writer([f"P.c{i}" for i in range(4)])
    for number, conditions in enumerate(inputs):
        write(conditions)
        instance.scan(number)
        if number:
            active = _evolve(active, transitions, conditions)
        expected = tuple(f"S{i}" for i in range(count) if i in active)
        assert instance.active_steps("P") == expected


def _text(graph) -> str:
    count, transitions, initial, _ = graph
    steps = " ".join(
        f"{'INITIAL_STEP' if i in initial else 'STEP'} S{i}: END_STEP" for i in range(count)
    )
    lines = [
        f"TRANSITION FROM ({', '.join(f'S{i}' for i in sources)})"
        f" TO ({', '.join(f'S{i}' for i in targets)}) := c{condition}; END_TRANSITION"
        for sources, targets, condition in transitions
    ]
    return f"PROGRAM P VAR c0, c1, c2, c3 : BOOL; END_VAR {steps} {' '.join(lines)} END_PROGRAM"


def _evolve(active, transitions, conditions):
    cleared = []
    for sources, targets, condition in transitions:
        free = all(not set(sources) & set(other) for other, _ in cleared)
        if set(sources) <= active and conditions[condition] and free:
            cleared.append((sources, targets))
    off = {step for sources, _ in cleared for step in sources}
    on = {step for _, targets in cleared for step in targets}
    return (active - off) | on
