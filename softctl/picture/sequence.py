"""Sequence charts: the geometry of every chart of an application.

Plain data for JSON, in px; every item has its box, so that a test can prove that nothing
lies on anything else.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any

from softctl.logic import Application, Chart
from softctl.picture.boxes import Box, tidy
from softctl.picture.chart_blocks import (
    COLUMN_GAP,
    LINK,
    Block,
    beside,
    jump_block,
    origin_block,
    step_block,
    transition_block,
)
from softctl.picture.chart_net import Node, Plan, plan, ranked
from softctl.picture.sketch import Item, boxes_of

_SEQUENCE_GAP = 44.0
_EDGE = 16.0
_LISTS = ("steps", "transitions", "links", "jumps", "notes")


def sequence_charts(application: Application) -> list[dict[str, Any]]:
    """The geometry of the charts of all programs, in their order."""
    return [sequence_chart(chart) for chart in application.charts]


def sequence_chart(chart: Chart) -> dict[str, Any]:
    """The geometry of one chart."""
    crossing: set[tuple[Node, Node]] = set()
    while True:
        drawn = _Drawing(chart, plan(chart, crossing))
        blocks = drawn.sequences()
        if not drawn.crossing - crossing:
            return drawn.finished(blocks)
        crossing |= drawn.crossing


class _Drawing:
    """Builds blocks from the plan; links that would cross something are noted in `crossing`."""

    def __init__(self, chart: Chart, made: Plan) -> None:
        self.chart, self.plan = chart, made
        self.steps = {step.name: step for step in chart.steps}
        self.made: dict[Node, Block] = {}
        self.crossing: set[tuple[Node, Node]] = set()
        self.leaving: dict[str, list[int]] = {name: [] for name in self.steps}
        for number in ranked(chart.transitions):
            for name in chart.transitions[number].sources:
                self.leaving[name].append(number)

    def sequences(self) -> list[Block]:
        """Every sequence from its root down, then what stands apart.

        Blocks are made from the last one up, so that long charts need no deep recursion.
        """
        for node in reversed(self.plan.order):
            self.made[node] = self._below(node)
        blocks = [self._sequence(name) for name in self.plan.roots]
        return blocks + [self._apart(number) for number in self.plan.apart]

    def _sequence(self, root: str) -> Block:
        block = self.made[root]
        cut = [a for a, b in self.plan.cut if b == root and isinstance(a, int)]
        apart = [i for i in self.plan.apart if root in self.chart.transitions[i].targets]
        sources = [
            name for i in sorted({*cut, *apart}) for name in self.chart.transitions[i].sources
        ]
        if self.steps[root].initial or not sources:
            return block
        return self._stacked(origin_block(list(dict.fromkeys(sources))), block)

    def _stacked(self, upper: Block, lower: Block) -> Block:
        """One block under another, their axes in line."""
        axis = max(upper.axis, lower.axis)
        block = Block(0.0, 0.0, axis)
        block.put(upper, axis - upper.axis, 0.0)
        block.put(lower, axis - lower.axis, upper.h)
        return block

    def _below(self, node: Node) -> Block:
        """A node with everything under it, down to where its ways meet again and beyond."""
        block = self._with_branches(node)
        meeting = self.plan.meeting.get(node)
        return block if meeting is None else self._met(block, meeting)

    def _with_branches(self, node: Node) -> Block:
        own = self._own(node)
        branches = self._branches(node)
        if not branches:
            return own
        axis = max(own.axis, branches[0].axis)
        block = Block(0.0, 0.0, axis)
        block.put(own, axis - own.axis, 0.0)
        is_double = isinstance(node, int)
        if len(branches) > 1:
            axes = self._side_by_side(block, branches, own.h + 2 * LINK)
            self._spread(block, axes, own.h, is_double)
            return block
        top = own.h if is_double else own.h + LINK
        block.link((axis, own.h), (axis, top))
        block.put(branches[0], axis - branches[0].axis, top)
        return block

    def _side_by_side(self, block: Block, branches: Sequence[Block], top: float) -> list[float]:
        """Put branches beside each other, the first below the block's axis; their axes."""
        limit = top + max(branch.reach for branch in branches[1:])
        axes: list[float] = []
        placed: list[Box] = []
        for branch in branches:
            x = block.axis - branch.axis
            if axes:
                x = beside(placed, branch, axes[-1] + COLUMN_GAP - branch.axis, top)
            axes.append(x + branch.axis)
            placed += branch.obstacles(x, top, limit)
            block.put(branch, x, top)
        return axes

    def _spread(self, block: Block, axes: Sequence[float], foot: float, is_double: bool) -> None:
        """A divergence: the line, and the link to each branch."""
        line, end = foot + LINK, foot + 2 * LINK
        reach = 12.0 if is_double else 0.0
        block.link((axes[0], foot), (axes[0], line))
        block.link((axes[0] - reach, line), (axes[-1] + reach, line), double=is_double)
        for x in axes:
            block.link((x, line), (x, end))

    def _own(self, node: Node) -> Block:
        if isinstance(node, str):
            return step_block(self.steps[node], self.chart.program)
        transition = self.chart.transitions[node]
        return transition_block(transition, node, self.chart.program, self._number(node))

    def _number(self, index: int) -> int | None:
        """The priority among alternatives: as given if all have one, else the place in order."""
        transitions = self.chart.transitions
        sources = set(transitions[index].sources)
        rivals = [i for i in ranked(transitions) if sources & set(transitions[i].sources)]
        if len(rivals) == 1:
            return None
        if all(transitions[i].priority is not None for i in rivals):
            return transitions[index].priority
        return rivals.index(index) + 1

    def _branches(self, node: Node) -> list[Block]:
        """What hangs under a node: first what goes on, so that this is a straight line down."""
        if isinstance(node, str):
            targets: Sequence[Node] = [i for i in self.leaving[node] if i not in self.plan.apart]
        else:
            targets = self.chart.transitions[node].targets
        return [self._branch(node, one) for one in sorted(targets, key=partial(self._ending, node))]

    def _ending(self, node: Node, other: Node) -> int:
        """0 for a way that goes on, 1 for one that only meets others, 2 for one that is cut."""
        if (node, other) in self.plan.cut:
            return 2
        if other not in self.plan.below[node]:
            return 1
        if isinstance(other, str):
            return 0
        return min(self._ending(other, one) for one in self.chart.transitions[other].targets)

    def _branch(self, node: Node, other: Node) -> Block:
        if (node, other) in self.plan.cut:
            assert isinstance(node, int)
            return jump_block(str(other), node)
        if other in self.plan.below[node]:
            return self.made[other]
        return Block(1.0, 0.0, 0.5, exits=[((0.5, 0.0), node, other)])

    def _met(self, block: Block, meeting: Node) -> Block:
        """Let the ways to a meeting join below a block, and go on from there."""
        lower = self.made[meeting]
        ends = [(point, a) for point, a, b in block.exits if b == meeting]
        others = [one for one in block.exits if one[2] != meeting]
        is_double = isinstance(meeting, int)
        line = block.h + LINK
        axis = max(block.axis, lower.axis)
        made = Block(0.0, 0.0, axis)
        block.exits = []
        made.put(block, axis - block.axis, 0.0)
        shift = axis - block.axis
        xs = [x + shift for (x, _), _ in ends]
        for (x, y), _ in ends:
            made.link((x + shift, y), (x + shift, line))
        reach = 12.0 if is_double else 0.0
        low, high = min(axis, *xs) if xs else axis, max(axis, *xs) if xs else axis
        made.link((low - reach, line), (high + reach, line), double=is_double)
        made.link((axis, line), (axis, line + LINK))
        made.put(lower, axis - lower.axis, line + LINK)
        right = max(axis - lower.axis + lower.w, high)
        for (x, y), a, b in others:
            if x + shift < right + COLUMN_GAP / 2:
                self.crossing.add((a, b))
            made.exits.append(((x + shift, y), a, b))
        return made

    def _apart(self, number: int) -> Block:
        """A transition whose links are all cut: names above, names below."""
        transition = self.chart.transitions[number]
        own = self._own(number)
        names = [_name_block(name) for name in transition.sources]
        below = [jump_block(name, number) for name in transition.targets]
        upper = self._row(names, "down", len(names) > 1)
        lower = self._row(below, "up", len(below) > 1)
        return self._stacked(self._stacked(upper, own), lower)

    def _row(self, blocks: Sequence[Block], side: str, is_double: bool) -> Block:
        """Blocks side by side, with the line that joins them below or above."""
        row = Block(0.0, 0.0, blocks[0].axis)
        x, axes = 0.0, []
        high = max(block.h for block in blocks)
        top = LINK if side == "up" and is_double else 0.0
        for one in blocks:
            row.put(one, x, top + (high - one.h if side == "down" else 0.0))
            axes.append(x + one.axis)
            x += one.w + COLUMN_GAP
        row.axis = (axes[0] + axes[-1]) / 2
        if is_double:
            line = high + 6.0 if side == "down" else 6.0
            for at in axes:
                ends = (high, line) if side == "down" else (line, top)
                row.link((at, ends[0]), (at, ends[1]))
            row.link((axes[0] - 10.0, line), (axes[-1] + 10.0, line), double=True)
            row.h = max(row.h, line + 6.0) if side == "down" else row.h
            middle = (line, line + 6.0) if side == "down" else (0.0, line)
            row.link((row.axis, middle[0]), (row.axis, middle[1]))
        return row

    # The whole

    def finished(self, blocks: Sequence[Block]) -> dict[str, Any]:
        """Sequences beside each other: the first, then the others in columns no longer than it."""
        lists: dict[str, list[Item]] = {name: [] for name in _LISTS}
        x, y, width, tall = 0.0, 0.0, 0.0, 0.0
        for number, block in enumerate(blocks):
            if number == 1 or (number > 1 and y + block.h > max(tall, 400.0)):
                x, y, width = x + width + _SEQUENCE_GAP, 0.0, 0.0
            for kind, item in block.drawn(_EDGE + x, _EDGE + y):
                lists[kind].append(item)
            y += block.h + _SEQUENCE_GAP
            width = max(width, block.w)
            tall = max(tall, y - _SEQUENCE_GAP)
        size = {"width": tidy(x + width + 2 * _EDGE), "height": tidy(tall + 2 * _EDGE)}
        lists["transitions"].sort(key=lambda item: int(item["index"]))
        return {"program": self.chart.program, **size, **lists}


def _name_block(name: str) -> Block:
    """The name of a step above a cut link."""
    block = jump_block(name, -1)
    text = next(item for kind, item in block.items if kind == "jumps")
    made = Block(block.w, text["h"] + 10.0, block.axis)
    made.items.append(("notes", {**text, "y": 0.0}))
    made.link((block.axis, text["h"]), (block.axis, text["h"] + 10.0))
    return made


def chart_boxes(chart: dict[str, Any]) -> Iterable[tuple[str, Box]]:
    """Every box that nothing else may cover, with what it is."""
    for kind in ("steps", "transitions", "jumps", "notes"):
        for item in chart[kind]:
            for box in boxes_of(item):
                yield f"{kind} {item.get('name') or item.get('index', item['text'])}", box
