"""The published behaviour of standard function blocks, at scan periods of 1, 10 and 50 ms.

IEC 61131-3 (third edition): bistables of table 43 as printed; edge detectors of table 44,
counters of table 45 and timers of table 46 with their timing diagrams from memory; times are
computed.

What a scan period does to a value: a block sees its inputs at scan instants only. Where the
edges and PT are whole numbers of periods every value below holds exactly, in the scan of its
instant. An edge between two scans counts from the later one, and an output changes in the
first scan that is PT or more after that, so each time is rounded up to the grid, twice. An
input pulse shorter than the period can pass unseen.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import Source, compile_application
from softctl.values.types import ELEMENTARY_TYPES

MS = 1_000_000
PERIODS = (1, 10, 50)


def inside(spans, at):
    """True in one of the half-open spans."""
    return any(low <= at < high for low, high in spans)


# Bistables


@pytest.mark.parametrize("period", PERIODS)
def test_bistables_follow_their_equations(bench, period):
    """SR: Q1 := S1 OR (NOT R AND Q1). RS: Q1 := NOT R1 AND (S OR Q1). (table 43)"""
    made = bench(
        """PROGRAM P VAR a : SR; b : RS; s, r : BOOL; END_VAR
        a(S1 := s, R := r); b(S := s, R1 := r); END_PROGRAM"""
    )
    set_, reset = [(100, 200), (350, 450), (600, 700)], [(250, 300), (400, 500), (650, 800)]
    spans = {"a": [(100, 250), (350, 450), (600, 700)], "b": [(100, 250), (350, 400), (600, 650)]}
    write, read = made.instance.writer(["P.s", "P.r"]), made.instance.reader(["P.a.Q1", "P.b.Q1"])
    sr = rs = False
    for at in range(0, 1000, period):
        s, r = inside(set_, at), inside(reset, at)
        write([s, r])
        made.scan(at)
        sr, rs = s or (not r and sr), not r and (s or rs)
        assert read() == (sr, rs) == (inside(spans["a"], at), inside(spans["b"], at)), at


@pytest.mark.parametrize(("s", "r", "q"), [*itertools.product([False, True], repeat=3)])
def test_every_row_of_the_bistables(bench, s, r, q):
    """All eight combinations of inputs and former state (table 43)."""
    made = bench(
        """PROGRAM P VAR a : SR; b : RS; s, r : BOOL; END_VAR
        a(S1 := s, R := r); b(S := s, R1 := r); END_PROGRAM"""
    )
    for path, value in {"P.s": s, "P.r": r, "P.a.Q1": q, "P.b.Q1": q}.items():
        made[path] = value
    made.scan()
    assert made["P.a.Q1"] is (s or (not r and q))
    assert made["P.b.Q1"] is (not r and (s or q))


# Edge detectors


@pytest.mark.parametrize("period", PERIODS)
def test_edges_last_one_scan(bench, period):
    """R_TRIG: Q := CLK AND NOT M; M := CLK. F_TRIG the same of NOT CLK (table 44)."""
    made = bench(
        """PROGRAM P VAR r : R_TRIG; f : F_TRIG; x : BOOL; END_VAR
        r(CLK := x); f(CLK := x); END_PROGRAM"""
    )
    write, read = made.instance.writer(["P.x"]), made.instance.reader(["P.r.Q", "P.f.Q"])
    pulses = [(100, 150), (200, 400), (500, 550)]
    rises, falls = {a for a, _ in pulses}, {b for _, b in pulses}
    for at in range(0, 800, period):
        write([inside(pulses, at)])
        made.scan(at)
        assert read() == (at in rises, at in falls), at


@pytest.mark.parametrize("start", [False, True])
def test_edges_in_the_first_call(bench, start):
    """An input that is TRUE from the start is a rising edge; one that is FALSE is no edge.

    Of the falling one from memory: the block's M is TRUE at first.
    """
    made = bench(
        """PROGRAM P VAR r : R_TRIG; f : F_TRIG; x : BOOL; END_VAR
        r(CLK := x); f(CLK := x); END_PROGRAM"""
    )
    made["P.x"] = start
    made.scan(0)
    assert (made["P.r.Q"], made["P.f.Q"]) == (start, False)


# Counters

COUNTED = ["", "_INT", "_DINT", "_LINT", "_UINT", "_UDINT", "_ULINT", "_SINT", "_USINT"]
COUNTERS = """PROGRAM P
VAR u : CTU{0}; d : CTD{0}; b : CTUD{0}; cu, cd, r, l : BOOL; pv : {1}; END_VAR
u(CU := cu, R := r, PV := pv); d(CD := cd, LD := l, PV := pv);
b(CU := cu, CD := cd, R := r, LD := l, PV := pv); END_PROGRAM"""
READ = ["P.u.CV", "P.u.Q", "P.d.CV", "P.d.Q", "P.b.CV", "P.b.QU", "P.b.QD"]


def counter_type(suffix):
    """The type a counter counts in: INT unless its name says another."""
    return ELEMENTARY_TYPES[suffix[1:] or "INT"]


class Counters:
    """Table 45's bodies read sentence by sentence (from memory)."""

    def __init__(self, low, high, start=(0, 0, 0)):
        self.low, self.high = low, high
        self.up, self.down, self.both = start
        self.before = (False, False)

    def scan(self, cu, cd, r, l, pv):  # noqa: E741 - the standard's names
        """The values of READ after a scan."""
        up, down = cu and not self.before[0], cd and not self.before[1]
        self.before = (cu, cd)
        if r:
            self.up = 0
        elif up:
            self.up = min(self.up + 1, self.high)
        if l:
            self.down = pv
        elif down:
            self.down = max(self.down - 1, self.low)
        if r:
            self.both = 0
        elif l:
            self.both = pv
        elif up and not down:
            self.both = min(self.both + 1, self.high)
        elif down and not up:
            self.both = max(self.both - 1, self.low)
        first = (self.up, self.up >= pv, self.down, self.down <= 0)
        return (*first, self.both, self.both >= pv, self.both <= 0)


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("suffix", COUNTED)
def test_counters_of_every_type_count_edges(bench, suffix, period):
    """R wins, then LD, then one edge alone counts; the same edges at every scan period."""
    made = bench(COUNTERS.format(suffix, counter_type(suffix)))
    made["P.pv"] = 3
    up = [(at, at + 50) for at in (50, 150, 250, 350, 450, 650, 750)]
    down = [(at, at + 50) for at in (250, 550, 750, 850)]
    reset, load = [(650, 700)], [(0, 50), (600, 700)]
    write = made.instance.writer(["P.cu", "P.cd", "P.r", "P.l"])
    values = {}
    for at in range(0, 1000, period):
        write([inside(spans, at) for spans in (up, down, reset, load)])
        made.scan(at)
        values[at] = made.instance.reader(READ)()
    no, yes = False, True
    assert values[0] == (0, no, 3, no, 3, yes, no)
    assert values[200] == (2, no, 3, no, 5, yes, no)
    assert values[300] == (3, yes, 2, no, 5, yes, no)  # up and down together: CTUD holds
    assert values[500] == (5, yes, 2, no, 7, yes, no)
    assert values[550] == (5, yes, 1, no, 6, yes, no)
    assert values[600] == (5, yes, 3, no, 3, yes, no)  # loaded
    assert values[650] == (0, no, 3, no, 0, no, yes)  # R before LD, and before the edge
    assert values[700] == (0, no, 3, no, 0, no, yes)  # an edge during R is lost
    assert values[750] == (1, no, 2, no, 0, no, yes)
    low = -1 if counter_type(suffix).low < 0 else 0
    assert values[850] == (1, no, 1, no, low, no, yes)


