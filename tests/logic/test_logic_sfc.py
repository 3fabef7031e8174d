"""Charts against IEC 60848's evolution rules and IEC 61131-3's action qualifiers."""

from __future__ import annotations

CHART = """PROGRAM P
    VAR go, out : BOOL; END_VAR
    INITIAL_STEP Off: END_STEP
    STEP On: act(N); END_STEP
    TRANSITION FROM Off TO On := go; END_TRANSITION
    TRANSITION FROM On TO Off := NOT go; END_TRANSITION
    ACTION act: out := act.Q; END_ACTION
    END_PROGRAM"""


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


def test_charts_are_described_for_documents(bench):
    """Steps and transitions come in order of the text, with conditions as written."""
    chart = bench(CHART).application.charts[0]
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


def test_alternatives_whose_conditions_may_fail_are_judged_by_priority(bench):
    """The first true one excludes the other, and what an inactive step waits for is not asked."""
    made = bench(
        """PROGRAM P VAR n : INT := 3; zero : INT; END_VAR
        INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        TRANSITION (PRIORITY := 2) FROM A TO B := 6 / n = 2; END_TRANSITION
        TRANSITION (PRIORITY := 1) FROM A TO C := 9 / n = 3; END_TRANSITION
        TRANSITION FROM B TO D := 6 / zero = 2; END_TRANSITION
        TRANSITION FROM C TO D := n = 0; END_TRANSITION
        END_PROGRAM"""
    )
    for at in (0, 10, 20):
        made.scan(at)
    assert made.instance.active_steps("P") == ("C",)
