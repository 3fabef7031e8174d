"""Programs run many scans at a time in one function: what they do must not change by a bit."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from random_logic import Statements
from test_logic_programs import PROGRAMS
from test_logic_random import QUICK, SEEDS, same

from softctl.logic import FusedProgram, LogicFault, Source, compile_application, fused

MS = 1_000_000
PERIOD_NS = 20 * MS


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    """What is not as usual has its function at once."""
    monkeypatch.setattr(fused, "WORTH_SCANS", 1)


PUMPS = """
FUNCTION_BLOCK Contacts
VAR_INPUT run : BOOL; tripped : BOOL; END_VAR
VAR_OUTPUT closed : BOOL; END_VAR
VAR waited : INT; END_VAR
IF run AND NOT tripped THEN waited := waited + 1; ELSE waited := 0; END_IF;
closed := waited > 2;
END_FUNCTION_BLOCK

FUNCTION_BLOCK Pump
VAR_INPUT run : BOOL; rate : LREAL := 2.0; tripped : BOOL; level : LREAL; END_VAR
VAR_OUTPUT moved : LREAL; power : LREAL; END_VAR
VAR ready : BOOL; size : LREAL; drive : Contacts; END_VAR
IF NOT ready THEN
    ready := TRUE;
    size := rate * 3.0;
ELSE
    drive(run := run, tripped := tripped);
    moved := 0.0;
    IF drive.closed THEN
        moved := size;
    END_IF;
    power := 100.0 / (level + 1.0);
END_IF;
END_FUNCTION_BLOCK