@pytest.mark.parametrize("suffix", COUNTED)
def test_counters_of_every_type_stop_at_their_limits(bench, suffix):
    """CV stops at the type's maximum going up and at its minimum going down."""
    type_ = counter_type(suffix)
    made = bench(COUNTERS.format(suffix, type_))
    made["P.pv"] = type_.high
    write, read = made.instance.writer(["P.cu", "P.cd"]), made.instance.reader(READ)
    for direction, start, end in ((0, type_.high - 2, type_.high), (1, type_.low + 2, type_.low)):
        for path in ("P.u.CV", "P.d.CV", "P.b.CV"):
            made[path] = start
        for number in range(8):
            pulse = number % 2 == 0
            write([pulse and not direction, pulse and bool(direction)])
            made.scan(number)
        values = read()
        assert values[4] == values[0 if direction == 0 else 2] == end
        assert values[5] is (direction == 0)
        assert values[6] is (direction == 1)
    assert read()[1] is False
    assert read()[3] is True


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 3),
    st.lists(st.tuples(*[st.booleans()] * 4, st.integers(0, 4)), min_size=4, max_size=30),
)
@pytest.mark.parametrize("suffix", COUNTED)
def test_counters_follow_any_inputs(suffix, edge, inputs):
    """Near zero and near both limits any history agrees with table 45 read naively."""
    type_ = counter_type(suffix)
    instance = counters(suffix)
    start = [0, 2, type_.high - 1, max(type_.low + 1, 0)][edge]
    low_start = [0, 2, type_.high - 1, type_.low + 1][edge]
    naive = Counters(type_.low, type_.high, (start, low_start, low_start))
    instance.writer(["P.u.CV", "P.d.CV", "P.b.CV"])([start, low_start, low_start])
    write, read = instance.writer(["P.cu", "P.cd", "P.r", "P.l", "P.pv"]), instance.reader(READ)
    for number, (cu, cd, r, l, pv) in enumerate(inputs):  # noqa: E741
        reset, load = r and number % 3 == 0, l and number % 4 == 0
        write([cu, cd, reset, load, pv])
        instance.scan(number)
        assert read() == naive.scan(cu, cd, reset, load, pv)


