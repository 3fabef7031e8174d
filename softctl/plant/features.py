"""What a machine can have or do without: heat, and pressures of its own.

A feature's lines in the standard blocks are those with its words, a pragma with the line
after it. Where nothing calls for the feature its lines are left out, so that they cost
nothing. So each of them is a statement, or a line of one, whose lines all have such a word.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from softctl.machine import Machine

_BLOCK = re.compile(r"^(?:\{|FUNCTION)", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature: `words` mark its lines, `keys` and `ports` of a machine file call for it.

    `wire` is what a block's pragma says that cannot do without it. `helper` is the standard
    file with functions that its lines call.
    """

    name: str
    words: re.Pattern[str]
    keys: frozenset[str]
    ports: frozenset[str]
    wire: re.Pattern[str]
    helper: str = ""


HEAT = Feature(
    "heat",
    re.compile(r"\b[A-Za-z]\w*_h\b|\btemperature\b|\bheat_loss\b|\bsurroundings\b"),
    frozenset({"temperature", "heat_loss", "surroundings"}),
    frozenset({"temperature"}),
    re.compile(r"\{wire: \w+\.temperature\}"),
)
PRESSURE = Feature(
    "pressure",
    re.compile(r"\b[A-Za-z]\w*_p(?:_\d+)?\b|\bmixture_density\b|\bair_pressure\b"),
    frozenset({"vent", "pressure"}),
    frozenset({"mixture_density", "air_pressure"}),
    re.compile(r"\{wire: \w+\.(?:mixture_density|air_pressure)\}"),
    "pressure",
)
FEATURES = (HEAT, PRESSURE)


def used_features(machine: Machine, texts: Iterable[str]) -> list[Feature]:
    """The features that a machine file calls for, or one of its blocks' texts."""
    texts = list(texts)
    keys = {key for one in machine.equipment.values() for key in one.parameters}
    ports = {point.terminal.rpartition(".")[2].lower() for point in machine.points.values()}
    return [
        one
        for one in FEATURES
        if one.keys & keys
        or one.ports & ports
        or any(map(one.wire.search, texts))
        or (one is PRESSURE and machine.density_rise)
    ]


def without(text: str, features: Iterable[Feature]) -> str:
    """A standard block's text without the lines of some features."""
    head, lines = split(text)
    for feature in features:
        marks = marked(lines, feature.words)
        lines = [line for line, mark in zip(lines, marks, strict=True) if not mark]
    return head + "".join(lines)


def split(text: str) -> tuple[str, list[str]]:
    """The head comment, and the lines from the first block on."""
    found = _BLOCK.search(text)
    start = found.start() if found else 0
    return text[:start], text[start:].splitlines(keepends=True)


def marked(lines: list[str], pattern: re.Pattern[str]) -> list[bool]:
    """Which lines belong to what the pattern finds, a pragma to the line after it."""
    marks = [bool(pattern.search(line)) for line in lines]
    for i, line in enumerate(lines[:-1]):
        if line.strip().startswith("{") and not line.startswith("{"):
            marks[i] = marks[i] or marks[i + 1]
            marks[i + 1] = marks[i]
    return marks
