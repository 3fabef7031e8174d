"""The plan of a chart's drawing: what stands below what, and which links are cut.

Steps and transitions are nodes of one graph. IEC 60848 allows a link to be cut with its
target named, which keeps a drawing readable; cut here are

- links back to a step that is above,
- all links to a step that many transitions lead to: it begins a sequence of its own,
- of the transitions that join the same parallel steps, all but one,
- what would have to cross something else.

The rest is a graph without circles. In it, a node with one way in stands below that; one with
several stands below the node that every way to it passes (its dominator), where they meet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from softctl.logic import Chart, Transition

Node = str | int
"""A step by its name, or a transition by its index."""

_MOST_MET = 3
_ROOT = -1


@dataclass(slots=True)
class Plan:
    """What to draw: `roots` begin sequences, `cut` are links that are not drawn.

    `order` has every node after those that lead to it. `below` are the nodes in line under
    a node, `meeting` the node where ways that begin at a node meet again, `apart` the
    transitions that are drawn by themselves.
    """

    roots: list[str] = field(default_factory=list)
    order: list[Node] = field(default_factory=list)
    cut: set[tuple[Node, Node]] = field(default_factory=set)
    below: dict[Node, list[Node]] = field(default_factory=dict)
    meeting: dict[Node, Node] = field(default_factory=dict)
    apart: list[int] = field(default_factory=list)


def ranked(transitions: Sequence[Transition]) -> list[int]:
    """Indices in order of priority: given ones first, then the order of the text."""
    numbers = range(len(transitions))
    return sorted(
        numbers,
        key=lambda i: (transitions[i].priority is None, transitions[i].priority or 0, i),
    )


def plan(chart: Chart, crossing: Iterable[tuple[Node, Node]] = ()) -> Plan:
    """The plan of a chart; `crossing` are links that have turned out to cross something."""
    net = _Net(chart, set(crossing))
    while not net.settle():
        pass
    return net.made


class _Net:
    def __init__(self, chart: Chart, cut: set[tuple[Node, Node]]) -> None:
        self.chart = chart
        self.order = ranked(chart.transitions)
        self.heads: list[str] = [step.name for step in chart.steps if step.initial]
        self.cut = cut
        self.apart: set[int] = set(self._spare_joins())
        self.apart |= {other for _, other in cut if isinstance(other, int)}
        self.made = Plan()

    def _spare_joins(self) -> Iterable[int]:
        """Of the transitions that share steps to join, all but the one the sequence goes on by."""
        transitions = self.chart.transitions
        led = [name for one in transitions for name in one.targets]
        joins = [i for i, one in enumerate(transitions) if len(one.sources) > 1]
        joins.sort(key=lambda i: (min(led.count(name) for name in transitions[i].targets), i))
        taken: set[str] = set()
        for number in joins:
            sources = set(transitions[number].sources)
            if sources & taken:
                yield number
            else:
                taken |= sources

    def settle(self) -> bool:
        """One round; False when it has cut something more, so that another one is due."""
        after = self._after()
        known = len(self.heads) + len(self.apart)
        order = self._without_circles(after)
        if len(self.heads) + len(self.apart) > known:
            return False
        before: dict[Node, list[Node]] = {node: [] for node in order}
        for node in order:
            for other in after[node]:
                before[other].append(node)
        for node in order:
            if isinstance(node, str) and len(before[node]) > _MOST_MET and node not in self.heads:
                return self._begin(node)
        above = _dominators(order, before)
        below: dict[Node, list[Node]] = {node: [] for node in order}
        meeting: dict[Node, Node] = {}
        for node in order:
            ways = before[node]
            if len(ways) == 1:
                below[ways[0]].append(node)
            elif ways and (above[node] == _ROOT or above[node] in meeting):
                return self._begin(node)
            elif ways:
                meeting[above[node]] = node
        links = {(node, other) for node in order for other in after[node]}
        below = {node: [one for one in after[node] if one in below[node]] for node in order}
        self.made = Plan(list(self.heads), order, self._all_links() - links, below, meeting)
        self.made.apart = sorted(self.apart)
        return True

    def _begin(self, node: Node) -> bool:
        """Cut all links to a node: a step begins a sequence, a transition stands apart."""
        if isinstance(node, str):
            self.heads.append(node)
        else:
            self.apart.add(node)
        return False

    def _all_links(self) -> set[tuple[Node, Node]]:
        found: set[tuple[Node, Node]] = set()
        for number, one in enumerate(self.chart.transitions):
            if number not in self.apart:
                found |= {(name, number) for name in one.sources}
                found |= {(number, name) for name in one.targets}
        return found

    def _after(self) -> dict[Node, list[Node]]:
        """What each node leads to: ways that go on before those that are cut."""
        found: dict[Node, list[Node]] = {step.name: [] for step in self.chart.steps}
        for number in self.order:
            one = self.chart.transitions[number]
            found[number] = []
            if number in self.apart:
                continue
            for name in one.sources:
                found[name].append(number)
            for name in one.targets:
                if name not in self.heads and (number, name) not in self.cut:
                    found[number].append(name)
        return found

    def _without_circles(self, after: dict[Node, list[Node]]) -> list[Node]:
        """Take out links back to what is above; the nodes in an order along the links."""
        done: list[Node] = []
        state: dict[Node, int] = {}
        starts = [*self.heads, *(s.name for s in self.chart.steps)]
        for start in starts:
            if start in state:
                continue
            if start not in self.heads:
                self.heads.append(start)
            self._walk(start, after, state, done)
        return done[::-1]

    def _walk(
        self,
        start: Node,
        after: dict[Node, list[Node]],
        state: dict[Node, int],
        done: list[Node],
    ) -> None:
        stack: list[tuple[Node, int]] = [(start, 0)]
        state[start] = 1
        while stack:
            node, place = stack.pop()
            if place == len(after[node]):
                state[node] = 2
                done.append(node)
                continue
            other = after[node][place]
            if state.get(other) == 1:
                after[node].remove(other)
                if isinstance(other, int):  # it joins a step that itself leads to
                    self.apart.add(other)
                stack.append((node, place))
                continue
            stack.append((node, place + 1))
            if other not in state:
                state[other] = 1
                stack.append((other, 0))


def _dominators(order: Sequence[Node], before: Mapping[Node, Sequence[Node]]) -> dict[Node, Node]:
    """The nearest node that every way to a node passes; in a graph without circles one pass."""
    above: dict[Node, Node] = {}
    depth: dict[Node, int] = {_ROOT: 0}
    for node in order:
        found: Node | None = None
        for other in before[node]:
            found = other if found is None else _common(found, other, above, depth)
        above[node] = _ROOT if found is None else found
        depth[node] = depth[above[node]] + 1
    return above


def _common(a: Node, b: Node, above: Mapping[Node, Node], depth: Mapping[Node, int]) -> Node:
    while a != b:
        if depth[a] >= depth[b]:
            a = above[a]
        else:
            b = above[b]
    return a
