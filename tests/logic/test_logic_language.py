"""Statements, types and units: what programs of each kind compute."""

from __future__ import annotations

import traceback

import pytest

from softctl.errors import SoftctlError
from softctl.logic import Global, LogicFault


@pytest.mark.parametrize(
    ("loop", "total", "after"),
    [  # the value after a loop: the first one that fails the test, wrapped to the type
        ("FOR i := 1 TO 4 DO n := n + i; END_FOR;", 10, 5),
        ("FOR i := 4 TO 1 BY -2 DO n := n + i; END_FOR;", 6, 0),
        ("FOR i := 5 TO 1 DO n := n + i; END_FOR;", 0, 5),
        ("FOR i := 32766 TO 32767 DO n := n + 1; END_FOR;", 2, -32768),
        ("FOR i := a TO b DO n := n + i; END_FOR;", 9, 5),
        ("FOR i := a TO b BY c DO n := n + i; END_FOR;", 6, 6),
        ("FOR i := 1 TO 9 DO IF i = 4 THEN EXIT; END_IF; n := n + i; END_FOR;", 6, 4),
        ("FOR i := 1 TO 4 DO IF i = 2 THEN CONTINUE; END_IF; n := n + i; END_FOR;", 8, 5),
        ("FOR i := 1 TO 9 DO n := n + i; i := i + 1; END_FOR;", 25, 11),
        ("i := 3; WHILE i > 0 DO n := n + i; i := i - 1; END_WHILE;", 6, 0),
        ("REPEAT i := i + 1; n := n + i; UNTIL i >= 3 END_REPEAT;", 6, 3),
        (
            "REPEAT i := i + 1; IF i < 3 THEN CONTINUE; END_IF; n := i; UNTIL i > 4 END_REPEAT;",
            5,
            5,
        ),
    ],
)
def test_loops(bench, loop, total, after):
    """Loops run the right passes and leave the control variable defined."""
    made = bench(
        f"PROGRAM P VAR i : INT; n : DINT; a : INT := 2; b : INT := 4; c : INT := 2; END_VAR {loop}"
        " END_PROGRAM"
    )
    made.scan()
    assert (made["P.n"], made["P.i"]) == (total, after)


@pytest.mark.parametrize(
    "loop",
    [
        "WHILE TRUE DO\n n := n + 1; END_WHILE;",
        "REPEAT\n n := n + 1; UNTIL FALSE END_REPEAT;",
        "FOR i := 0 TO d DO\n n := n + 1; i := 0; END_FOR;",
        "FOR i := 0 TO 2000000000 DO\n n := n + 1; END_FOR;",
        "FOR i := 0 TO d BY z DO\n n := n + 1; END_FOR;",
    ],
)
def test_an_endless_loop_is_a_fault_that_names_it(bench, loop):
    """The scan's budget of loop passes stops a loop and names its line."""
    made = bench(
        f"PROGRAM P\nVAR i, n : DINT; z : DINT; d : DINT := 5; END_VAR\n{loop}\nEND_PROGRAM"
    )
    with pytest.raises(LogicFault, match=r"loop .*p\.st:3"):
        made.scan()


@pytest.mark.parametrize(
    ("value", "result"), [(0, 9), (1, 1), (2, 2), (4, 2), (5, 9), (7, 3), (-1, 4)]
)
def test_case_takes_values_lists_and_ranges(bench, value, result):
    """The first arm that has the value runs, else ELSE."""
    made = bench(
        f"""PROGRAM P VAR s : INT := {value}; r : INT; END_VAR
        CASE s OF 1: r := 1; 2..4: r := 2; 7, 8: r := 3; -1: r := 4; ELSE r := 9; END_CASE;
        END_PROGRAM"""
    )
    made.scan()
    assert made["P.r"] == result


def test_case_over_an_enumeration(bench):
    """CASE labels may be names of the selector's enumeration."""
    made = bench(
        """TYPE Mode : (Idle, Run, Halt); END_TYPE
        PROGRAM P VAR m : Mode := Run; END_VAR
        CASE m OF Idle: m := Run; Run: m := Mode#Halt; Halt: ; END_CASE; END_PROGRAM"""
    )
    made.scan()
    assert made["P.m"] == 2
    made["P.m"] = "idle"
    assert made["P.m"] == 0


