"""Random charts in ST, and a naive reading of the rules that they have to follow.

Steps with simultaneous and alternative branches, joins, jumps back and priorities; conditions
on inputs, step flags and step times; every qualifier on BOOL actions and on actions with a
body. The reading knows IEC 60848's five rules and IEC 61131-3's action control (from memory)
one sentence at a time, and nothing of the compiler.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

QUALIFIERS = ("N", "R", "S", "L", "D", "P", "P0", "P1", "SD", "DS", "SL")
TIMED = ("L", "D", "SD", "DS", "SL")
MS = 1_000_000
INPUTS = 4
BODIES = (2, 3)
"""Actions 0 and 1 are BOOL variables, these two have a body."""
ACTIONS = 4


@dataclass(frozen=True)
class Condition:
    """An input, and with it the flag of a step, or the time that one has been active."""

    number: int
    step: int | None = None
    after_ms: int | None = None

    def text(self) -> str:
        """The condition in ST."""
        if self.step is None:
            return f"c{self.number}"
        if self.after_ms is None:
            return f"c{self.number} AND S{self.step}.X"
        return f"c{self.number} OR S{self.step}.T >= T#{self.after_ms}ms"


@dataclass(frozen=True)
class Use:
    """An association of a step with an action."""

    step: int
    action: int
    qualifier: str
    time_ms: int


@dataclass(frozen=True)
class Transition:
    """From some steps to some steps, with a priority or none."""

    sources: tuple[int, ...]
    targets: tuple[int, ...]
    condition: Condition
    priority: int | None


@dataclass
class Chart:
    """A chart by numbers."""

    steps: int
    initial: tuple[int, ...]
    transitions: Sequence[Transition]
    uses: Sequence[Use]

    def text(self) -> str:
        """The chart in ST."""
        declared = [f"c{i} : BOOL;" for i in range(INPUTS)]
        declared += [f"out{i} : BOOL;" for i in range(ACTIONS) if i not in BODIES]
        declared += [f"n{i}, q{i} : DINT;" for i in BODIES]
        parts = [f"PROGRAM P VAR {' '.join(declared)} END_VAR"]
        for step in range(self.steps):
            parts.append(f"{'INITIAL_STEP' if step in self.initial else 'STEP'} S{step}:")
            for use in self.uses:
                if use.step == step:
                    limit = f", T#{use.time_ms}ms" if use.qualifier in TIMED else ""
                    name = f"{'act' if use.action in BODIES else 'out'}{use.action}"
                    parts.append(f"  {name}({use.qualifier}{limit});")
            parts.append("END_STEP")
        for t in self.transitions:
            rank = f"(PRIORITY := {t.priority}) " if t.priority is not None else ""
            lists = [", ".join(f"S{i}" for i in steps) for steps in (t.sources, t.targets)]
            parts.append(
                f"TRANSITION {rank}FROM ({lists[0]}) TO ({lists[1]}) := {t.condition.text()};"
                " END_TRANSITION"
            )
        used = {use.action for use in self.uses}
        parts += [
            f"ACTION act{i}: n{i} := n{i} + 1;"
            f" IF act{i}.Q THEN q{i} := q{i} + 1; END_IF; END_ACTION"
            for i in BODIES
            if i in used
        ]
        return "\n".join([*parts, "END_PROGRAM"])


def random_chart(rng: random.Random) -> Chart:
    """Any chart: most are no sensible machine, all have a meaning."""
    steps = rng.randint(2, 6)

    def some() -> tuple[int, ...]:
        return tuple(rng.sample(range(steps), rng.choice((1, 1, 1, 2, min(3, steps)))))

    def condition() -> Condition:
        kind = rng.randrange(6)
        step = rng.randrange(steps) if kind > 3 else None
        return Condition(rng.randrange(INPUTS), step, rng.randint(1, 90) if kind == 5 else None)

    transitions = [
        Transition(some(), some(), condition(), rng.choice((None, None, 1, 2, 3)))
        for _ in range(rng.randint(1, 8))
    ]
    uses = [
        Use(
            rng.randrange(steps), rng.randrange(ACTIONS), rng.choice(QUALIFIERS), rng.randint(1, 80)
        )
        for _ in range(rng.randint(0, 9))
    ]
    initial = tuple(rng.sample(range(steps), rng.choice((1, 1, 2))))
    return Chart(steps, initial, transitions, uses)


def random_inputs(rng: random.Random) -> list[list[bool]]:
    """What the inputs are in each scan."""
    likely = rng.choice((0.2, 0.5, 0.8))
    return [[rng.random() < likely for _ in range(INPUTS)] for _ in range(rng.randint(3, 25))]


@dataclass
class NaiveChart:
    """The rules, one sentence at a time."""

    chart: Chart
    active: set[int] = field(default_factory=set)
    since: dict[int, int] = field(default_factory=dict)
    elapsed: dict[int, int] = field(default_factory=dict)
    stored: dict[int, int] = field(default_factory=dict)
    held: dict[int, bool] = field(default_factory=dict)
    outputs: list[bool] = field(default_factory=lambda: [False] * ACTIONS)
    runs: dict[int, int] = field(default_factory=lambda: dict.fromkeys(BODIES, 0))
    true_runs: dict[int, int] = field(default_factory=lambda: dict.fromkeys(BODIES, 0))
    started: bool = False

    def scan(self, now: int, inputs: Sequence[bool]) -> None:
        """One scan: first the situation evolves, then the actions are carried out."""
        before = set(self.active)
        for step in self.active:
            self.elapsed[step] = now - self.since[step]
        if self.started:
            self.evolve(now, inputs)
        else:  # rule 1: the initial steps are active at the start
            self.active = set(self.chart.initial)
            self.since = dict.fromkeys(self.active, now)
            self.started = True
        for action in range(ACTIONS):
            self.carry_out(action, now, before)

    def evolve(self, now: int, inputs: Sequence[bool]) -> None:
        """Rules 2 to 5, with alternatives by priority, then from left to right."""
        ranked = sorted(
            self.chart.transitions,
            key=lambda t: (t.priority is None, 0 if t.priority is None else t.priority),
        )
        off: set[int] = set()
        on: set[int] = set()
        for t in ranked:
            enabled = set(t.sources) <= self.active and not off & set(t.sources)
            if enabled and self.holds(t.condition, inputs):
                off |= set(t.sources)
                on |= set(t.targets)
        for step in on - self.active:
            self.since[step] = now
            self.elapsed[step] = 0
        self.active = (self.active - off) | on

    def holds(self, condition: Condition, inputs: Sequence[bool]) -> bool:
        """A condition in the situation at the start of the scan."""
        given, step = inputs[condition.number], condition.step
        if step is None:
            return given
        if condition.after_ms is None:
            return given and step in self.active
        return given or self.elapsed.get(step, 0) >= condition.after_ms * MS

    def carry_out(self, action: int, now: int, before: set[int]) -> None:
        """Q of an action; its body runs with Q, and once more after Q has fallen."""
        uses = [(n, u) for n, u in enumerate(self.chart.uses) if u.action == action]
        levels = [self.level(n, use, now) for n, use in uses]
        pulses = [self.pulse(use, before) for _, use in uses]
        if any(use.step in self.active for _, use in uses if use.qualifier == "R"):
            for number, _ in uses:
                self.stored.pop(number, None)
            levels, pulses = [], []
        self.outputs[action] = any(levels) or any(pulses)
        if action in BODIES and (self.outputs[action] or self.held.get(action)):
            self.runs[action] += 1
            self.true_runs[action] += self.outputs[action]
        self.held[action] = any(levels)

    def pulse(self, use: Use, before: set[int]) -> bool:
        """P and P1 with the scan of an activation, P0 with that of a deactivation."""
        on = use.step in self.active
        if use.qualifier == "P0":
            return use.step in before and not on
        return use.qualifier in ("P", "P1") and on and use.step not in before

    def level(self, number: int, use: Use, now: int) -> bool:
        """True while one association asks for its action; keeps what it stores."""
        on, limit = use.step in self.active, use.time_ms * MS
        elapsed = now - self.since.get(use.step, now)
        qualifier = use.qualifier
        if qualifier == "N":
            return on
        if qualifier in ("L", "D"):
            return on and (elapsed < limit if qualifier == "L" else elapsed >= limit)
        late = qualifier == "DS" and on and elapsed >= limit
        if late or (qualifier in ("S", "SD", "SL") and on):
            self.stored.setdefault(number, now)
        if number not in self.stored:
            return False
        held = now - self.stored[number]
        return {"S": True, "DS": True, "SD": held >= limit, "SL": held < limit}[qualifier]
