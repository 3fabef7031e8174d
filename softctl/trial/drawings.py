"""Drawings of a record as SVG: values around a moment, and the steps over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise
from typing import Any

from softctl.trial.result import Deed, Result, Span, Window

_WIDTH = 900
_LEFT = 190
_RIGHT = 80
_LINE = 46
_TRACK = 22
_MOST_POINTS = 400

Samples = Sequence[tuple[int, Any]]


def trend(window: Window, moment_ns: int) -> str:
    """The values of a window, one lane each, with a line at the moment; empty without any."""
    if not window.names or len(window.samples) < 2:
        return ""
    begin, end = window.samples[0][0], window.samples[-1][0]
    scale = _Scale(begin, end)
    parts: list[str] = []
    top = 4
    for place, name in enumerate(window.names):
        samples = [(time, values[place]) for time, values in window.samples]
        is_bool = isinstance(samples[0][1], bool)
        height = _TRACK if is_bool else _LINE
        lane = (
            _track(samples, scale, top, height) if is_bool else _line(samples, scale, top, height)
        )
        parts += [_text(0, top + height / 2 + 4, name), *lane]
        top += height + 8
    x = scale(moment_ns)
    parts.append(f'<line class="moment" x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{top}"/>')
    parts += _axis(scale, top)
    return _svg(top + 22, "Values around the moment", parts)


def timeline(result: Result) -> str:
    """The active steps of each chart over the trial, with what was done and what was not met."""
    charts: dict[str, dict[str, list[Span]]] = {}
    for span in result.spans:
        charts.setdefault(span.chart, {}).setdefault(span.step, []).append(span)
    if not charts or not result.duration_ns:
        return ""
    scale = _Scale(0, result.duration_ns)
    parts: list[str] = []
    top = 18
    for chart, steps in charts.items():
        for step, spans in steps.items():
            parts.append(_text(0, top + 13, f"{chart}.{step}"))
            parts += [_bar(span, scale, top) for span in spans]
            top += _TRACK
    parts += [_deed(deed, scale, top) for deed in result.deeds]
    parts += [_mark(scale(verdict.at_ns)) for verdict in result.verdicts if verdict.window]
    parts += _axis(scale, top)
    return _svg(top + 22, "Active steps over time", parts)


class _Scale:
    """Machine time to a place on the drawing."""

    def __init__(self, begin_ns: int, end_ns: int) -> None:
        self.begin_ns = begin_ns
        self.end_ns = max(end_ns, begin_ns + 1)

    def __call__(self, time_ns: int) -> float:
        part = (time_ns - self.begin_ns) / (self.end_ns - self.begin_ns)
        return _LEFT + part * (_WIDTH - _LEFT - _RIGHT)


def _line(samples: Samples, scale: _Scale, top: float, height: float) -> Iterator[str]:
    """A number as a line on a scale of its own, with the ends of that scale."""
    values = [float(value) for _, value in samples if isinstance(value, int | float)]
    if len(values) != len(samples):
        yield _text(_LEFT, top + height / 2 + 4, str(samples[-1][1]), "soft")
        return
    low, high = min(values), max(values)
    reach = (high - low) or 1.0
    stride = max(1, len(samples) // _MOST_POINTS)
    chosen = [*samples[::stride], samples[-1]]
    points = " ".join(
        f"{scale(time):.1f},{top + height - 3 - (float(value) - low) / reach * (height - 6):.1f}"
        for time, value in chosen
    )
    width = _WIDTH - _LEFT - _RIGHT
    frame = f'x="{_LEFT}" y="{top}" width="{width}" height="{height}"'
    yield f'<rect class="rule" {frame} fill="none"/>'
    yield f'<polyline class="trace" points="{points}"/>'
    yield _text(_WIDTH - _RIGHT + 6, top + 10, f"{high:.5g}", "soft")
    if high > low:
        yield _text(_WIDTH - _RIGHT + 6, top + height, f"{low:.5g}", "soft")


def _track(samples: Samples, scale: _Scale, top: float, height: float) -> Iterator[str]:
    """A BOOL as a bar while it is TRUE, on a base line."""
    base = top + height - 4
    yield (f'<line class="rule" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{base}" y2="{base}"/>')
    since: int | None = None
    for (time, value), (following, _) in pairwise([*samples, samples[-1]]):
        if value and since is None:
            since = time
        if since is not None and (not value or following == time):
            yield _high(scale(since), scale(time), top)
            since = None
    word = "TRUE" if samples[-1][1] else "FALSE"
    yield _text(_WIDTH - _RIGHT + 6, base, word, "soft")


def _high(x1: float, x2: float, top: float) -> str:
    width = max(x2 - x1, 1.5)
    return f'<rect class="high" x="{x1:.1f}" y="{top + 4:.1f}" width="{width:.1f}" height="14"/>'


def _bar(span: Span, scale: _Scale, top: float) -> str:
    x1, x2 = scale(span.from_ns), scale(span.to_ns)
    title = f"{span.step}: {span.from_ns / 1e9:.3f} to {span.to_ns / 1e9:.3f} s"
    return (
        f'<rect class="step" x="{x1:.1f}" y="{top + 3}" width="{max(x2 - x1, 1.5):.1f}" '
        f'height="{_TRACK - 6}"><title>{escape(title)}</title></rect>'
    )


def _deed(deed: Deed, scale: _Scale, bottom: float) -> str:
    x = scale(deed.at_ns)
    title = escape(f"{deed.at_ns / 1e9:.3f} s: {deed.what}")
    return (
        f'<line class="deed" x1="{x:.1f}" x2="{x:.1f}" y1="12" y2="{bottom}" '
        f'stroke-width="1" stroke-opacity=".45"><title>{title}</title></line>'
    )


def _mark(x: float) -> str:
    return f'<path class="mark" d="M{x - 5:.1f},1 L{x + 5:.1f},1 L{x:.1f},11 Z"/>'


def _axis(scale: _Scale, top: float) -> Iterator[str]:
    """Seconds at round numbers."""
    reach_s = (scale.end_ns - scale.begin_ns) / 1e9
    step_s = next(s for s in _round_steps() if reach_s / s <= 10)
    number = -(-scale.begin_ns // int(step_s * 1e9)) if step_s * 1e9 >= 1 else 0
    while number * step_s * 1e9 <= scale.end_ns:
        x = scale(int(number * step_s * 1e9))
        yield f'<line class="rule" x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{top + 5}"/>'
        yield _text(x - 8, top + 18, f"{number * step_s:g} s", "soft")
        number += 1


def _round_steps() -> Iterator[float]:
    size = 0.01
    while True:
        yield from (size, 2 * size, 5 * size)
        size *= 10


def _text(x: float, y: float, text: str, kind: str = "") -> str:
    shown = text if len(text) <= 28 or x else text[:27] + "…"
    class_ = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}"{class_}>{escape(shown)}</text>'


def _svg(height: float, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg viewBox="0 0 {_WIDTH} {height:.0f}" role="img" aria-label="{escape(title)}">'
        + "".join(parts)
        + "</svg>"
    )