def test_arrays_check_both_bounds(bench):
    """Index 0 of ARRAY[1..3] is a fault, not the last element."""
    made = bench("PROGRAM P\nVAR a : ARRAY[1..3] OF INT; i : INT; END_VAR\na[i] := 1;\nEND_PROGRAM")
    with pytest.raises(LogicFault, match=r"index between 1 and 3, got 0 \(p\.st:3\): I = 0"):
        made.scan()
    made["P.i"] = 3
    made.scan()
    assert made["P.a[3]"] == 1


def test_subranges_check_their_limits(bench):
    """A value outside of a subrange is a fault."""
    made = bench("PROGRAM P\nVAR l : INT(0..10); i : INT := 11; END_VAR\nl := i;\nEND_PROGRAM")
    with pytest.raises(LogicFault, match="between 0 and 10, got 11"):
        made.scan()


def test_structures_and_arrays_are_copied_by_assignment(bench):
    """Assignment copies values; later changes of the source do not show."""
    made = bench(
        """TYPE Pt : STRUCT x : INT := 7; v : ARRAY[0..1] OF INT; END_STRUCT; END_TYPE
        PROGRAM P VAR a, b : Pt; c, d : ARRAY[1..2] OF Pt; e, f : ARRAY[1..3] OF INT; END_VAR
        a.x := 1; a.v[1] := 2; b := a; a.x := 5; a.v[1] := 6;
        c[2].x := 3; d := c; c[2].x := 4; e[1] := 8; f := e; e[1] := 9;
        END_PROGRAM"""
    )
    assert made["P.b.x"] == 7
    made.scan()
    got = [made[p] for p in ("P.b.x", "P.b.v[1]", "P.d[2].x", "P.d[1].x", "P.f[1]")]
    assert got == [1, 2, 3, 7, 8]


def test_functions_take_defaults_names_outputs_and_in_outs(bench):
    """Functions compute with inputs by position or name, give outputs and change in-outs."""
    made = bench(
        """FUNCTION Split : INT
        VAR_INPUT x : INT; per : INT := 10; END_VAR VAR_OUTPUT rest : INT; END_VAR
        VAR_IN_OUT calls : INT; END_VAR
        Split := x / per; rest := x MOD per; calls := calls + 1; END_FUNCTION
        PROGRAM P VAR a, b, c, d, n : INT; w : ARRAY[0..2] OF INT; END_VAR
        a := Split(x := 47, rest => b, calls := n);
        c := 1 + Split(47, 9, rest => w[1], calls := n) * 2; d := w[1];
        Split(x := 5, calls := n);
        END_PROGRAM"""
    )
    made.scan()
    assert [made[f"P.{name}"] for name in "abcdn"] == [4, 7, 11, 2, 3]


def test_blocks_keep_state_and_share_in_outs(bench):
    """Each instance remembers; VAR_IN_OUT changes the caller's variable; VAR_TEMP starts anew."""
    made = bench(
        """FUNCTION_BLOCK Acc
        VAR_INPUT x : INT := 2; END_VAR VAR_OUTPUT sum : INT; END_VAR
        VAR_IN_OUT log : ARRAY[1..3] OF INT; n : INT; END_VAR VAR_TEMP t : INT; END_VAR
        t := t + x; sum := sum + t; n := n + 1; log[n] := sum; END_FUNCTION_BLOCK
        PROGRAM P VAR f, g : Acc := (x := 5); l : ARRAY[1..3] OF INT; n, a, b : INT; END_VAR
        f(log := l, n := n, sum => a); f(x := 1, log := l, n := n); g(log := l, n := n, sum => b);
        END_PROGRAM"""
    )
    made.scan()
    assert [made[f"P.{name}"] for name in ("a", "f.sum", "b", "n", "l[1]", "l[2]", "l[3]")] == [
        5,
        6,
        5,
        3,
        5,
        6,
        5,
    ]


