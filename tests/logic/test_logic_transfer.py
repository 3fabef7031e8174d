"""Online change: what a new version of a program takes over, and what starts anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_logic_programs import _LINE, _PAIR, MS, PERIOD_MS, PROGRAMS, _path, _value

from softctl.logic import Source, compile_application

MAIN = """
TYPE Mode : (Idle, Busy); Limits : STRUCT low : REAL := 1.0; high : REAL; END_STRUCT; END_TYPE
VAR_GLOBAL total : DINT; END_VAR
FUNCTION_BLOCK Counter
VAR_INPUT up : BOOL; END_VAR
VAR_OUTPUT count : INT; END_VAR
VAR edge : R_TRIG; END_VAR
edge(CLK := up);
IF edge.Q THEN count := count + 1; END_IF;
END_FUNCTION_BLOCK
PROGRAM Main
VAR
    turns : INT;
    mode : Mode;
    limits : Limits;
    table : ARRAY[1..2, 0..1] OF INT;
    counters : ARRAY[0..1] OF Counter;
    wait : TON;
    text : STRING[20] := 'start';
END_VAR
VAR CONSTANT step : INT := 1; END_VAR
turns := turns + step;
total := total + 10;
mode := Busy;
limits.high := INT_TO_REAL(turns);
table[2, 1] := turns;
counters[1](up := turns MOD 2 = 0);
wait(IN := TRUE, PT := T#1s);
text := CONCAT('turn ', INT_TO_STRING(turns));
END_PROGRAM
"""
CHART = """
PROGRAM Seq
VAR go : BOOL; lamp : BOOL; kept : BOOL; END_VAR
INITIAL_STEP First: END_STEP
STEP Second: lamp(N); kept(S); END_STEP
STEP Third: kept(R); END_STEP
TRANSITION FROM First TO Second := go; END_TRANSITION
TRANSITION FROM Second TO Third := Second.T >= T#1s; END_TRANSITION
TRANSITION FROM Third TO First := NOT go; END_TRANSITION
END_PROGRAM
"""


def start(text: str, scans: int = 0):
    instance = compile_application([Source("main.st", text)]).instantiate()
    for scan in range(scans):
        instance.scan(scan * 100 * MS)
    return instance


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.stem)
def test_a_change_to_the_same_program_is_not_seen(path: Path) -> None:
    """Each program meets its script although it is replaced by a new copy every 30 ms."""
    application = compile_application([Source(path.name, path.read_text("utf-8"))])
    instance = application.instantiate()
    prefix = application.programs[0]
    at = 0
    for when, stimuli, expected in _LINE.findall(path.read_text("utf-8")):
        while at < int(when):
            instance.scan(at * MS)
            at += PERIOD_MS
            if at % 30 == 0:
                fresh = application.instantiate()
                change = fresh.take_over(instance)
                assert (change.reset, change.gone) == ([], [])
                assert fresh.snapshot() == instance.snapshot()
                instance = fresh
        for name, value in _PAIR.findall(stimuli):
            instance.write(_path(prefix, name), _value(value))
        instance.scan(at * MS)
        for name, value in _PAIR.findall(expected):
            got, wanted = instance.read(_path(prefix, name)), _value(value)
            assert got == (pytest.approx(wanted) if isinstance(wanted, float) else wanted)
        at += PERIOD_MS


def test_what_did_not_change_goes_on_and_the_rest_is_named() -> None:
    """Each kind of declaration: kept, of another type, gone, new, and a constant."""
    old = start(MAIN, 4)
    changed = (
        MAIN.replace("mode : Mode;", "mode : Mode; fresh : INT := 7;")
        .replace("step : INT := 1", "step : INT := 5")
        .replace("limits.high :=", "limits.high := 0.5 +")
        .replace("text : STRING[20] := 'start'", "text : STRING[30] := 'start'")
        .replace("table : ARRAY[1..2, 0..1]", "table : ARRAY[1..2, 0..2]")
    )
    new = start(changed)
    change = new.take_over(old)
    assert change.reset == ["Main.table", "Main.text"]
    assert change.gone == []
    assert new.read("Main.turns") == 4
    assert new.read("Main.fresh") == 7
    assert new.read("total") == 40
    assert new.read("Main.counters[1].count") == 2
    assert new.read("Main.wait.ET") == 300 * MS
    assert (new.read("Main.limits.low"), new.read("Main.limits.high")) == (1.0, 4.0)
    assert new.read("Main.text") == "start"
    new.scan(400 * MS)
    assert new.read("Main.turns") == 9, "the constant's new value"
    assert new.read("Main.wait.ET") == 400 * MS


def test_what_is_gone_is_named_once() -> None:
    """Variables, blocks inside them and whole programs."""
    old = start(MAIN, 2)
    gone = MAIN.replace("wait : TON;", "").replace("wait(IN := TRUE, PT := T#1s);", "")
    new = start(gone.replace("VAR edge : R_TRIG; END_VAR", "VAR edge : F_TRIG; END_VAR"))
    change = new.take_over(old)
    assert change.gone == ["Main.wait"]
    assert change.reset == ["Main.counters[].edge", "Main.counters[].edge"]
    other = start(MAIN.replace("PROGRAM Main", "PROGRAM Other"))
    assert "Main" in other.take_over(start(MAIN)).gone


def test_an_enumeration_with_other_values_starts_anew() -> None:
    """The same number would mean another name."""
    new = start(MAIN.replace("(Idle, Busy)", "(Idle, Paused, Busy)"))
    assert new.take_over(start(MAIN, 1)).reset == ["Main.mode"]


def test_a_chart_goes_on_in_its_step() -> None:
    """A step added elsewhere does not disturb; time in step and stored actions go on."""
    old = start(CHART)
    old.write("Seq.go", True)
    for scan in range(6):
        old.scan(scan * 100 * MS)
    assert old.active_steps("Seq") == ("Second",)
    longer = CHART.replace(
        "TRANSITION FROM Third TO First", "STEP Fourth: END_STEP\nTRANSITION FROM Third TO Fourth"
    ).replace("END_PROGRAM", "TRANSITION FROM Fourth TO First := TRUE; END_TRANSITION\nEND_PROGRAM")
    new = start(longer)
    change = new.take_over(old)
    assert change.reset == []
    assert new.active_steps("Seq") == ("Second",)
    assert new.read("Seq.Second.T") == old.read("Seq.Second.T") > 0
    scan = 6
    while new.active_steps("Seq") == ("Second",):
        assert new.read("Seq.kept")
        new.scan(scan * 100 * MS)
        scan += 1
    entered = old.read("Seq.Second.T") // (100 * MS)
    assert scan - 6 == 10 - entered
    assert new.active_steps("Seq") == ("Third",)


def test_a_chart_without_its_active_step_starts_anew() -> None:
    """No chart is ever left without an active step."""
    old = start(CHART)
    old.write("Seq.go", True)
    old.scan(0)
    old.scan(100 * MS)
    assert old.active_steps("Seq") == ("Second",)
    new = start(CHART.replace("Second", "Middle"))
    change = new.take_over(old)
    assert change.reset == ["Seq (chart)"]
    new.scan(200 * MS)
    assert new.active_steps("Seq") == ("First",)
    assert new.read("Seq.go") is True


def test_forces_move_to_what_still_takes_them() -> None:
    """A force goes on; one on a variable that is gone is named."""
    old = start(MAIN, 1)
    old.force("Main.turns", 100)
    old.force("Main.wait.PT", 5)
    gone = MAIN.replace("wait : TON;", "").replace("wait(IN := TRUE, PT := T#1s);", "")
    new = start(gone)
    change = new.take_over(old)
    assert dict(new.forces) == {"Main.turns": 100}
    assert "Main.wait.PT (force)" in change.reset
    assert new.written("Main.turns") == 1


def test_a_task_keeps_its_phase() -> None:
    """A program of 300 ms runs at the same instants as without the change."""
    text = """
    CONFIGURATION c
      RESOURCE r ON cpu
        TASK slow(INTERVAL := T#300ms, PRIORITY := 1);
        PROGRAM Main WITH slow : Main;
      END_RESOURCE
    END_CONFIGURATION
    PROGRAM Main VAR turns : INT; END_VAR turns := turns + 1; END_PROGRAM
    """
    plain, changed = start(text), start(text)
    for scan in range(20):
        plain.scan(scan * 100 * MS)
        changed.scan(scan * 100 * MS)
        fresh = start(text)
        fresh.take_over(changed)
        changed = fresh
        assert changed.read("Main.turns") == plain.read("Main.turns")


PLACED = """VAR_GLOBAL a AT %MW0 : INT; row AT %MB10 : ARRAY[0..1] OF BYTE; END_VAR
FUNCTION_BLOCK Drive VAR x AT %M* : INT; END_VAR x := x + 1; END_FUNCTION_BLOCK
PROGRAM Main VAR b AT %MW2 : INT; c : INT; d : Drive; END_VAR
a := a + 1; b := b + 2; c := c + 3; row[1] := row[1] OR 16#10; d(); END_PROGRAM
CONFIGURATION C PROGRAM M : Main; VAR_CONFIG M.d.x AT %MW20 : INT; END_VAR END_CONFIGURATION
"""


def test_variables_at_addresses_go_on():
    """Those of programs, of VAR_GLOBAL and of VAR_CONFIG, and elements of arrays there."""
    old = compile_application([Source("p.st", PLACED)]).instantiate()
    old.scan(0)
    old.scan(MS)
    new = compile_application([Source("p.st", PLACED.replace("c + 3", "c + 5"))]).instantiate()
    change = new.take_over(old)
    assert not change.reset
    assert not change.gone
    paths = ("%MW0", "M.b", "M.c", "row[1]", "M.d.x")
    assert new.reader(paths)() == (2, 4, 6, 16, 2)
    new.scan(2 * MS)
    assert new.reader(paths)() == (3, 6, 11, 16, 3)
    assert new.read("%MW20") == 3
