"""Random charts with priorities and every qualifier against a naive reading of the rules."""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import Source, compile_application

QUALIFIERS = ("N", "R", "S", "L", "D", "P", "P0", "P1", "SD", "DS", "SL")
TIMED = ("L", "D", "SD", "DS", "SL")
MS = 1_000_000
ACTIONS, CONDITIONS = 3, 4


@dataclass
class Chart:
    """Steps by number; transitions as (from, to, condition, priority or None)."""

    steps: int
    initial: list[int]
    transitions: list[tuple[list[int], list[int], int, int | None]]
    uses: list[tuple[int, int, str, int]]
    """Associations as (step, action, qualifier, milliseconds)."""

    def text(self) -> str:
        """The chart in ST."""
        parts = ["PROGRAM P VAR"]
        parts += [f"out{i} : BOOL;" for i in range(ACTIONS)]
        parts += [f"c{i} : BOOL;" for i in range(CONDITIONS)]
        parts.append("END_VAR")
        for step in range(self.steps):
            parts.append(f"{'INITIAL_STEP' if step in self.initial else 'STEP'} S{step}:")
            for owner, action, qualifier, time in self.uses:
                if owner == step:
                    limit = f", T#{time}ms" if qualifier in TIMED else ""
                    parts.append(f"out{action}({qualifier}{limit});")
            parts.append("END_STEP")
        for sources, targets, condition, priority in self.transitions:
            rank = f"(PRIORITY := {priority}) " if priority is not None else ""
            lists = [", ".join(f"S{i}" for i in steps) for steps in (sources, targets)]
            parts.append(
                f"TRANSITION {rank}FROM ({lists[0]}) TO ({lists[1]}) := c{condition};"
                " END_TRANSITION"
            )
        return "\n".join([*parts, "END_PROGRAM"])


@dataclass
class NaiveChart:
    """IEC 60848's rules and IEC 61131-3's action control, one sentence at a time."""

    chart: Chart
    active: set[int] = field(default_factory=set)
    since: dict[int, int] = field(default_factory=dict)
    stored: dict[int, int] = field(default_factory=dict)
    started: bool = False

    def scan(self, now: int, conditions: tuple[bool, ...]) -> tuple[set[int], list[bool]]:
        """The situation and the actions after one scan."""
        before = set(self.active)
        if self.started:
            self.evolve(now, conditions)
        else:
            self.active = set(self.chart.initial)
            self.since = dict.fromkeys(self.active, now)
            self.started = True
        return self.active, [self.output(action, now, before) for action in range(ACTIONS)]

    def evolve(self, now: int, conditions: tuple[bool, ...]) -> None:
        """Clear together whatever can be cleared together."""
        ranked = sorted(
            self.chart.transitions, key=lambda t: (t[3] is None, 0 if t[3] is None else t[3])
        )
        off: set[int] = set()
        on: set[int] = set()
        for sources, targets, condition, _ in ranked:
            if set(sources) <= self.active and conditions[condition] and not off & set(sources):
                off |= set(sources)
                on |= set(targets)
        for step in on - self.active:
            self.since[step] = now
        self.active = (self.active - off) | on

    def output(self, action: int, now: int, before: set[int]) -> bool:
        """Q of an action."""
        uses = [(n, u) for n, u in enumerate(self.chart.uses) if u[1] == action]
        asked = [self.asks(n, use, now, before) for n, use in uses]
        if any(step in self.active for _, (step, _, qualifier, _) in uses if qualifier == "R"):
            for number, _ in uses:
                self.stored.pop(number, None)
            return False
        return any(asked)

    def asks(self, number: int, use: tuple[int, int, str, int], now: int, before: set[int]) -> bool:
        """True while one association asks for its action; sets what it stores."""
        step, _, qualifier, time = use
        on, limit = step in self.active, time * MS
        elapsed = now - self.since.get(step, now)
        if qualifier == "P0":
            return step in before and not on
        if qualifier in ("P", "P1"):
            return on and step not in before
        if qualifier in ("N", "L", "D"):
            return on and (
                qualifier == "N" or (elapsed < limit if qualifier == "L" else elapsed >= limit)
            )
        if (qualifier in ("S", "SD", "SL") and on) or (
            qualifier == "DS" and on and elapsed >= limit
        ):
            self.stored.setdefault(number, now)
        if number not in self.stored:
            return False
        held = now - self.stored[number]
        return {"S": True, "DS": True, "SD": held >= limit, "SL": held < limit}[qualifier]


@st.composite
def charts(draw: st.DrawFn) -> Chart:
    """Graphs with simultaneous and alternative branches, joins, loops and priorities."""
    count = draw(st.integers(2, 6))
    steps = st.lists(st.integers(0, count - 1), min_size=1, max_size=3, unique=True)
    transition = st.tuples(
        steps, steps, st.integers(0, CONDITIONS - 1), st.none() | st.integers(1, 3)
    )
    use = st.tuples(
        st.integers(0, count - 1),
        st.integers(0, ACTIONS - 1),
        st.sampled_from(QUALIFIERS),
        st.integers(1, 80),
    )
    return Chart(
        count,
        draw(st.lists(st.integers(0, count - 1), min_size=1, max_size=2, unique=True)),
        draw(st.lists(transition, min_size=1, max_size=7)),
        draw(st.lists(use, max_size=8)),
    )


INPUTS = st.lists(st.tuples(*[st.booleans()] * CONDITIONS), min_size=3, max_size=15)


@settings(max_examples=250, deadline=None)
@given(charts(), INPUTS, st.sampled_from((1, 10, 50)))
def test_random_charts_and_qualifiers_follow_a_naive_reading(chart, inputs, period):
    """Active steps and actions of any chart agree with rules 1 to 5 and with action control."""
    instance = compile_application([Source("c.st", chart.text())]).instantiate()
    naive = NaiveChart(chart)
    write = instance.writer([f"P.c{i}" for i in range(CONDITIONS)])
    used = sorted({action for _, action, _, _ in chart.uses})
    read = instance.reader([f"P.out{i}" for i in used])
    for number, conditions in enumerate(inputs):
        now = number * period * MS
        write(conditions)
        instance.scan(now)
        active, outputs = naive.scan(now, conditions)
        names = tuple(f"S{i}" for i in range(chart.steps) if i in active)
        assert instance.active_steps("P") == names
        assert list(read()) == [outputs[i] for i in used]