PROGRAM P
VAR a : Pump; b : Pump := (rate := 5.0); total : LREAL; END_VAR
a(level := total);
b(level := total);
total := total + a.moved + b.moved;
END_PROGRAM
"""


def _run_of(application, given=(), taken=()):
    """An instance that has settled, and the same one twice: plain, and with a fused run."""
    plain, fast = application.instantiate(), application.instantiate()
    for instance in (plain, fast):
        instance.scan(0)
        instance.scan(0)
    program = application.fused(frozenset(given), frozenset(taken))
    return plain, fast, None if program is None else fast.fused_run(program)


def _pumps(given=("P.a.run", "P.b.run"), taken=("P.total",)):
    return _run_of(compile_application([Source("pumps.st", PUMPS)]), given, taken)


def _scans(instance, count, start_ns=0):
    for number in range(1, count + 1):
        instance.scan(start_ns + number * PERIOD_NS)


def _span(count, start_ns=0):
    return range(start_ns + PERIOD_NS, start_ns + (count + 1) * PERIOD_NS, PERIOD_NS)


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.stem)
def test_programs_go_the_same_way(path):
    """Every program of the collection has the same state after 42 scans, 7 at a time."""
    application = compile_application([Source(path.name, path.read_text("utf-8"))])
    _, fast, run = _run_of(application)
    assert (run is None) is (path.stem in APART)
    if run is not None:
        _same_way(application, fast, run, 42)


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.stem)
def test_programs_go_the_same_way_with_any_parameters(path, monkeypatch):
    """The same with the function that does not take parameters for granted."""
    monkeypatch.setattr(FusedProgram, "_as_usual", property(lambda p: p._with_any_parameters))
    test_programs_go_the_same_way(path)


APART = {"dosing_pumps", "globals_tasks", "placed_drives"}
"""Tasks run at times of their own, and one program hands out its own variables."""


@settings(max_examples=40, deadline=None, phases=QUICK)
@given(seed=SEEDS)
def test_random_programs_go_the_same_way(seed):
    """Random statements give the same values, and fail in the same scan and place."""
    rng = random.Random(seed)
    application = compile_application([Source("p.st", Statements(rng).program(rng.randint(1, 12)))])
    if (
        application.fused(frozenset(), frozenset()) is not None
    ):  # there is none where a first scan fails
        _, fast, run = _run_of(application)
        _same_way(application, fast, run, 14)


def _same_way(application, fast, run, scans):
    """Seven scans at a time leave what single ones leave, a fault included."""
    plain, _, _ = _run_of(application)
    assert run.begin()
    for first in range(0, scans * PERIOD_NS, 7 * PERIOD_NS):
        wanted = _fault_of(lambda at=first: _scans(plain, 7, at))
        got = _fault_of(lambda at=first: fast.scan_fused(run, _span(7, at)))
        assert got == wanted
        run.settle()
        assert same(fast.snapshot()[:2], plain.snapshot()[:2])
        if wanted:
            return


def _fault_of(deed):
    try:
        deed()
    except LogicFault as fault:
        return str(fault)
    return ""


def test_what_is_given_and_taken_needs_no_settling():
    """Inputs written and outputs read between runs are right; all else is behind till then."""
    plain, fast, run = _pumps()
    assert run.begin()
    for instance in (plain, fast):
        instance.writer(["P.a.run"])([True])
    _scans(plain, 5)
    fast.scan_fused(run, _span(5))
    assert plain.read("P.total") == fast.read("P.total") == 18.0
    assert fast.read("P.a.drive.waited") == 0
    assert run.is_ahead
    run.settle()
    assert fast.read("P.a.drive.waited") == plain.read("P.a.drive.waited") == 5
    assert fast.snapshot() == plain.snapshot()


def test_another_parameter_is_not_overlooked():
    """A value that the function takes for granted is looked at when a run begins."""
    plain, fast, run = _pumps()
    assert run.begin()
    run.drop()
    for instance in (plain, fast):
        instance.write("P.a.size", 7.5)
        instance.write("P.b.tripped", True)
        instance.writer(["P.a.run", "P.b.run"])([True, True])
    _scans(plain, 1)
    _scans(fast, 1)
    assert run.begin()
    _scans(plain, 9, PERIOD_NS)
    fast.scan_fused(run, _span(9, PERIOD_NS))
    run.settle()
    assert fast.snapshot() == plain.snapshot()
    assert fast.read("P.total") == pytest.approx(8 * 7.5)


def test_a_unit_that_has_not_begun_is_left_to_plain_scans():
    """Before its first scan nothing fits, since what a first call sets up is left out."""
    application = compile_application([Source("pumps.st", PUMPS)])
    instance = application.instantiate()
    run = instance.fused_run(application.fused(frozenset(), frozenset()))
    assert not run.begin()
    _scans(instance, 1)
    assert run.begin()


def test_a_fault_names_its_place_and_leaves_the_state_of_a_plain_scan():
    """Line, values and every variable are those that the same scans one by one leave."""
    plain, fast, run = _pumps()
    for instance in (plain, fast):
        instance.write("P.total", -4.0)
        instance.writer(["P.a.run"])([True])
        instance.write("P.a.size", 1.0)
    _scans(plain, 1)
    _scans(fast, 1)
    assert run.begin()
    with pytest.raises(LogicFault) as wanted:
        _scans(plain, 8, PERIOD_NS)
    with pytest.raises(LogicFault) as got:
        fast.scan_fused(run, _span(8, PERIOD_NS))
    assert got.value.place == wanted.value.place
    assert got.value.place.line == 23
    assert str(got.value) == str(wanted.value)
    assert fast.snapshot() == plain.snapshot()
    assert fast.now_ns == plain.now_ns
    assert not run.has_begun


def _after(text, scans):
    """An instance behind scans in one function, which leave what single ones leave."""
    plain, fast, run = _run_of(compile_application([Source("p.st", text)]))
    assert run is not None
    assert run.begin()
    _scans(plain, scans)
    fast.scan_fused(run, _span(scans))
    run.settle()
    assert fast.snapshot() == plain.snapshot()
    return fast


def test_a_block_that_returns_early_keeps_its_own_variables():
    """RETURN leaves a block and not the program, so such a block is called as before."""
    text = (
        "FUNCTION_BLOCK F VAR_INPUT go : BOOL; END_VAR VAR_OUTPUT n : INT; END_VAR\n"
        "IF NOT go THEN RETURN; END_IF; n := n + 1;\nEND_FUNCTION_BLOCK\n"
        "PROGRAM P VAR f1, f2 : F; k : INT; END_VAR\n"
        "f1(go := k MOD 2 = 0); f2(go := TRUE); k := k + 1;\nEND_PROGRAM"
    )
    fast = _after(text, 9)
    assert (fast.read("P.f1.n"), fast.read("P.f2.n")) == (6, 11)


def test_a_block_that_is_handed_on_keeps_its_own_variables():
    """An in-out refers to the block itself, which therefore stays an object."""
    text = (
        "FUNCTION_BLOCK C VAR_INPUT by : INT; END_VAR VAR_OUTPUT n : INT; END_VAR\n"
        "n := n + by;\nEND_FUNCTION_BLOCK\n"
        "FUNCTION_BLOCK User VAR_IN_OUT c : C; END_VAR\nc(by := 2);\nEND_FUNCTION_BLOCK\n"
        "PROGRAM P VAR c1 : C; u : User; END_VAR\nc1(by := 1); u(c := c1);\nEND_PROGRAM"
    )
    fast = _after(text, 5)
    assert fast.read("P.c1.n") == 21