def test_arrays_of_blocks_are_called_by_index(bench):
    """An element of an array of instances is called like any instance."""
    made = bench(
        """PROGRAM P VAR c : ARRAY[1..2] OF CTU; i : INT; x : BOOL := TRUE; v : INT; END_VAR
        FOR i := 1 TO 2 DO c[i](CU := x, PV := i); END_FOR; v := c[2].CV; END_PROGRAM"""
    )
    made.scan()
    assert (made["P.v"], made["P.c[1].Q"], made["P.c[2].Q"]) == (1, True, False)


def test_blocks_enabled_by_en_and_reporting_eno(bench):
    """EN holds a block, ENO tells whether it ran."""
    made = bench(
        """PROGRAM P VAR c : CTU; go, ran : BOOL; END_VAR
        c(EN := go, CU := TRUE, ENO => ran); END_PROGRAM"""
    )
    made.scan()
    assert (made["P.c.CV"], made["P.ran"]) == (0, False)
    made["P.go"] = True
    made.scan()
    assert (made["P.c.CV"], made["P.ran"]) == (1, True)


def test_constants_globals_and_externals(bench):
    """VAR_GLOBAL is shared, VAR CONSTANT sizes arrays, points bind by name in any case."""
    made = bench(
        """VAR_GLOBAL shared : INT := 4; END_VAR VAR_GLOBAL CONSTANT limit : INT := 3; END_VAR
        PROGRAM P VAR_EXTERNAL shared : INT; END_VAR VAR CONSTANT n : INT := 2 * 3; END_VAR
        VAR a : ARRAY[1..n] OF INT; END_VAR
        a[n] := shared + limit; shared := a[n]; level_1 := level_1 + 1.0; END_PROGRAM""",
        [Global("LEVEL_1", "REAL", True, 2)],
    )
    made.scan()
    assert (made["shared"], made["P.a[6]"], made["Level_1"]) == (7, 7, 3.0)


def test_a_configuration_schedules_instances_by_task(bench):
    """Tasks run by priority and at their own intervals."""
    made = bench(
        """PROGRAM Count VAR n : INT; END_VAR n := n + 1; last := n; END_PROGRAM
        CONFIGURATION Skid VAR_GLOBAL last : INT; END_VAR RESOURCE R ON Cpu
        TASK Fast (INTERVAL := T#10ms, PRIORITY := 2);
        TASK Slow (INTERVAL := T#50ms, PRIORITY := 1);
        PROGRAM A WITH Fast : Count; PROGRAM B WITH Slow : Count;
        END_RESOURCE END_CONFIGURATION"""
    )
    assert made.application.programs == ("B", "A")
    for at in range(0, 100, 10):
        made.scan(at)
    assert (made["A.n"], made["B.n"], made["last"]) == (10, 2, 10)


def test_state_is_saved_and_restored(bench):
    """A snapshot holds all state: variables, instances, arrays, charts, globals."""
    made = bench(
        """PROGRAM P VAR t : TON; a : ARRAY[1..2] OF INT; c : ARRAY[1..2] OF CTU; n : INT; END_VAR
        INITIAL_STEP S1: Work(N); END_STEP STEP S2: END_STEP
        TRANSITION FROM S1 TO S2 := n = 3; END_TRANSITION
        ACTION Work: n := n + 1; a[2] := n; c[1](CU := n = 2); t(IN := TRUE, PT := T#1s); g1 := n;
        END_ACTION END_PROGRAM""",
        [Global("G1", "INT", True)],
    )
    paths = ["P.n", "P.a[2]", "P.c[1].CV", "P.t.ET", "P.S2.X", "G1"]
    read = made.instance.reader(paths)
    made.scan(0)
    saved, seen = made.instance.snapshot(), read()
    for at in range(1, 6):
        made.scan(at)
    later = read()
    assert later != seen
    made.instance.restore(saved)
    assert read() == seen
    for at in range(1, 6):
        made.scan(at)
    assert read() == later


