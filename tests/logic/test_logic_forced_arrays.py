"""Forces inside arrays, and on every variable that a program has."""

from __future__ import annotations

import gc

import pytest

from softctl.errors import SoftctlError
from softctl.logic import Instance, Source, compile_application

TEXT = """
TYPE Pair : STRUCT a : INT; list : ARRAY[0..2] OF INT; END_STRUCT; END_TYPE
FUNCTION_BLOCK Sum
VAR_INPUT values : ARRAY[1..3] OF INT; END_VAR
VAR_IN_OUT shared : ARRAY[1..3] OF INT; END_VAR
VAR_OUTPUT total : INT; END_VAR
VAR n : INT; END_VAR
total := 0;
FOR n := 1 TO 3 DO total := total + values[n]; END_FOR;
shared[2] := shared[2] + 1;
END_FUNCTION_BLOCK
PROGRAM P
VAR a, b, c : ARRAY[1..3] OF INT; grid : ARRAY[0..1, 1..2] OF REAL; flags : ARRAY[0..3] OF BOOL;
    text : ARRAY[1..2] OF STRING[5]; pairs : ARRAY[1..2] OF Pair; copy : Pair;
    sums : ARRAY[1..2] OF Sum; timers : ARRAY[1..2] OF TON; n : INT; sum : INT; x : REAL; END_VAR
FOR n := 1 TO 3 DO a[n] := n * 10; END_FOR;
b := a;
c[2] := c[2] + 1;
sum := a[1] + a[2] + a[3];
grid[1, 2] := grid[1, 2] + 1.0;
x := grid[1, 2];
copy := pairs[2];
pairs[2].list[1] := pairs[2].list[1] + 1;
sums[1](values := a, shared := c);
flags[0] := NOT flags[0];
text[2] := 'run';
timers[2](IN := TRUE, PT := T#1s);
END_PROGRAM
"""


@pytest.fixture
def made(bench):
    """The program, scanned once."""
    made = bench(TEXT)
    made.scan(0)
    return made


def test_a_held_element_is_read_by_the_program_and_from_outside(made):
    """Single reads, copies of the array and inputs of blocks all see the force."""
    read = made.instance.reader(["P.a[2]", "P.b[2]", "P.sum", "P.sums[1].total"])
    assert read() == (20, 20, 60, 60)
    made.instance.force("P.a[2]", 500)
    assert read()[0] == 500
    made.scan(1)
    assert read() == (500, 500, 540, 540)
    assert made.instance.written("P.a[2]") == 20
    assert made.instance.forces == {"P.a[2]": 500}
    made.instance.release("p.A[2]")
    assert read()[0] == 20
    made.scan(2)
    assert read() == (20, 20, 60, 60)


def test_what_is_written_waits_beneath(made):
    """Writes by the program, from outside and through old writers go under the force."""
    write = made.instance.writer(["P.c[2]", "P.c[3]"])
    made.instance.force("P.c[2]", 100)
    made.scan(1)
    made.scan(2)
    assert (made["P.c[2]"], made.instance.written("P.c[2]")) == (100, 101)
    write([7, 8])
    assert (made["P.c[2]"], made.instance.written("P.c[2]"), made["P.c[3]"]) == (100, 7, 8)
    made["P.c[2]"] = 9
    made.instance.release_all()
    assert (made["P.c[2]"], made["P.c[3]"]) == (9, 8)
    write([1, 2])
    assert (made["P.c[2]"], made["P.c[3]"]) == (1, 2)


def test_an_array_that_is_lent_is_held_by_either_path(made):
    """The same element by the lender's path and by the in-out's."""
    made.instance.force("P.sums[1].shared[2]", 5)
    made.scan(1)
    assert (made["P.c[2]"], made["P.sums[1].shared[2]"]) == (5, 5)
    assert made.instance.written("P.c[2]") == 6
    made.instance.release("P.c[2]")
    assert made["P.c[2]"] == 6