_APPLICATIONS = {}


def counters(suffix):
    """A fresh instance of the three counters of a type."""
    if suffix not in _APPLICATIONS:
        text = COUNTERS.format(suffix, counter_type(suffix))
        _APPLICATIONS[suffix] = compile_application([Source("p.st", text)])
    return _APPLICATIONS[suffix].instantiate()


# Timers

TIMER = """PROGRAM P VAR t : {block}; x, q : BOOL; pt, e : {time}; END_VAR
t(IN := x, PT := pt, Q => q, ET => e); END_PROGRAM"""
TIMERS = {  # PT = 500 ms: edges of IN, Q true in, samples of ET
    "TON": (
        [(100, 800), (1000, 1300)],
        [(600, 800)],
        {0: 0, 100: 0, 300: 200, 550: 450, 600: 500, 750: 500, 800: 0, 1200: 200, 1300: 0},
    ),
    "TOF": (
        [(100, 400), (1200, 1400), (1600, 1800)],
        [(100, 900), (1200, 2300)],
        {0: 0, 100: 0, 400: 0, 500: 100, 850: 450, 900: 500, 1150: 500, 1200: 0}
        | {1400: 0, 1500: 100, 1550: 150, 1600: 0, 2000: 200, 2300: 500, 2600: 500},
    ),
    "TP": (
        [(100, 300), (1000, 1800), (2000, 2100), (2200, 2300)],
        [(100, 600), (1000, 1500), (2000, 2500)],
        {0: 0, 100: 0, 300: 200, 550: 450, 600: 0, 1200: 200, 1500: 500, 1750: 500}
        | {1800: 0, 2050: 50, 2250: 250, 2450: 450, 2500: 0},
    ),
}
TYPED = ["{}", "{}_TIME", "{}_LTIME"]


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("name", TYPED)
@pytest.mark.parametrize("block", list(TIMERS))
def test_timers_follow_the_diagrams(bench, block, name, period):
    """Q is true exactly in the diagram's spans, and ET is what it shows, at every period."""
    pulses, spans, samples = TIMERS[block]
    time = "LTIME" if "LTIME" in name else "TIME"
    made = bench(TIMER.format(block=name.format(block), time=time))
    made["P.pt"] = 500 * MS
    write, read = made.instance.writer(["P.x"]), made.instance.reader(["P.q", "P.e"])
    seen = {}
    for at in range(0, 2700, period):
        write([inside(pulses, at)])
        made.scan(at)
        q, elapsed = read()
        assert q is inside(spans, at), at
        seen[at] = elapsed
    assert {at: seen[at] for at in samples} == {at: ms * MS for at, ms in samples.items()}


