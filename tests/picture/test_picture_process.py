"""The process picture of every folder: nothing on anything else, everything there."""

from __future__ import annotations

from itertools import combinations, pairwise
from typing import Any

import pytest

from softctl.picture import process_picture
from softctl.picture.process import boxes
from softctl.plant import wire_plant
from softctl.runtime.folder import configs_folder, load_folder

FOLDERS = ("crate_sorter", "glasshouse_feed", "sump_station", "wash_skid")


@pytest.fixture(scope="module", params=FOLDERS)
def drawn(request: pytest.FixtureRequest) -> tuple[Any, dict[str, Any]]:
    """A folder's machine and its picture."""
    folder = load_folder(configs_folder() / request.param)
    return folder.machine, process_picture(folder.machine, wire_plant(folder.machine))


def overlaps(picture: dict[str, Any]) -> list[tuple[str, str]]:
    """Pairs of items that share an area, but for what is built into a vessel or on a belt."""
    found = list(boxes(picture))
    return [
        (a, b)
        for (a, box), (b, other) in combinations(found, 2)
        if box.overlaps(other) and {a.split()[0], b.split()[0]} != {"machines", "vessels"}
    ]


def test_nothing_lies_on_anything_else(drawn: tuple[Any, dict[str, Any]]) -> None:
    """No two symbols, circles or texts of a picture overlap."""
    assert overlaps(drawn[1]) == []


def test_all_lies_inside_the_frame(drawn: tuple[Any, dict[str, Any]]) -> None:
    """Every box, and every corner of every line, is inside the picture."""
    picture = drawn[1]
    for what, box in boxes(picture):
        assert box.x >= 0, what
        assert box.y >= 0, what
        assert box.right <= picture["width"], what
        assert box.bottom <= picture["height"], what
    for line in picture["lines"]:
        for x, y in line["path"]:
            assert 0 <= x <= picture["width"]
            assert 0 <= y <= picture["height"]


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


def test_lines_are_upright_or_level(drawn: tuple[Any, dict[str, Any]]) -> None:
    """Every piece of every line runs along one axis."""
    for line in drawn[1]["lines"]:
        for (x1, y1), (x2, y2) in pairwise(line["path"]):
            assert x1 == x2 or y1 == y2, line