def test_elements_of_tables_and_of_members(made):
    """Several dimensions, arrays in structures, strings, BOOLs and blocks in arrays."""
    for path, value in {
        "P.grid[1,2]": 0.1,
        "P.pairs[2].list[1]": 50,
        "P.text[2]": "held",
        "P.flags[0]": True,
        "P.timers[2].ET": 5,
        "P.sums[1].n": 3,
    }.items():
        made.instance.force(path, value)
    made.scan(1)
    made.scan(2)
    assert made["P.x"] == made["P.grid[1,2]"] == pytest.approx(0.1)
    assert made.instance.written("P.grid[1,2]") == pytest.approx(1.1)
    assert made["P.copy.list[1]"] == 50
    assert (made["P.text[2]"], made.instance.written("P.text[2]")) == ("held", "run")
    assert made["P.flags[0]"] is True
    assert made["P.timers[2].ET"] == 5
    state = made.instance.snapshot()
    made.instance.release_all()
    assert (made["P.pairs[2].list[1]"], made["P.text[2]"]) == (51, "run")
    assert made.instance.snapshot() == state


def test_a_snapshot_holds_what_was_written_to_elements(made):
    """Restoring leaves the forces and puts the written values beneath them."""
    made.instance.force("P.c[2]", 77)
    made.instance.force("P.grid[1,2]", 9.5)
    made.scan(1)
    state = made.instance.snapshot()
    for at in (2, 3):
        made.scan(at)
    made.instance.restore(state)
    assert (made["P.c[2]"], made.instance.written("P.c[2]")) == (77, 78)
    assert (made["P.grid[1,2]"], made.instance.written("P.grid[1,2]")) == (9.5, 10.5)
    assert made.instance.snapshot() == state
    made.instance.release_all()
    assert made.instance.snapshot() == state


def test_elements_are_released_one_by_one(made):
    """An array with two forces keeps the second; releasing twice is an error."""
    made.instance.force("P.a[1]", 1)
    made.instance.force("P.a[3]", 3)
    made.instance.release("P.a[1]")
    made.scan(1)
    assert (made["P.a[1]"], made["P.a[3]"]) == (10, 3)
    with pytest.raises(SoftctlError, match=r"forced variable \(P\.a\[3\]\), got P\.a\[1\]"):
        made.instance.release("P.a[1]")


def test_release_leaves_nothing_behind(made):
    """The same plain lists and classes as before the first force: unforced scans cost nothing."""
    before = _parts(made.instance)
    for path in ("P.a[2]", "P.grid[1,2]", "P.pairs[2].list[1]", "P.sum", "P.timers[2].ET"):
        made.instance.force(path, 1)
    assert _parts(made.instance) != before
    made.instance.release("P.a[2]")
    made.instance.release_all()
    assert _parts(made.instance) == before


def test_readers_that_are_gone_are_not_kept(made):
    """A force has to know readers of arrays, but keeps none alive."""
    gc.collect()
    kept = len(made.instance._accessors)
    for _ in range(20):
        made.instance.reader(["P.a[1]"])()
        made.instance.writer(["P.a[1]"])([1])
    gc.collect()
    assert len(made.instance._accessors) <= kept


def _parts(instance: Instance) -> list[tuple[int, type]]:
    """Every list and object of an instance, with its class, in a fixed order."""
    waiting, found = [instance._globals, *instance._programs.values()], []
    while waiting:
        owner = waiting.pop()
        found.append((id(owner), type(owner)))
        slots = [n for kind in type(owner).__mro__ for n in getattr(kind, "__slots__", ())]
        parts = owner if isinstance(owner, list) else [getattr(owner, n) for n in slots]
        waiting += [p for p in parts if isinstance(p, list) or hasattr(p, "snapshot")]
    return found


