"""The published rules of sequential function charts, at scan periods of 1, 10 and 50 ms.

IEC 60848: the five rules of evolution. IEC 61131-3 (third edition): tables 54 to 58 for steps,
transitions and their combinations; table 59 for action qualifiers, with times derived from
the standard's ACTION_CONTROL block (from memory). As for timers, a step is active from the
scan in which it was activated, so where edges and times are whole numbers of periods the
values hold exactly; any other time is rounded up to the grid.
"""

from __future__ import annotations

import pytest

MS = 1_000_000
PERIODS = (1, 10, 50)

# Action qualifiers

QUALIFIED = """PROGRAM P
VAR go, out : BOOL; END_VAR
INITIAL_STEP Off: END_STEP
STEP On: out({}); END_STEP
STEP Rest: END_STEP
STEP Clear: out(R); out(N); END_STEP
STEP Quiet: END_STEP
TRANSITION FROM Off TO On := go; END_TRANSITION
TRANSITION FROM On TO Rest := NOT go; END_TRANSITION
TRANSITION FROM Rest TO Clear := Rest.T >= T#{}ms; END_TRANSITION
TRANSITION FROM Clear TO Quiet := Clear.T >= T#100ms; END_TRANSITION
END_PROGRAM"""
R_AT = 1000
QUALIFIERS = {  # T = 500 ms; the step is active 100–800 / 100–300; R from 1000 on
    "N": ([(100, 800)], [(100, 300)]),
    "": ([(100, 800)], [(100, 300)]),  # no qualifier means N
    "L, T#500ms": ([(100, 600)], [(100, 300)]),
    "D, T#500ms": ([(600, 800)], []),
    "SL, T#500ms": ([(100, 600)], [(100, 600)]),
    "SD, T#500ms": ([(600, R_AT)], [(600, R_AT)]),
    "DS, T#500ms": ([(600, R_AT)], []),
    "S": ([(100, R_AT)], [(100, R_AT)]),
    "P": ("pulse", 100, 100),
    "P1": ("pulse", 100, 100),
    "P0": ("pulse", 800, 300),
}


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("last", [800, 300])
@pytest.mark.parametrize("qualifier", list(QUALIFIERS))
def test_qualifiers_hold_an_action_as_tabulated(bench, qualifier, last, period):
    """A BOOL action is true in exactly the tabulated scans; R ends whatever was stored."""
    text = QUALIFIED.format(qualifier, R_AT - last)
    made = bench(text if qualifier else text.replace("out()", "out"))
    row = QUALIFIERS[qualifier]
    write, read = made.instance.writer(["P.go"]), made.instance.reader(["P.out"])
    for at in range(0, 1300, period):
        write([100 <= at < last])
        made.scan(at)
        if row[0] == "pulse":
            wanted = at == row[1 if last == 800 else 2]
        else:
            wanted = any(low <= at < high for low, high in row[0 if last == 800 else 1])
        assert read()[0] is wanted, at


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("qualifier", [q for q in QUALIFIERS if q[:1] not in ("P", "")])
def test_r_overrides_every_qualifier_from_its_start(bench, qualifier, period):
    """An action that another active step resets never starts (table 59, R is overriding)."""
    made = bench(
        f"""PROGRAM P VAR out : BOOL; END_VAR
        INITIAL_STEP A: out({qualifier}); END_STEP INITIAL_STEP B: out(R); END_STEP
        TRANSITION FROM A TO A := FALSE; END_TRANSITION
        TRANSITION FROM B TO B := FALSE; END_TRANSITION END_PROGRAM"""
    )
    for at in range(0, 800, period):
        made.scan(at)
        assert made["P.out"] is False, at


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize(
    ("qualifier", "rise", "fall"), [("L, T#457ms", 0, 457), ("D, T#457ms", 457, 9999)]
)
def test_action_times_off_the_grid_are_rounded_up_to_it(bench, qualifier, rise, fall, period):
    """A step that is due at 103 ms starts in the next scan; its limit ends in the next one too."""
    made = bench(QUALIFIED.format(qualifier, 100))
    start = -(-103 // period) * period
    edges = [start + -(-edge // period) * period for edge in (rise, fall)]
    for at in range(0, 900, period):
        made["P.go"] = at >= 103
        made.scan(at)
        assert made["P.out"] is (edges[0] <= at < edges[1]), at


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize(
    ("qualifier", "runs", "finals"),
    [  # step active 100–300; A is Q or the scan after Q has fallen (ACTION_CONTROL, final scan)
        ("N", 200, 1),
        ("L, T#100ms", 100, 1),
        ("D, T#100ms", 100, 1),
        ("S", 900, 1),
        ("SL, T#400ms", 400, 1),
        ("SD, T#400ms", 500, 1),
        ("DS, T#100ms", 800, 1),
    ],
)
def test_an_action_runs_once_more_after_q_has_fallen(bench, qualifier, runs, finals, period):
    """The body runs in every scan with Q and in one more without: the final scan."""
    text = QUALIFIED.format(qualifier, R_AT - 300).replace("go, out : BOOL;", "go, q : BOOL;")
    text = text.replace("out(R); out(N)", "act(R)").replace("out(", "act(")
    made = bench(
        text.replace("VAR go", "VAR runs, finals : DINT; go").replace(
            "END_PROGRAM",
            "ACTION act: q := act.Q; IF q THEN runs := runs + 1; ELSE finals := finals + 1;"
            " END_IF; END_ACTION END_PROGRAM",
        )
    )
    for at in range(0, 1300, period):
        made["P.go"] = 100 <= at < 300
        made.scan(at)
    assert (made["P.runs"], made["P.finals"], made["P.q"]) == (runs // period, finals, False)


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("qualifier", ["P", "P1", "P0"])
def test_pulsed_bodies_run_exactly_once(bench, qualifier, period):
    """One run for each activation (P, P1) or deactivation (P0), with Q true, no final scan."""
    made = bench(
        f"""PROGRAM P VAR go : BOOL; runs, finals : DINT; END_VAR
        INITIAL_STEP Off: END_STEP STEP On: act({qualifier}); END_STEP
        TRANSITION FROM Off TO On := go; END_TRANSITION
        TRANSITION FROM On TO Off := NOT go; END_TRANSITION
        ACTION act: runs := runs + 1; IF NOT act.Q THEN finals := finals + 1; END_IF; END_ACTION
        END_PROGRAM"""
    )
    for at in range(0, 1200, period):
        made["P.go"] = 100 <= at < 300 or 500 <= at < 600
        made.scan(at)
    assert (made["P.runs"], made["P.finals"]) == (2, 0)


# Evolution: (chart, what the conditions are in each scan, the steps that are active after it)

RULES = {
    # IEC 60848 rule 1, and IEC 61131-3: the initial step is active at start, its actions seen
    "rule 1, the initial situation": (
        "INITIAL_STEP A: END_STEP STEP B: END_STEP TRANSITION FROM A TO B := x; END_TRANSITION",
        [("x", "A"), ("x", "B"), ("x", "B")],
    ),
    "rule 1, several initial steps": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP INITIAL_STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM C TO A := y; END_TRANSITION""",
        [("", "AC"), ("x", "BC"), ("y", "AB")],
    ),
    # rule 2: a transition is cleared when it is enabled and its condition is true
    "rule 2, enabled but not true": (
        "INITIAL_STEP A: END_STEP STEP B: END_STEP TRANSITION FROM A TO B := x; END_TRANSITION",
        [("", "A"), ("", "A"), ("x", "B")],
    ),
    "rule 2, true but not enabled": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM B TO C := y; END_TRANSITION""",
        [("y", "A"), ("y", "A"), ("x y", "B"), ("y", "C")],
    ),
    "rule 2, steps and transitions alternate": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := TRUE; END_TRANSITION
        TRANSITION FROM B TO C := TRUE; END_TRANSITION""",
        [("", "A"), ("", "B"), ("", "C"), ("", "C")],
    ),
    "rule 2, a convergence waits for every step before it": (
        """INITIAL_STEP A: END_STEP INITIAL_STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        TRANSITION FROM A TO C := x; END_TRANSITION
        TRANSITION FROM (C, B) TO D := y; END_TRANSITION""",
        [("y", "AB"), ("y", "AB"), ("x", "BC"), ("y", "D")],
    ),
    # rule 3: all steps behind are activated and all before are deactivated, together
    "rule 3, simultaneous divergence and convergence": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        STEP E: END_STEP
        TRANSITION FROM A TO (B, C) := x; END_TRANSITION
        TRANSITION FROM C TO D := y; END_TRANSITION
        TRANSITION FROM (B, D) TO E := z; END_TRANSITION
        TRANSITION FROM E TO A := x; END_TRANSITION""",
        [("", "A"), ("x", "BC"), ("z", "BC"), ("y", "BD"), ("", "BD"), ("z", "E"), ("x", "A")],
    ),
    # rule 4: what can be cleared at the same time is cleared at the same time
    "rule 4, together": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP INITIAL_STEP C: END_STEP STEP D: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION
        TRANSITION FROM C TO D := x AND A.X; END_TRANSITION""",
        [("", "AC"), ("x", "BD")],
    ),
    "rule 4, two sequences join": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP INITIAL_STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION
        TRANSITION FROM C TO B := x; END_TRANSITION""",
        [("", "AC"), ("x", "B")],
    ),
    # rule 5: a step that is activated and deactivated at the same time stays active
    "rule 5, a step that follows itself": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP
        TRANSITION FROM A TO (A, B) := x; END_TRANSITION""",
        [("", "A"), ("x", "AB"), ("x", "AB"), ("", "AB")],
    ),
    "rule 5, a chain that moves on": (
        """INITIAL_STEP A: END_STEP INITIAL_STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM B TO C := x; END_TRANSITION""",
        [("", "AB"), ("x", "BC"), ("x", "C")],
    ),
    # IEC 61131-3 table 57: alternatives from left to right, or by priority
    "alternatives from left to right": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM A TO C := y; END_TRANSITION""",
        [("", "A"), ("x y", "B")],
    ),
    "alternatives, only the right one is true": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM A TO C := y; END_TRANSITION""",
        [("", "A"), ("y", "C")],
    ),
    "alternatives by priority": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION
        TRANSITION (PRIORITY := 2) FROM A TO C := x; END_TRANSITION
        TRANSITION (PRIORITY := 1) FROM A TO D := y; END_TRANSITION""",
        [("", "A"), ("x y", "D")],
    ),
    "alternatives by priority, the first one false": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION
        TRANSITION (PRIORITY := 2) FROM A TO C := x; END_TRANSITION
        TRANSITION (PRIORITY := 1) FROM A TO D := y; END_TRANSITION""",
        [("", "A"), ("x", "C")],
    ),
    "alternatives that share one step of several": (
        """INITIAL_STEP A: END_STEP INITIAL_STEP B: END_STEP STEP C: END_STEP STEP D: END_STEP
        TRANSITION FROM (A, B) TO C := x; END_TRANSITION
        TRANSITION FROM B TO D := x; END_TRANSITION""",
        [("", "AB"), ("x", "C")],
    ),
    "sequences skip and loop": (
        """INITIAL_STEP A: END_STEP STEP B: END_STEP STEP C: END_STEP
        TRANSITION FROM A TO B := x; END_TRANSITION TRANSITION FROM A TO C := y; END_TRANSITION
        TRANSITION FROM B TO C := z; END_TRANSITION TRANSITION FROM C TO B := y; END_TRANSITION
        TRANSITION FROM C TO A := x; END_TRANSITION""",
        [("", "A"), ("y", "C"), ("y", "B"), ("z", "C"), ("x", "A"), ("x", "B")],
    ),
}


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("rule", list(RULES))
def test_charts_evolve_by_the_rules(bench, rule, period):
    """Scan by scan the active steps are what the rule says; one evolution a scan."""
    chart, script = RULES[rule]
    made = bench(f"PROGRAM P VAR x, y, z : BOOL; END_VAR {chart} END_PROGRAM")
    for number, (true, steps) in enumerate(script):
        for name in "xyz":
            made[f"P.{name}"] = name in true.split()
        made.scan(number * period)
        assert "".join(made.instance.active_steps("P")) == steps, number
        for step in made.application.charts[0].steps:
            assert made[f"P.{step.name}.X"] is (step.name in steps)


@pytest.mark.parametrize("period", PERIODS)
def test_a_step_that_stays_active_sees_no_edge(bench, period):
    """Rule 5: its time runs on and its pulses do not come again."""
    made = bench(
        """PROGRAM P VAR n, m : INT; END_VAR
        INITIAL_STEP A: count(P1); tidy(P0); END_STEP
        TRANSITION FROM A TO A := TRUE; END_TRANSITION
        ACTION count: n := n + 1; END_ACTION ACTION tidy: m := m + 1; END_ACTION END_PROGRAM"""
    )
    for number in range(6):
        made.scan(number * period)
    assert (made["P.n"], made["P.m"], made["P.A.T"]) == (1, 0, 5 * period * MS)


@pytest.mark.parametrize("period", PERIODS)
def test_step_time_counts_and_freezes(bench, period):
    """X tells whether a step is active; T runs while it is and then keeps its last value."""
    made = bench(QUALIFIED.format("N", 500))
    times = {}
    for at in range(0, 1200, period):
        made["P.go"] = 100 <= at < 300
        made.scan(at)
        times[at] = (made["P.On.X"], made["P.On.T"] // MS, made["P.Rest.T"] // MS)
    assert times[50] == (False, 0, 0)
    assert times[100] == (True, 0, 0)
    assert times[250] == (True, 150, 0)
    assert times[300] == (False, 200, 0)
    assert times[350] == (False, 200, 50)
    assert times[800] == times[1150] == (False, 200, 500)
