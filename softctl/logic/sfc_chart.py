"""What a chart says: its steps, transitions and action blocks, for whoever shows them."""

from __future__ import annotations

from dataclasses import dataclass

from softctl.errors import Place
from softctl.logic import tree


@dataclass(frozen=True, slots=True)
class ActionBlock:
    """What a step does: `time` as written, empty where the qualifier has none."""

    qualifier: str
    name: str
    time: str
    place: Place


@dataclass(frozen=True, slots=True)
class Step:
    """A step of a chart."""

    name: str
    initial: bool
    place: Place
    actions: tuple[ActionBlock, ...] = ()


@dataclass(frozen=True, slots=True)
class Transition:
    """A transition of a chart; `text` is its condition as written, `priority` as given."""

    sources: tuple[str, ...]
    targets: tuple[str, ...]
    text: str
    place: Place
    priority: int | None = None


@dataclass(frozen=True, slots=True)
class Chart:
    """The sequence of one program, or block, by name."""

    program: str
    steps: tuple[Step, ...]
    transitions: tuple[Transition, ...]


def chart_of(pou: tree.Pou) -> Chart:
    """The chart of a unit with a network, steps and transitions in order of the text."""
    assert pou.network is not None
    steps = [
        Step(
            step.name,
            step.initial,
            step.at.place,
            tuple(
                ActionBlock(a.qualifier, a.action, a.time_text, a.at.place)
                for a in step.associations
            ),
        )
        for step in pou.network.steps
    ]
    names = {step.name.upper(): step.name for step in steps}
    transitions = [
        Transition(
            tuple(names.get(token.key, token.text) for token in t.sources),
            tuple(names.get(token.key, token.text) for token in t.targets),
            t.text,
            t.at.place,
            t.priority,
        )
        for t in pou.network.transitions
    ]
    return Chart(pou.name, tuple(steps), tuple(transitions))
