"""The standard function blocks of IEC 61131-3 at several scan periods."""

from __future__ import annotations

import itertools

import pytest

TIMER = """PROGRAM P VAR t : {block}; x, q : BOOL; e : TIME; END_VAR
t(IN := x, PT := T#500ms, Q => q, ET => e); END_PROGRAM"""

TIMERS = {  # IEC 61131-3, timing diagrams of table 46 (from memory); times computed
    "TON": ([100, 800, 1000, 1300], [(600, 800)]),
    "TOF": ([100, 400, 1200, 1400, 1600, 1800], [(100, 900), (1200, 2300)]),
    "TP": (
        [100, 300, 1000, 1800, 2000, 2100, 2200, 2300],
        [(100, 600), (1000, 1500), (2000, 2500)],
    ),
}


def _inside(spans, at):
    return any(low <= at < high for low, high in spans)


@pytest.mark.parametrize("period", [1, 10, 50])
@pytest.mark.parametrize("block", list(TIMERS))
def test_timer_outputs_follow_the_diagrams(bench, block, period):
    """Q is true exactly in the diagram's spans, whatever the scan period."""
    edges, spans = TIMERS[block]
    made = bench(TIMER.format(block=block))
    pulses = (
        list(itertools.batched(edges, 2))
        if hasattr(itertools, "batched")
        else [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    )
    write, read = made.instance.writer(["P.x"]), made.instance.reader(["P.q"])
    for at in range(0, 2700, period):
        write([_inside(pulses, at)])
        made.scan(at)
        assert read()[0] is _inside(spans, at), at


@pytest.mark.parametrize(
    ("block", "samples"),
    [  # same diagrams, from memory: ET holds PT while the input keeps the timer there
        ("TON", {50: 0, 300: 200, 600: 500, 790: 500, 800: 0, 1200: 200, 1300: 0}),
        ("TOF", {50: 0, 200: 0, 500: 100, 900: 500, 1190: 500, 1200: 0, 1500: 100, 2400: 500}),
        ("TP", {50: 0, 300: 200, 590: 490, 600: 0, 1500: 500, 1790: 500, 1800: 0, 2250: 250}),
    ],
)
def test_elapsed_times_follow_the_diagrams(bench, block, samples):
    """ET rises, holds and falls as drawn."""
    edges, _ = TIMERS[block]
    pulses = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    made = bench(TIMER.format(block=block))
    for at in range(0, 2500, 10):
        made["P.x"] = _inside(pulses, at)
        made.scan(at)
        if at in samples:
            assert made["P.e"] == samples[at] * 1_000_000, at


def test_bistables(bench):
    """SR is set-dominant, RS reset-dominant (IEC 61131-3 table 43)."""
    made = bench(
        """PROGRAM P VAR a : SR; b : RS; s, r : BOOL; END_VAR
        a(S1 := s, R := r); b(S := s, R1 := r); END_PROGRAM"""
    )
    sr = rs = False
    for s, r in [(0, 0), (1, 0), (0, 0), (0, 1), (0, 0), (1, 1), (0, 0), (0, 1), (1, 0)]:
        made["P.s"], made["P.r"] = bool(s), bool(r)
        made.scan()
        sr = bool(s) or (not r and sr)
        rs = not r and (bool(s) or rs)
        assert (made["P.a.Q1"], made["P.b.Q1"]) == (sr, rs)


def test_edges(bench):
    """R_TRIG and F_TRIG pulse for one scan (IEC 61131-3 table 44, from memory)."""
    made = bench(
        """PROGRAM P VAR r : R_TRIG; f : F_TRIG; x : BOOL; END_VAR
        r(CLK := x); f(CLK := x); END_PROGRAM"""
    )
    seen = []
    for x in (1, 1, 0, 0, 1):
        made["P.x"] = bool(x)
        made.scan()
        seen.append((made["P.r.Q"], made["P.f.Q"]))
    rise, fall, none = (True, False), (False, True), (False, False)
    assert seen == [rise, none, fall, none, rise]


def test_count_up(bench):
    """CTU counts rising edges, R wins, Q from PV on (IEC 61131-3 table 45, from memory)."""
    made = bench(
        """PROGRAM P VAR c : CTU; x, r : BOOL; END_VAR
        c(CU := x, R := r, PV := 2); END_PROGRAM"""
    )
    seen = []
    for x, r in [(1, 0), (1, 0), (0, 0), (1, 0), (0, 1), (1, 1), (0, 0), (1, 0)]:
        made["P.x"], made["P.r"] = bool(x), bool(r)
        made.scan()
        seen.append((made["P.c.CV"], made["P.c.Q"]))
    no, yes = False, True
    assert seen == [(1, no), (1, no), (1, no), (2, yes), (0, no), (0, no), (0, no), (1, no)]


@pytest.mark.parametrize(
    ("suffix", "type_", "top"), [("", "INT", 32767), ("_UDINT", "UDINT", 2**32 - 1)]
)
def test_counters_stop_at_their_limits(bench, suffix, type_, top):
    """CV stops at the type's maximum, and at its minimum counting down (from memory)."""
    made = bench(
        f"""PROGRAM P VAR u : CTU{suffix}; d : CTD{suffix}; x : BOOL; n : {type_}; END_VAR
        x := NOT x; u(CU := x, PV := 5); d(CD := x, PV := 5); END_PROGRAM"""
    )
    low = 0 if type_ == "UDINT" else -32768
    made["P.u.CV"], made["P.d.CV"] = top, low
    made.scan()
    assert (made["P.u.CV"], made["P.d.CV"], made["P.d.Q"]) == (top, low, True)


def test_count_both_ways(bench):
    """CTUD: R, then LD, then one edge alone counts (IEC 61131-3 table 45, from memory)."""
    made = bench(
        """PROGRAM P VAR c : CTUD; u, d, r, l : BOOL; END_VAR
        c(CU := u, CD := d, R := r, LD := l, PV := 3); END_PROGRAM"""
    )
    steps = [
        ("l", 3, True, False),
        ("d", 2, False, False),
        ("", 2, False, False),
        ("u", 3, True, False),
        ("", 3, True, False),
        ("ud", 3, True, False),
        ("rl", 0, False, True),
        ("", 0, False, True),
        ("d", -1, False, True),
    ]
    for on, value, up, down in steps:
        for name in "udrl":
            made[f"P.{name}"] = name in on
        made.scan()
        assert (made["P.c.CV"], made["P.c.QU"], made["P.c.QD"]) == (value, up, down), on
