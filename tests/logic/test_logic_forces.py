"""Forces: variables held at a value by a person, whatever the program writes."""

from __future__ import annotations

import re

import pytest

from softctl.errors import SoftctlError
from softctl.logic import Global, LogicFault

MOTOR = """
FUNCTION_BLOCK Motor
VAR_INPUT on : BOOL; speed : REAL; END_VAR
VAR_OUTPUT running : BOOL; END_VAR
VAR inner : INT; calls : DINT; END_VAR
inner := inner + 1;
calls := calls + 1;
running := on AND inner < 100;
END_FUNCTION_BLOCK
"""
PROGRAM = f"""
TYPE Pair : STRUCT a : INT; b : INT; END_STRUCT; Small : INT(0..9); Hue : (Red, Green); END_TYPE
{MOTOR}
PROGRAM Main
VAR m, other : Motor; pair, copy : Pair; list : ARRAY[1..2] OF INT; pairs : ARRAY[1..2] OF Pair;
    small : Small; hue : Hue; ratio : REAL; text : STRING[3]; seen : BOOL; sum : INT; back : BOOL;
    lamp : BOOL; timer : TON;
END_VAR
VAR CONSTANT LIMIT : INT := 3; END_VAR
m(on := START);
other(on := START);
PUMP := START;
back := PUMP;
seen := m.running;
pair.a := pair.a + 1;
copy := pair;
sum := pairs[1].a + pairs[2].a;
lamp := NOT lamp;
timer(IN := START, PT := T#1s);
END_PROGRAM
"""
POINTS = [
    Global("START", "BOOL", False),
    Global("PUMP", "BOOL", True),
    Global("LVL", "REAL", False),
]


@pytest.fixture
def made(bench):
    """The program, scanned once with START off."""
    made = bench(PROGRAM, POINTS)
    made.scan(0)
    return made


def test_a_forced_input_hides_what_is_written_from_outside(made):
    """The program sees the force; the input image's value waits beneath it."""
    made.instance.force("START", True)
    made["START"] = False
    made.scan(10)
    assert (made["START"], made["PUMP"], made.instance.written("start")) == (True, True, False)
    made.instance.release("Start")
    made.scan(20)
    assert (made["START"], made["PUMP"]) == (False, False)


def test_a_forced_output_hides_what_the_program_writes(made):
    """Whoever reads, the program itself too, sees the force; `written` the program's value."""
    made.instance.force("PUMP", False)
    made["START"] = True
    made.scan(10)
    read = made.instance.reader(["PUMP", "Main.back"])
    assert read() == (False, False)
    assert made.instance.written("PUMP") is True
    made.instance.release("PUMP")
    assert read() == (True, False)


def test_forced_block_internals_are_one_instances_own(made):
    """Only the named instance is held; its sister of the same block runs on."""
    made.instance.force("Main.m.inner", 100)
    made["START"] = True
    for at in range(1, 4):
        made.scan(at)
    assert (made["Main.m.running"], made["Main.other.running"]) == (False, True)
    assert (made["Main.m.inner"], made.instance.written("Main.m.inner")) == (100, 101)
    assert made["Main.other.inner"] == 4
    made.instance.release_all()
    made.scan(4)
    assert made["Main.m.running"] is False  # the program counted on from 100
    assert made["Main.m.inner"] == 102


def test_inputs_and_outputs_of_blocks(made):
    """An input is held against its call, an output against the block's own body."""
    made.instance.force("Main.m.on", True)
    made.scan(1)
    assert (made["Main.seen"], made["Main.other.running"]) == (True, False)
    made.instance.force("Main.m.running", False)
    made.scan(2)
    assert (made["Main.seen"], made.instance.written("main.M.running")) == (False, True)


def test_standard_blocks_can_be_forced(made):
    """A timer's preset is held against the call's; its elapsed time then obeys the force."""
    made.instance.force("Main.timer.PT", 5_000_000)
    made["START"] = True
    made.scan(10)
    made.scan(20)
    assert (made["Main.timer.Q"], made["Main.timer.ET"]) == (True, 5_000_000)
    assert made.instance.written("Main.timer.PT") == 1_000_000_000


def test_members_of_structures(made):
    """A member is held in its structure, also inside an array, and copies see the force."""
    made.instance.force("Main.pair.a", 50)
    made.instance.force("Main.pairs[2].a", 7)
    made.scan(1)
    assert (made["Main.copy.a"], made["Main.sum"]) == (50, 7)
    assert made.instance.written("Main.pair.a") == 51


def test_steps_can_be_held(bench):
    """A forced step flag holds its actions and counts as active."""
    made = bench(
        """PROGRAM P VAR out : BOOL; END_VAR INITIAL_STEP A: END_STEP STEP B: out(N); END_STEP
        TRANSITION FROM A TO B := FALSE; END_TRANSITION END_PROGRAM"""
    )
    made.instance.force("P.B.X", True)
    made.scan(0)
    assert (made["P.out"], made.instance.active_steps("P")) == (True, ("A", "B"))


