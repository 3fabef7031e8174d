"""Sequence charts by the drawing rules of IEC 60848 and IEC 61131-3, nothing on anything else."""

from __future__ import annotations

import random
from collections import Counter
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from random_charts import random_chart

from softctl.logic import Chart, Source, compile_application
from softctl.picture import sequence_chart, sequence_charts
from softctl.picture.boxes import Box
from softctl.picture.sequence import chart_boxes
from softctl.runtime.folder import configs_folder, load_folder

PROGRAMS = Path(__file__).parents[1] / "logic" / "programs"
WITH_CHARTS = ("bottle_sort", "pick_place", "sequence_time", "sfc_tank", "stations", "washer")
FOLDERS = ("crate_sorter", "glasshouse_feed", "wash_skid")


def compiled(name: str) -> list[Chart]:
    """The charts of a test program, those of its blocks as well."""
    text = (PROGRAMS / f"{name}.st").read_text(encoding="utf-8")
    application = compile_application([Source(f"{name}.st", text)])
    return list(application.block_charts.values())


def drawn_from(text: str) -> dict[str, Any]:
    """The drawing of a chart's text, in a program with some variables."""
    head = "PROGRAM P VAR a, b, c, x, y : BOOL; n : INT; END_VAR\n"
    application = compile_application([Source("p.st", f"{head}{text}\nEND_PROGRAM")])
    return sequence_charts(application)[0]


def faults_of(drawing: dict[str, Any]) -> list[Any]:
    """Boxes on each other or outside, links through boxes, what is not upright or level."""
    found: list[Any] = []
    boxes = list(chart_boxes(drawing))
    frame = Box(0, 0, drawing["width"], drawing["height"])
    found += [what for what, box in boxes if not frame.holds(box)]
    found += [
        (a, b) for (a, one), (b, two) in combinations(boxes, 2) if one.overlaps(two) and a != b
    ]
    for link in drawing["links"]:
        for (x1, y1), (x2, y2) in pairwise(link["path"]):
            if x1 != x2 and y1 != y2:
                found.append(link)
            segment = Box(min(x1, x2), min(y1, y2), abs(x1 - x2), abs(y1 - y2))
            for what, box in boxes:
                inner = Box(box.x + 1, box.y + 1, box.w - 2, box.h - 2)
                if not what.startswith("transitions") and segment.overlaps(inner):
                    found.append((what, link))
    return found


def check(chart: Chart, drawing: dict[str, Any]) -> None:
    """Everything is drawn once and nothing on anything else."""
    assert faults_of(drawing) == []
    assert [step["name"] for step in drawing["steps"] if step["initial"]] == [
        step.name for step in chart.steps if step.initial
    ]
    assert Counter(one["name"] for one in drawing["steps"]) == Counter(s.name for s in chart.steps)
    assert [one["index"] for one in drawing["transitions"]] == list(range(len(chart.transitions)))
    assert {jump["step"] for jump in drawing["jumps"]} <= {step.name for step in chart.steps}


@pytest.mark.parametrize("name", FOLDERS)
def test_charts_of_folders(name: str) -> None:
    """Every chart of the folders is drawn in full, and nothing lies on anything else."""
    application = load_folder(configs_folder() / name).application
    drawings = sequence_charts(application)
    assert [one["program"] for one in drawings] == [one.program for one in application.charts]
    for chart, drawing in zip(application.charts, drawings, strict=True):
        check(chart, drawing)


@pytest.mark.parametrize("name", WITH_CHARTS)
def test_charts_of_programs(name: str) -> None:
    """The same for the charts of the compiler's test programs."""
    for chart in compiled(name):
        check(chart, sequence_chart(chart))


@pytest.mark.parametrize("seed", range(40))
def test_charts_at_random(seed: int) -> None:
    """The same for charts with branches, parallel sequences and loops drawn at random."""
    made = random_chart(random.Random(seed)).text()
    application = compile_application([Source("random.st", made)])
    for chart in application.charts:
        check(chart, sequence_chart(chart))


