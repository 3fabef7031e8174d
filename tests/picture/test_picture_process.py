"""The process picture of every folder: nothing on anything else, everything there."""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import Any

import pytest

from softctl.picture import process_picture
from softctl.picture.boxes import Box
from softctl.picture.process import boxes
from softctl.plant import wire_plant
from softctl.runtime.folder import configs_folder, load_folder

FOLDERS = ("crate_sorter", "glasshouse_feed", "sump_station", "wash_skid")


@pytest.fixture(scope="module", params=FOLDERS)
def drawn(request: pytest.FixtureRequest) -> tuple[Any, dict[str, Any]]:
    """A folder's machine and its picture."""
    folder = load_folder(configs_folder() / request.param)
    return folder.machine, process_picture(folder.machine, wire_plant(folder.machine))


def faults_of(picture: dict[str, Any]) -> list[Any]:
    """Items on each other or outside, lines through items, lines that are not upright or level.

    Only what is built into a vessel may lie on it, and a line only touches its own two ends.
    """
    found: list[Any] = []
    all_boxes = list(boxes(picture))
    # A jacket is drawn at both walls of its vessel, and has nothing between them.
    coats = {one["name"] for one in picture["machines"] if one["symbol"] == "jacket"}
    frame = Box(0, 0, picture["width"], picture["height"])
    found += [what for what, box in all_boxes if not frame.holds(box)]
    for (a, one), (b, two) in combinations(all_boxes, 2):
        is_built_in = {a.split()[0], b.split()[0]} == {"machines", "vessels"}
        is_coat = bool({a.split()[1], b.split()[1]} & coats)
        if one.overlaps(two) and not (is_built_in or is_coat):
            found.append((a, b))
    for line in picture["lines"]:
        for (x1, y1), (x2, y2) in pairwise(line["path"]):
            segment = Box(min(x1, x2), min(y1, y2), abs(x1 - x2), abs(y1 - y2))
            if (x1 != x2 and y1 != y2) or not frame.holds(segment):
                found.append(line)
            for what, box in all_boxes:
                inner = Box(box.x + 1, box.y + 1, box.w - 2, box.h - 2)
                is_end = what.split()[1] in (line["from"], line["to"], line.get("of"))
                if segment.overlaps(inner) and not (is_end and not what.startswith("labels")):
                    found.append((what, line))
    return found


def test_nothing_lies_on_anything_else(drawn: tuple[Any, dict[str, Any]]) -> None:
    """No two symbols, circles or texts overlap, no line crosses one, all is inside the frame."""
    assert faults_of(drawn[1]) == []


def test_everything_is_drawn_once(drawn: tuple[Any, dict[str, Any]]) -> None:
    """Every piece of equipment has a symbol or drives one, and each name is written once."""
    machine, picture = drawn
    lists = ("vessels", "machines", "carriers", "instruments")
    names = {item["name"] for kind in lists for item in picture[kind]}
    names |= {item["driver"] for item in picture["machines"]}
    names |= {item["of"] for item in picture["lines"] if "of" in item}
    assert set(machine.equipment) <= names
    texts = [label["text"] for label in picture["labels"] if label["kind"] == "name"]
    assert len(texts) == len(set(texts))