def test_forces_are_listed_in_the_order_set(made):
    """The list has the paths as given and the values as held; it cannot be written."""
    made.instance.force("Main.ratio", 0.1)
    made.instance.force("PUMP", 1)
    made.instance.force("main.RATIO", 0.2)
    forces = made.instance.forces
    assert list(forces.items()) == [("Main.ratio", pytest.approx(0.2)), ("PUMP", True)]
    assert forces["Main.ratio"] != 0.2  # rounded to 32 bits, as the variable holds it
    with pytest.raises(TypeError):
        forces["PUMP"] = False
    made.instance.release_all()
    assert made.instance.forces == {}


def test_a_snapshot_holds_what_was_written(made):
    """Forces belong to a person: they are in no snapshot, and restoring leaves them."""
    made["START"] = True
    made.instance.force("Main.m.inner", 7)
    made.scan(1)
    state = made.instance.snapshot()
    assert made.instance.written("Main.m.inner") == 8
    made.scan(2)
    made["Main.m.inner"] = 55
    made.instance.restore(state)
    assert (made["Main.m.inner"], made.instance.written("Main.m.inner")) == (7, 8)
    made.instance.release("Main.m.inner")
    assert made["Main.m.inner"] == 8
    made["Main.m.inner"] = 0
    made.instance.restore(state)
    assert made["Main.m.inner"] == 8


def test_a_snapshot_is_the_same_forced_or_not(bench):
    """A forced and an unforced run whose written values agree give equal snapshots."""
    free, held = bench(PROGRAM, POINTS), bench(PROGRAM, POINTS)
    held.instance.force("LVL", 3.5)
    held.instance.force("Main.hue", "Green")
    for at in range(3):
        free.scan(at)
        held.scan(at)
    assert free.instance.snapshot() == held.instance.snapshot()


def test_two_forces_in_one_object_are_released_one_by_one(made):
    """Releasing one variable of an object leaves the other held."""
    made.instance.force("Main.lamp", True)
    made.instance.force("Main.sum", 9)
    made.instance.release("Main.lamp")
    made.scan(1)
    assert (made["Main.sum"], made.instance.written("Main.sum")) == (9, 0)
    lamp = made["Main.lamp"]
    made.scan(2)
    assert made["Main.lamp"] is not lamp


def test_forces_are_of_one_instance(bench):
    """Another instance of the same application is untouched."""
    made = bench(PROGRAM, POINTS)
    other = made.application.instantiate()
    made.instance.force("PUMP", True)
    other.scan(0)
    made.scan(0)
    assert (other.read("PUMP"), made["PUMP"]) == (False, True)


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("Main.small", 10, "expected a value of type INT"),
        ("Main.sum", 40_000, "expected a value of type INT, got 40000"),
        ("Main.sum", True, "expected a value of type INT, got True"),
        ("Main.ratio", "3", "expected a value of type REAL"),
        ("Main.ratio", 1e300, "expected a value of type REAL, got 1e+300"),
        ("Main.text", "long", "expected a value of type"),
        ("Main.hue", "Blue", "expected a value of type Hue"),
        ("PUMP", 2, "expected a value of type BOOL"),
        ("Main.list[1]", 40_000, "expected a value of type INT"),
        ("Main.list[3]", 1, "expected an index between 1 and 2, got 3"),
        ("Main.pairs[1]", 1, "single value"),
        ("Main.list", 1, "single value"),
        ("Main.m", 1, "single value"),
        ("Main.LIMIT", 1, "expected a variable of Main, got LIMIT"),
        ("Main.nobody", 1, "expected a variable of Main, got nobody"),
        ("__NOW", 1, "nothing there can be forced"),
    ],
)
def test_what_cannot_be_forced_is_refused(made, path, value, message):
    """Unknown paths, wholes, elements and values that do not fit get a clear error."""
    with pytest.raises(SoftctlError, match=re.escape(message)):
        made.instance.force(path, value)
    assert made.instance.forces == {}


def test_releasing_what_is_not_forced_is_an_error(made):
    """The error names what is forced."""
    made.instance.force("PUMP", True)
    with pytest.raises(SoftctlError, match=r"forced variable \(PUMP\), got Main.lamp"):
        made.instance.release("Main.lamp")


def test_a_fault_still_shows_the_values_of_a_forced_object(bench):
    """The slots of a forced object are found in its class's base."""
    made = bench("PROGRAM P\nVAR n, d : INT := 4; END_VAR\nn := n / d;\nEND_PROGRAM")
    made.instance.force("P.d", 0)
    with pytest.raises(LogicFault, match=r"divisor .*D = 0"):
        made.scan(0)
