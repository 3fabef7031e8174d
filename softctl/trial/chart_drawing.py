"""A sequence chart as SVG, with what the trials have touched.

Steps stand in a column, in the order of the text. A transition to the next step is the line
between them; every other one leaves to the side, in a lane of its own, and comes back at the
step that it leads to. The number beside a transition is that of the list below.
"""

from __future__ import annotations

from html import escape

from softctl.logic import Chart, Step, Transition
from softctl.trial.coverage import Coverage

_BOX_WIDTH = 150
_BOX_HEIGHT = 26
_PITCH = 58
_LEFT = 20
_LANE = 16
_LINE = 15


def chart_drawing(chart: Chart, coverage: Coverage) -> str:
    """The whole chart, with the transitions' conditions listed beneath."""
    rows = {step.name: number for number, step in enumerate(chart.steps)}
    parts = [_box(step, rows[step.name], coverage) for step in chart.steps]
    lane = 0
    for number, transition in enumerate(chart.transitions, 1):
        is_touched = coverage.is_touched("transition", transition.place)
        if _is_next(transition, rows):
            parts.append(_straight(transition, rows, number, is_touched))
        else:
            parts.append(_aside(transition, rows, number, lane, is_touched))
            lane += 1
    top = len(chart.steps) * _PITCH + 10
    for number, transition in enumerate(chart.transitions, 1):
        is_touched = coverage.is_touched("transition", transition.place)
        parts.append(_listed(transition, number, top + number * _LINE, is_touched))
    height = top + (len(chart.transitions) + 1) * _LINE
    width = max(760, _LEFT + _BOX_WIDTH + 60 + lane * _LANE)
    label = escape(f"Sequence chart of {chart.program}")
    body = "".join(parts)
    return f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{label}">{body}</svg>'


def _is_next(transition: Transition, rows: dict[str, int]) -> bool:
    if len(transition.sources) != 1 or len(transition.targets) != 1:
        return False
    return rows[transition.targets[0]] == rows[transition.sources[0]] + 1


def _box(step: Step, row: int, coverage: Coverage) -> str:
    is_touched = coverage.is_touched("step", step.place)
    top = row * _PITCH + 4
    missed = "" if is_touched else " missed"
    frame = f'x="{_LEFT}" y="{top}" width="{_BOX_WIDTH}" height="{_BOX_HEIGHT}"'
    inner = ""
    if step.initial:
        inner = (
            f'<rect class="box{missed}" x="{_LEFT + 3}" y="{top + 3}" '
            f'width="{_BOX_WIDTH - 6}" height="{_BOX_HEIGHT - 6}"/>'
        )
    text = escape(step.name if is_touched else f"✗ {step.name}")
    return (
        f'<rect class="box{missed}" {frame}/>{inner}'
        f'<text class="{missed.strip()}" x="{_LEFT + 12}" y="{top + 17}">{text}</text>'
    )


def _straight(transition: Transition, rows: dict[str, int], number: int, is_touched: bool) -> str:
    top = rows[transition.sources[0]] * _PITCH + 4 + _BOX_HEIGHT
    middle, x = top + (_PITCH - _BOX_HEIGHT) // 2, _LEFT + 40
    path = f"M{x},{top} V{top + _PITCH - _BOX_HEIGHT} M{x - 9},{middle} H{x + 9}"
    return _way(path, is_touched) + _number(x + 14, middle + 4, number, is_touched)


def _aside(
    transition: Transition, rows: dict[str, int], number: int, lane: int, is_touched: bool
) -> str:
    right = _LEFT + _BOX_WIDTH
    x = right + 40 + lane * _LANE
    from_y = max(rows[name] for name in transition.sources) * _PITCH + 4 + _BOX_HEIGHT - 6
    path = f"M{right},{from_y} H{x}"
    for name in transition.targets:
        to_y = rows[name] * _PITCH + 4 + 7
        path += f" M{x},{from_y} V{to_y} H{right} m7,-4 l-7,4 l7,4"
    for name in transition.sources:
        path += f" M{right},{rows[name] * _PITCH + 4 + _BOX_HEIGHT - 6} H{x} V{from_y}"
    path += f" M{right + 18},{from_y - 6} v12"
    return _way(path, is_touched) + _number(x + 2, from_y + 12, number, is_touched)


def _way(path: str, is_touched: bool) -> str:
    return f'<path class="way{"" if is_touched else " missed"}" d="{path}"/>'


def _number(x: float, y: float, number: int, is_touched: bool) -> str:
    kind = "soft" if is_touched else "missed"
    return f'<text class="{kind}" x="{x}" y="{y}">{number}</text>'


def _listed(transition: Transition, number: int, y: float, is_touched: bool) -> str:
    sources, targets = ", ".join(transition.sources), ", ".join(transition.targets)
    text = f"{number:>2} {sources} → {targets}: {' '.join(transition.text.split())}"
    if len(text) > 105:
        text = text[:104] + "…"
    kind = "" if is_touched else "missed"
    mark = "  " if is_touched else "✗ "
    place = f'x="{_LEFT}" y="{y}" xml:space="preserve"'
    return f'<text class="{kind}" {place}>{escape(mark + text)}</text>'