@pytest.mark.parametrize("period", PERIODS)
def test_times_off_the_grid_are_rounded_up_to_it(bench, period):
    """IN up at 103 ms with PT = 457 ms: Q in the first scan that is 457 ms after its scan."""
    made = bench(TIMER.format(block="TON", time="TIME"))
    made["P.pt"] = 457 * MS
    write, read = made.instance.writer(["P.x"]), made.instance.reader(["P.q"])
    seen = -(-103 // period) * period
    due = seen + -(-457 // period) * period
    assert due == {1: 560, 10: 570, 50: 650}[period]
    for at in range(0, 1000, period):
        write([at >= 103])
        made.scan(at)
        assert read()[0] is (at >= due), at


class Timers:
    """Table 46 in words (from memory), for scans at any instants."""

    def __init__(self, pt):
        self.pt = pt
        self.rise = self.fall = self.pulse = None
        self.before = False

    def scan(self, now, x):
        """Q and ET of TON, TOF and TP."""
        if x and not self.before:
            self.rise = now
            if self.pulse is None:
                self.pulse = now
        if not x and self.before:
            self.fall = now
        self.before = x
        return (*self.on(now, x), *self.off(now, x), *self.one(now, x))

    def on(self, now, x):
        """TON: true once IN has been true for PT."""
        elapsed = min(now - self.rise, self.pt) if x else 0
        return x and elapsed >= self.pt, elapsed

    def off(self, now, x):
        """TOF: true until IN has been false for PT."""
        if x or self.fall is None:
            return x, 0
        elapsed = min(now - self.fall, self.pt)
        return elapsed < self.pt, elapsed

    def one(self, now, x):
        """TP: true for PT from a rising edge, whatever IN does then; not again while IN stays."""
        if self.pulse is None:
            return False, 0
        elapsed = min(now - self.pulse, self.pt)
        running = elapsed < self.pt
        if not running and not x:
            self.pulse = None
            return False, 0
        return running, elapsed


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 300),
    st.lists(st.tuples(st.integers(1, 120), st.booleans()), min_size=3, max_size=40),
)
def test_timers_follow_any_history(pt, steps):
    """Any input at irregular scan instants agrees with the timers read naively."""
    if "timers" not in _APPLICATIONS:
        text = """PROGRAM P VAR a : TON; b : TOF; c : TP; x : BOOL; pt : TIME; END_VAR
        a(IN := x, PT := pt); b(IN := x, PT := pt); c(IN := x, PT := pt); END_PROGRAM"""
        _APPLICATIONS["timers"] = compile_application([Source("p.st", text)])
    instance = _APPLICATIONS["timers"].instantiate()
    naive, now = Timers(pt), 0
    write = instance.writer(["P.x", "P.pt"])
    read = instance.reader([f"P.{t}.{v}" for t in "abc" for v in ("Q", "ET")])
    for wait, x in steps:
        now += wait
        write([x, pt])
        instance.scan(now)
        assert read() == naive.scan(now, x), now
