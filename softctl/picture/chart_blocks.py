"""The blocks that a chart is put together from: steps, transitions, jumps, columns of them.

Drawing rules of IEC 60848 and IEC 61131-3, 2.6 of edition 2: an initial step has a double
frame; a transition is a bar across the link; a divergence or convergence of sequences is a
single line, one of simultaneous sequences a double line; a link that is cut ends in an arrow
to the step's name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from softctl.logic import ActionBlock, Step, Transition
from softctl.logic.terms import Joined, Term, split_condition
from softctl.picture.boxes import LINE, SMALL, Box, around, shortened, text_width
from softctl.picture.chart_net import Node
from softctl.picture.layers import Point
from softctl.picture.sketch import Item, boxes_of, moved

STEP_H = 40.0
ROW_H = 20.0
LINK = 14.0
COLUMN_GAP = 22.0
_FAR = 1e6
_STEP_LEAST_W = 92.0
_BAR = 13.0
_TERM_GAP = 22.0
_TERM_MOST_W = 330.0
_MARK_W = 14.0
_JUMP_H = 16.0
_QUALIFIER_W = 26.0
_NAMES_W = 170.0


@dataclass(slots=True)
class Block:
    """Part of a chart in its own coordinates.

    The link comes in at the top, at `axis`. `exits` are links that leave it downwards: from
    where, from which node, and to which one below.
    """

    w: float
    h: float
    axis: float
    items: list[tuple[str, Item]] = field(default_factory=list)
    inner: list[tuple[Block, float, float]] = field(default_factory=list)
    exits: list[tuple[Point, Node, Node]] = field(default_factory=list)

    def put(self, other: Block, x: float, y: float) -> None:
        """Take in another block with its corner at a place."""
        self.inner.append((other, x, y))
        self.exits += [((px + x, py + y), a, b) for (px, py), a, b in other.exits]
        self.w, self.h = max(self.w, x + other.w), max(self.h, y + other.h)

    def drawn(self, x: float = 0.0, y: float = 0.0) -> Iterator[tuple[str, Item]]:
        """Everything in it, with its corner at a place."""
        for kind, item, dx, dy in self._walk(x, y, _FAR):
            yield kind, moved(item, dx, dy)

    def _walk(self, x: float, y: float, limit: float) -> Iterator[tuple[str, Item, float, float]]:
        """Items with how far to move them, but for blocks below a limit.

        Blocks nest deeply, so this is no recursion.
        """
        left = [(self, x, y)]
        while left:
            block, dx, dy = left.pop()
            yield from ((kind, item, dx, dy) for kind, item in block.items)
            inner = [(one, dx + ix, dy + iy) for one, ix, iy in block.inner]
            left += [one for one in inner if one[2] <= limit]

    def obstacles(self, dx: float, dy: float, limit: float) -> list[Box]:
        """What nothing else may touch: boxes, links, and the ways of the exits down to the end.

        Blocks below `limit` are left out.
        """
        found = [Box(px + dx, py + dy, 0.0, _FAR) for (px, py), _, _ in self.exits]
        for kind, item, x, y in self._walk(dx, dy, limit):
            boxes = [_around(item["path"])] if kind == "links" else boxes_of(item)
            found += [box.moved(x, y) for box in boxes]
        return found

    @property
    def reach(self) -> float:
        """How far down it needs room beside it: an exit's way goes on to the end."""
        return _FAR if self.exits else self.h

    def link(
        self, *points: Point, double: bool = False, arrow: bool = False, of: Node = ""
    ) -> None:
        """Draw a link through some points."""
        path = [list(point) for point in points]
        item = {"path": path, "double": double, "arrow": arrow, "of": of}
        self.items.append(("links", item))


def _around(path: Sequence[Sequence[float]]) -> Box:
    return around([Box(x, y, 0.0, 0.0) for x, y in path])


def beside(placed: Sequence[Box], block: Block, least: float, y: float) -> float:
    """The leftmost place for a block's corner, from `least` on, where it touches nothing."""
    own = block.obstacles(0.0, y, _FAR)
    x = least
    while True:
        pushes = [
            other.right + COLUMN_GAP - (box.x + x)
            for box in own
            for other in placed
            if box.moved(x, 0.0).overlaps(other, COLUMN_GAP)
        ]
        if not pushes:
            return x
        x += max(max(pushes), 1.0)