def test_a_long_chart_needs_no_deep_recursion() -> None:
    """A chart of hundreds of steps in a line is drawn as one line down."""
    steps = ["INITIAL_STEP S0: END_STEP", *(f"STEP S{i}: END_STEP" for i in range(1, 300))]
    ways = [f"TRANSITION FROM S{i} TO S{(i + 1) % 300} := a; END_TRANSITION" for i in range(300)]
    drawing = drawn_from("\n".join([*steps, *ways]))
    assert len({step["x"] + step["w"] / 2 for step in drawing["steps"]}) == 1
    assert [jump["step"] for jump in drawing["jumps"]] == ["S0"]


def test_simultaneous_sequences_have_double_lines() -> None:
    """A double line where they begin and one where they end; alternatives have single ones."""
    parallel = sequence_chart(compiled("stations")[0])
    assert sum(link["double"] for link in parallel["links"]) == 2
    gate = next(chart for chart in compiled("bottle_sort") if chart.program == "Gate")
    assert not any(link["double"] for link in sequence_chart(gate)["links"])


def test_alternatives_meet_above_the_step_they_lead_to() -> None:
    """Three alternatives that lead to one step are drawn to it, and only the loop is cut."""
    gate = next(chart for chart in compiled("bottle_sort") if chart.program == "Gate")
    drawing = sequence_chart(gate)
    assert [jump["step"] for jump in drawing["jumps"]] == ["Ready"]
    ready, count = (
        next(step for step in drawing["steps"] if step["name"] == name)
        for name in ("Ready", "Count_it")
    )
    middle = ready["x"] + ready["w"] / 2
    assert middle == pytest.approx(count["x"] + count["w"] / 2, abs=0.11)
    assert all(step["y"] < count["y"] for step in drawing["steps"] if step is not count)


def test_many_ways_to_one_step_are_cut_with_its_name() -> None:
    """A step that eleven transitions lead to stands apart, and says where it is come from."""
    application = load_folder(configs_folder() / "wash_skid").application
    drawing = sequence_charts(application)[0]
    texts = " ".join(note["text"] for note in drawing["notes"])
    assert "from FillRinse, PreRinse," in texts
    assert sum(jump["step"] == "Stopped" for jump in drawing["jumps"]) == 16


def test_priorities_are_shown_as_they_are_given() -> None:
    """As written where every alternative has one; else the place in order; none for one alone."""
    steps = "INITIAL_STEP One: END_STEP STEP Two: END_STEP"
    given = drawn_from(
        f"""{steps}
        TRANSITION (PRIORITY := 7) FROM One TO Two := a; END_TRANSITION
        TRANSITION (PRIORITY := 3) FROM One TO Two := b; END_TRANSITION
        TRANSITION FROM Two TO One := c; END_TRANSITION"""
    )
    assert [one["rank"] and one["rank"]["text"] for one in given["transitions"]] == ["7", "3", None]
    mixed = drawn_from(
        f"""{steps}
        TRANSITION FROM One TO Two := a; END_TRANSITION
        TRANSITION (PRIORITY := 3) FROM One TO Two := b; END_TRANSITION
        TRANSITION FROM Two TO One := c; END_TRANSITION"""
    )
    assert [one["rank"] and one["rank"]["text"] for one in mixed["transitions"]] == ["2", "1", None]


def test_action_blocks_and_terms_are_in_the_drawing() -> None:
    """Qualifiers with their times, and one line a term with its channel."""
    drawing = drawn_from(
        """INITIAL_STEP One: x(L, T#5s); y(N); END_STEP
        TRANSITION FROM One TO One := a AND (b OR NOT c); END_TRANSITION"""
    )
    blocks = [(one["qualifier"], one["name"]) for one in drawing["steps"][0]["actions"]]
    assert blocks == [("L T#5s", "x"), ("N", "y")]
    terms = drawing["transitions"][0]["terms"]
    assert [one["text"] for one in terms] == ["a", "b", "NOT c"]
    assert [one["shown"] for one in terms] == ["a", "AND (b", "OR NOT c)"]
    assert [one["channel"] for one in terms] == [f"term:P.0.{i}" for i in range(3)]
    assert drawing["steps"][0]["place"]["line"] == 2