EVERYTHING = """
TYPE Hue : (Red, Green, Blue); Small : INT(2..9);
    Inner : STRUCT f : LREAL; g : ARRAY[1..2] OF Hue; END_STRUCT;
    Outer : STRUCT i : Inner; s : STRING[4]; END_STRUCT; END_TYPE
VAR_GLOBAL shared : DINT; table : ARRAY[0..1] OF Outer; END_VAR
FUNCTION_BLOCK Deep
VAR_INPUT x : BOOL; k : Small; END_VAR VAR_OUTPUT y : REAL; END_VAR
VAR o : Outer; t : TON; END_VAR
t(IN := x, PT := T#10ms); y := y + 1.0; o.i.f := o.i.f + 1.0;
END_FUNCTION_BLOCK
FUNCTION_BLOCK Lamp
VAR_INPUT go : BOOL; END_VAR VAR_OUTPUT lit : BOOL; END_VAR
INITIAL_STEP Dark: END_STEP STEP Bright: lit(N); work(N); END_STEP
TRANSITION FROM Dark TO Bright := go; END_TRANSITION
TRANSITION FROM Bright TO Dark := NOT go; END_TRANSITION
ACTION work: END_ACTION END_FUNCTION_BLOCK
PROGRAM P
VAR b : BOOL; n : SINT; w : LWORD; d : DATE; c : CHAR; h : Hue; e : Small; z : WSTRING[3];
    deep : Deep; deeps : ARRAY[1..2] OF Deep; lamp : Lamp; all : ARRAY[1..2, 0..1] OF TIME; END_VAR
VAR RETAIN kept : UINT; END_VAR
VAR_EXTERNAL shared : DINT; table : ARRAY[0..1] OF Outer; END_VAR
shared := shared + 1; kept := kept + 1; n := n + 1; b := NOT b; table[1].i.f := 2.5;
deep(x := b); deeps[2](x := TRUE); lamp(go := b); all[1, 1] := all[1, 1] + T#1s; h := Blue;
END_PROGRAM
"""
VALUES = {
    "BOOL": (True, False),
    "INT": (7, 3),
    "HUE": (1, 0),
    "REAL": (1.5, -2.25),
    "TIME": (5_000_000, 1),
    "STRING": ("ab", ""),
    "CHAR": ("q", "r"),
}
PATHS = {
    "BOOL": """P.b P.deep.x P.deep.t.Q P.deeps[2].t.IN P.lamp.go P.lamp.lit P.lamp.Dark.X
        P.lamp.Bright.X P.lamp.work.Q P.lamp.work.A""",
    "INT": "shared P.shared P.n P.w P.e P.kept P.deep.k P.deeps[1].k P.d",
    "HUE": "P.h table[1].i.g[2] P.deep.o.i.g[1]",
    "REAL": "P.deep.y P.deeps[2].o.i.f table[1].i.f table[0].i.f P.table[1].i.f",
    "TIME": "P.deep.t.ET P.deeps[1].t.PT P.all[1,1] P.all[2,0] P.lamp.Bright.T",
    "STRING": "P.z table[1].s P.deeps[1].o.s",
    "CHAR": "P.c",
}


@pytest.mark.parametrize(
    ("path", "values"),
    [(path, VALUES[kind]) for kind, paths in PATHS.items() for path in paths.split()],
)
def test_every_variable_can_be_held_by_its_path(path, values):
    """Globals, members, elements, inner variables of blocks, steps, actions, retained ones."""
    free, held = (_APPLICATION.instantiate() for _ in range(2))
    for value in values:
        held.force(path, value)
        for at in range(1, 4):
            held.scan(at * 4_000_000)
            assert held.read(path) == value
        assert held.forces[path] == value
    held.release(path)
    assert dict(held.forces) == {}
    held.restore(free.snapshot())
    for at in range(1, 5):
        for instance in (held, free):
            instance.scan(at * 4_000_000)
    assert held.snapshot() == free.snapshot()


_APPLICATION = compile_application([Source("p.st", EVERYTHING)])