def step_block(step: Step, program: str) -> Block:
    """A step with its actions on the right; its link comes in at the top of the box."""
    width = max(_STEP_LEAST_W, text_width(step.name) + 36.0)
    rows = [_action(action, number) for number, action in enumerate(step.actions)]
    high = max(STEP_H, len(rows) * ROW_H)
    inner = max((row["w"] for row in rows), default=0.0)
    for row in rows:
        row["w"] = inner
        row |= moved(row, width + 14.0, 0.0)
    block = Block(width + (14.0 + inner if rows else 0.0), high, width / 2)
    block.items.append(
        (
            "steps",
            {
                "name": step.name,
                **Box(0.0, 0.0, width, STEP_H).fields(),
                "initial": step.initial,
                "channel": f"step:{program}.{step.name}",
                "elapsed": f"elapsed:{program}.{step.name}",
                "actions": rows,
                "place": {"file": step.place.file, "line": step.place.line},
            },
        )
    )
    if rows:
        block.link((width, ROW_H / 2), (width + 14.0, ROW_H / 2))
    if high > STEP_H:
        block.link((width / 2, STEP_H), (width / 2, high))
    return block


def _action(action: ActionBlock, number: int) -> Item:
    shown = f"{action.qualifier} {action.time}" if action.time else action.qualifier
    left = max(_QUALIFIER_W, text_width(shown, SMALL) + 10.0)
    width = left + text_width(action.name, SMALL) + 14.0
    return {
        "qualifier": shown,
        "name": action.name,
        **Box(0.0, number * ROW_H, width, ROW_H).fields(),
        "split": left,
        "place": {"file": action.place.file, "line": action.place.line},
    }


def transition_block(transition: Transition, index: int, program: str, rank: int | None) -> Block:
    """A transition with its condition, one term a line; the link passes through it."""
    lines = list(_lines(split_condition(transition.text)))
    number_w = text_width(str(rank), SMALL) + 4.0 if rank else 0.0
    left = _BAR + number_w
    room = _TERM_GAP + _MARK_W
    terms: list[Item] = []
    for number, (text, shown, is_term) in enumerate(lines):
        cut = shortened(shown, _TERM_MOST_W, SMALL)
        box = Box(left + room, number * LINE, text_width(cut, SMALL), LINE)
        found: Item = {"text": text, "shown": cut, **box.fields()}
        if is_term:
            place = sum("channel" in one for one in terms)
            found["channel"] = f"term:{program}.{index}.{place}"
        terms.append(found)
    wide = max(one["w"] for one in terms)
    high = max(len(terms) * LINE, 2 * LINE) + 9.0
    block = Block(left + room + wide, high, left)
    bar = LINE / 2
    item: Item = {
        "index": index,
        "sources": list(transition.sources),
        "targets": list(transition.targets),
        **Box(left - _BAR, bar - 3.0, 2 * _BAR, 6.0).fields(),
        "rank": None,
        "text": transition.text,
        "terms": terms,
        "ready": f"ready:{program}.{index}",
        "place": {"file": transition.place.file, "line": transition.place.line},
    }
    if rank:
        item["rank"] = {"text": str(rank), **Box(0.0, 0.0, number_w - 4.0, LINE).fields()}
    block.items.append(("transitions", item))
    block.link((left, 0.0), (left, high), of=index)
    return block


def _lines(part: Term | Joined, lead: str = "", tail: str = "") -> list[tuple[str, str, bool]]:
    """Each term in a line with what joins it to the ones before: (term, shown, True)."""
    if isinstance(part, Term):
        return [(part.text, f"{lead}{part.text}{tail}", True)]
    found: list[tuple[str, str, bool]] = []
    for number, one in enumerate(part.parts):
        start = lead if not number else f"{part.operator} "
        opens, closes = ("(", ")") if isinstance(one, Joined) and one.operator == "OR" else ("", "")
        end = tail if number == len(part.parts) - 1 else ""
        found += _lines(one, start + opens, closes + end)
    return found


def jump_block(target: str, index: int) -> Block:
    """An arrow to the name of a step that stands elsewhere."""
    width = text_width(target, SMALL) + 4.0
    block = Block(width, _JUMP_H + LINE, width / 2)
    block.link((width / 2, 0.0), (width / 2, _JUMP_H), arrow=True, of=index)
    box = Box(0.0, _JUMP_H, width, LINE)
    block.items.append(("jumps", {"text": target, "step": target, **box.fields(), "of": index}))
    return block


def origin_block(sources: Sequence[str]) -> Block:
    """The names of the steps whose cut links come in here, with an arrow down."""
    lines, here = [], ""
    for name in sources:
        longer = f"{here}, {name}" if here else name
        if here and text_width(longer, SMALL) > _NAMES_W:
            lines.append(f"{here},")
            here = name
        else:
            here = longer
    lines.append(here)
    lines[0] = f"from {lines[0]}"
    width = max(text_width(line, SMALL) for line in lines)
    high = len(lines) * LINE
    block = Block(width, high + _JUMP_H, width / 2)
    for number, line in enumerate(lines):
        wide = text_width(line, SMALL)
        box = Box((width - wide) / 2, number * LINE, wide, LINE)
        block.items.append(("notes", {"text": line, **box.fields()}))
    block.link((width / 2, high), (width / 2, high + _JUMP_H), arrow=True)
    return block
