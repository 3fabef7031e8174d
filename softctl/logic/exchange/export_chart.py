"""The body of a chart as the format's elements: a graph of connected symbols.

Links run downwards: from a step to its transitions, directly or through a divergence of
selection; from several steps to one transition through a simultaneous convergence; from a
transition to its steps, through a simultaneous divergence if there are several. A link
that would run upwards, to a step that is not declared further down, ends in a jump step
instead; what else meets above a step does so in a convergence of selection.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

from softctl.errors import Problem, ProblemsError
from softctl.logic import tree
from softctl.logic.exchange.format import add, document
from softctl.logic.exchange.remarks import Remarks
from softctl.logic.exchange.st_text import expression
from softctl.logic.source import Token, suggest

_WIDTH, _HEIGHT = 160, 80


@dataclass
class _Behind:
    """What follows a transition: the points that its links leave from, and its jumps."""

    point: str
    branches: list[str]
    jumps: list[tuple[str, str]] = field(default_factory=list)


class ChartExporter:
    """Writes one network into a body, steps and transitions each in order of the text."""

    def __init__(self, network: tree.Network, body: Element, remarks: Remarks) -> None:
        self.network = network
        self.body = body
        self.texts = _texts(network, remarks)
        self._points = 0
        self._rows = 0
        self._order = {step.name.upper(): n for n, step in enumerate(network.steps)}
        self._arrivals: dict[str, list[str]] = {key: [] for key in self._order}
        self._exits: dict[str, list[str]] = {}

    def write(self) -> None:
        """All symbols of the chart."""
        _check(self.network)
        behind = [self._plan(transition) for transition in self.network.transitions]
        leaving = Counter(t.key for tr in self.network.transitions for t in tr.sources)
        for step in self.network.steps:
            self._step(step, leaving[step.name.upper()])
        for transition, plan in zip(self.network.transitions, behind, strict=True):
            self._transition(transition, plan)

    def _plan(self, transition: tree.Transition) -> _Behind:
        point, targets = self._point(), transition.targets
        branches = [self._point() for _ in targets] if len(targets) > 1 else [point]
        plan = _Behind(point, branches)
        last = max(self._order[token.key] for token in transition.sources)
        for token, branch in zip(targets, branches, strict=True):
            if self._order[token.key] <= last:
                plan.jumps.append((token.text, branch))
            else:
                self._arrivals[token.key].append(branch)
        return plan

    def _step(self, step: tree.Step, leaving: int) -> None:
        arrivals = self._arrivals[step.name.upper()]
        if len(arrivals) > 1:
            arrivals = self._join("SelectionConvergence", arrivals)
        made = self._symbol("Step", name=step.name, initialStep="true" if step.initial else "")
        document(made, self.texts[id(step)])
        self._connect(made, arrivals)
        point = self._leave(made)
        if step.associations:
            self._actions(step, self._leave(made, "ConnectionPointOutAction"))
        self._exits[step.name.upper()] = (
            self._split("SelectionDivergence", point, [self._point() for _ in range(leaving)])
            if leaving > 1
            else [point]
        )

    def _actions(self, step: tree.Step, point: str) -> None:
        block = self._symbol("ActionBlock", column=1)
        self._connect(block, [point])
        for node in step.associations:
            made = add(
                block,
                "Action",
                qualifier=node.qualifier,
                duration=expression(node.time) if node.time is not None else "",
                indicator=", ".join(map(expression, node.indicators)),
            )
            add(made, "Reference", name=node.action)

    def _transition(self, node: tree.Transition, behind: _Behind) -> None:
        sources = [self._exits[token.key].pop(0) for token in node.sources]
        if len(sources) > 1:
            sources = self._join("SimultaneousConvergence", sources)
        priority = str(node.priority) if node.priority is not None else ""
        made = self._symbol("Transition", name=node.name, priority=priority)
        document(made, self.texts[id(node)])
        self._connect(made, sources)
        inline = add(add(made, "Condition"), "Inline", "ST")
        add(inline, "ST").text = self._condition(node)
        self._leave(made, point=behind.point)
        if len(behind.branches) > 1:
            self._split("SimultaneousDivergence", behind.point, behind.branches)
        for name, branch in behind.jumps:
            self._connect(self._symbol("JumpStep", targetName=name), [branch])

    @staticmethod
    def _condition(node: tree.Transition) -> str:
        start, stop = node.span
        return node.condition.at.source.text[start:stop].strip()

    # Symbols and links

    def _symbol(self, kind: str, column: int = 0, **attributes: str) -> Element:
        self._rows += column == 0
        made = add(self.body, "SfcObject", kind, **attributes)
        self._position = {"x": str(column * _WIDTH), "y": str(self._rows * _HEIGHT)}
        return made

    def _connect(self, symbol: Element, points: Sequence[str]) -> None:
        add(symbol, "RelPosition", **self._position)
        for point in points:
            add(add(symbol, "ConnectionPointIn"), "Connection", refConnectionPointOutId=point)

    def _point(self) -> str:
        self._points += 1
        return str(self._points)

    def _leave(
        self, symbol: Element, name: str = "ConnectionPointOut", point: str | None = None
    ) -> str:
        point = point or self._point()
        add(symbol, name, connectionPointOutId=point)
        return point

    def _join(self, kind: str, points: Sequence[str]) -> list[str]:
        made = self._symbol(kind)
        self._connect(made, points)
        return [self._leave(made)]

    def _split(self, kind: str, point: str, branches: list[str]) -> list[str]:
        made = self._symbol(kind)
        self._connect(made, [point])
        return [self._leave(made, point=branch) for branch in branches]


def _texts(network: tree.Network, remarks: Remarks) -> dict[int, str]:
    """The comments at each element; conditions and actions keep those inside themselves."""
    elements: list[tree.Step | tree.Transition | tree.Action] = [
        *network.steps,
        *network.transitions,
        *network.actions,
    ]
    texts: dict[int, str] = {}
    for element in sorted(elements, key=lambda item: item.span):
        if isinstance(element, tree.Step):
            texts[id(element)] = remarks.claim_until(element.span[1])
        else:
            texts[id(element)] = remarks.claim_until(element.span[0])
            remarks.skip_until(element.span[1])
    return texts


def _check(network: tree.Network) -> None:
    """Only links between declared steps can be drawn; raises ProblemsError."""
    names: dict[str, str] = {}
    for step in network.steps:
        if names.setdefault(step.name.upper(), step.name) is not step.name:
            raise _problem(step.at, f"step {step.name} is declared twice")
    for transition in network.transitions:
        for token in (*transition.sources, *transition.targets):
            if token.key not in names:
                hint = suggest(token.text, names.values())
                raise _problem(token, f"expected a step, got {token.text}", hint)


def _problem(at: Token, message: str, hint: str = "") -> ProblemsError:
    excerpt = at.source.excerpt(at.line)
    return ProblemsError([Problem(message, at.place, excerpt=excerpt, hint=hint)])
