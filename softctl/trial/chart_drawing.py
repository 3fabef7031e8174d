"""A sequence chart as SVG, with what the trials have touched.

The geometry is that of every other drawing of a chart (`softctl.picture`). What no trial has
touched is marked by a cross and by its line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any

from softctl.logic import Chart
from softctl.picture import sequence_chart
from softctl.trial.coverage import Coverage

_CROSS = "✗"
_ARROW = 7.0


def chart_drawing(chart: Chart, coverage: Coverage) -> str:
    """The whole chart, with each transition's condition beside it."""
    drawn = sequence_chart(chart)
    ways = [coverage.is_touched("transition", one.place) for one in chart.transitions]
    steps = {step.name: coverage.is_touched("step", step.place) for step in chart.steps}
    parts = [*_links(drawn["links"]), *_names(drawn["jumps"]), *_names(drawn["notes"])]
    for transition in drawn["transitions"]:
        index = transition["index"]
        own = [link for link in drawn["links"] if link["of"] == index]
        parts += _transition(transition, own, ways[index])
    for step in drawn["steps"]:
        parts += _step(step, steps[step["name"]])
    width, height = drawn["width"], drawn["height"]
    frame = f'class="chart" width="{width}" height="{height}" viewBox="0 0 {width} {height}"'
    label = escape(f"Sequence chart of {chart.program}")
    return f'<svg {frame} role="img" aria-label="{label}">{"".join(parts)}</svg>'


def _links(links: Sequence[Any]) -> Iterator[str]:
    """What belongs to no transition alone; simultaneous sequences have a double line."""
    for link in links:
        if link["of"] == "":
            (x1, y1), (x2, y2) = link["path"][0], link["path"][-1]
            shifts = (-2, 2) if link["double"] else (0,)
            lines = "".join(f"M{x1},{y1 + shift}L{x2},{y2 + shift}" for shift in shifts)
            head = _arrow(link) if link["arrow"] else ""
            yield f'<path class="link" d="{lines}{head}"/>'


def _arrow(link: Any) -> str:
    """An arrow down at a link's end."""
    x, y = link["path"][-1]
    return f"M{x - 4},{y - _ARROW}L{x},{y}L{x + 4},{y - _ARROW}"


def _transition(transition: Any, links: Sequence[Any], is_touched: bool) -> Iterator[str]:
    """Its links and its bar as one way, and its terms."""
    x, y, w, h = (transition[key] for key in "xywh")
    way = "".join(
        "".join(f"{'L' if i else 'M'}{px},{py}" for i, (px, py) in enumerate(link["path"]))
        + (_arrow(link) if link["arrow"] else "")
        for link in links
    )
    missed = "" if is_touched else " missed"
    yield f'<path class="way{missed}" d="{way}M{x},{y + h / 2}h{w}"/>'
    if transition["rank"]:
        yield _text(transition["rank"], transition["rank"]["text"], "soft")
    terms = transition["terms"]
    if not is_touched:
        yield _text({**terms[0], "x": terms[0]["x"] - 14}, _CROSS, "missed")
    for term in terms:
        yield _text(term, term["shown"], missed.strip())


def _step(step: Any, is_touched: bool) -> Iterator[str]:
    missed = "" if is_touched else " missed"
    for inset in (0, 3) if step["initial"] else (0,):
        frame = (
            f'x="{step["x"] + inset}" y="{step["y"] + inset}" '
            f'width="{step["w"] - 2 * inset}" height="{step["h"] - 2 * inset}"'
        )
        yield f'<rect class="box{missed}" {frame}/>'
    name = step["name"] if is_touched else f"{_CROSS} {step['name']}"
    yield _text({**step, "y": step["y"] + 10, "h": 18, "anchor": "middle"}, name, missed.strip())
    for action in step["actions"]:
        frame = f'x="{action["x"]}" y="{action["y"]}" width="{action["w"]}" height="{action["h"]}"'
        split = action["x"] + action["split"]
        line = f"M{split},{action['y']}v{action['h']}"
        yield f'<rect class="action" {frame}/><path class="action" d="{line}"/>'
        yield _text({**action, "w": action["split"], "anchor": "middle"}, action["qualifier"], "")
        yield _text({**action, "x": split + 6}, action["name"], "")


def _names(items: Sequence[Any]) -> Iterator[str]:
    for item in items:
        yield _text({**item, "anchor": "middle"}, item["text"], "")


def _text(box: Any, text: str, kind: str) -> str:
    is_middle = box.get("anchor") == "middle"
    x = box["x"] + (box["w"] / 2 if is_middle else 0)
    anchor = ' text-anchor="middle"' if is_middle else ""
    class_ = f' class="{kind}"' if kind else ""
    place = f'x="{x:.1f}" y="{box["y"] + box["h"] * 0.74:.1f}"'
    return f"<text {place}{anchor}{class_}>{escape(text)}</text>"