def test_interfaces_carry_pragmas_and_comments(bench):
    """What stands around a declaration is kept for those who build on blocks."""
    application = bench(
        """{role: vessel}
        FUNCTION_BLOCK Tank
        VAR_INPUT
            {unit: m, min: 0.05}
            diameter : LREAL := 1.5;   // across
            plain : BOOL;
        END_VAR
        VAR_OUTPUT level : LREAL; (* above the bottom *) END_VAR
        END_FUNCTION_BLOCK PROGRAM P VAR END_VAR END_PROGRAM"""
    ).application
    block = application.blocks["Tank"]
    first, second = block.inputs
    assert block.pragma == "role: vessel"
    assert (first.name, first.type, first.initial) == ("diameter", "LREAL", 1.5)
    assert (first.pragma, first.comment) == ("unit: m, min: 0.05", "across")
    assert (second.pragma, second.comment, second.place.line) == ("", "", 6)
    assert block.outputs[0].comment == "above the bottom"


def test_tracebacks_speak_st(bench):
    """Generated code carries ST file names and lines, through nested calls."""
    made = bench(
        "FUNCTION F : INT\nVAR_INPUT x : INT; END_VAR\n\nF := 1 / x;\nEND_FUNCTION\n"
        "PROGRAM P\nVAR y : INT; END_VAR\ny :=\n  F(y);\nEND_PROGRAM"
    )
    with pytest.raises(ZeroDivisionError) as caught:
        made.instance._runs[0](made.instance._globals)
    frames = [(f.filename, f.lineno) for f in traceback.extract_tb(caught.value.__traceback__)]
    assert [frame for frame in frames if frame[0] == "p.st"] == [("p.st", 8), ("p.st", 4)]


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("P.valeu", "did you mean value?"),
        ("Q.value", "expected a program or global variable, got Q"),
        ("P.a[4]", "index between 1 and 3"),
        ("P.value.x", "expected a member of INT"),
        ("P..x", "expected a path"),
        ("", "expected a path"),
    ],
)
def test_bad_paths_are_explained(bench, path, message):
    """A path that leads nowhere says what was expected."""
    made = bench("PROGRAM P VAR value : INT; a : ARRAY[1..3] OF INT; END_VAR END_PROGRAM")
    with pytest.raises(SoftctlError) as caught:
        made.instance.read(path)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("path", "value"), [("P.b", 2), ("P.i", 70000), ("P.i", "x"), ("P.s", "abcd")]
)
def test_values_that_do_not_fit_are_refused(bench, path, value):
    """Writing checks type and range."""
    made = bench("PROGRAM P VAR b : BOOL; i : INT; s : STRING[3]; END_VAR END_PROGRAM")
    with pytest.raises(SoftctlError, match="expected a value of type"):
        made.instance.write(path, value)


def test_writers_round_reals(bench):
    """REAL variables hold 32-bit values whoever writes them."""
    made = bench("PROGRAM P VAR r : REAL; l : LREAL; END_VAR END_PROGRAM")
    made.instance.writer(["P.r", "P.l"])([0.1, 0.1])
    assert made.instance.reader(["P.r", "P.l"])() == (0.10000000149011612, 0.1)


def test_edge_inputs(bench):
    """R_EDGE and F_EDGE inputs are true for one call (IEC 61131-3 table 13)."""
    made = bench(
        """FUNCTION_BLOCK E VAR_INPUT r : BOOL R_EDGE; f : BOOL F_EDGE; END_VAR
        VAR_OUTPUT nr, nf : INT; END_VAR
        IF r THEN nr := nr + 1; END_IF; IF f THEN nf := nf + 1; END_IF; END_FUNCTION_BLOCK
        PROGRAM P VAR e : E; x : BOOL; END_VAR e(r := x, f := x); END_PROGRAM"""
    )
    seen = []
    for x in (0, 1, 1, 0, 0, 1):
        made["P.x"] = bool(x)
        made.scan()
        seen.append((made["P.e.nr"], made["P.e.nf"]))
    assert seen == [(0, 0), (1, 0), (1, 0), (1, 1), (1, 1), (2, 1)]
