"""The standard blocks, which are written for two species, for as many as a machine has.

A machine with more of them gets each run of lines of species 2 (`mass_2 := ...;`, a
declaration with its pragma) once more for every further one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby

from softctl.plant.features import marked, split

MOST_SPECIES = 12
_SPECIES_2 = re.compile(r"\b[A-Za-z]\w*_2\b|\b(?:species|rise): 2\b")


def for_species(text: str, count: int) -> str:
    """A standard block's text for `count` species, 0 to 12; two at least are there."""
    if count <= 2:
        return text
    head, lines = split(text)
    return head + "".join(_repeated(lines, count))


def _repeated(lines: list[str], count: int) -> Iterator[str]:
    pairs_of_lines = zip(lines, marked(lines, _SPECIES_2), strict=True)
    for is_species, pairs in groupby(pairs_of_lines, key=lambda pair: pair[1]):
        run = "".join(line for line, _ in pairs)
        yield run
        if is_species:
            yield from (_renumbered(run, number) for number in range(3, count + 1))


def _renumbered(run: str, number: int) -> str:
    def swap(match: re.Match[str]) -> str:
        return match[0][:-1] + str(number)

    return _SPECIES_2.sub(swap, run)
