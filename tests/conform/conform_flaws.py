"""A list of servers that are wrong in one way each, and the cases that have to see it."""

from __future__ import annotations

from fnmatch import fnmatchcase

from conform_reference import ReferenceServer

from softctl.conform import choose

FLAWS: list[tuple[type[ReferenceServer], str]] = []
"""Every flaw, with the cases that must fail: ids and patterns, `!` takes away again."""


def sees(patterns: str):
    """The cases that must fail, and no others."""

    def add(flaw: type[ReferenceServer]) -> type[ReferenceServer]:
        FLAWS.append((flaw, patterns))
        return flaw

    return add


def expand(patterns: str) -> set[str]:
    """The ids that a list of patterns means; a pattern that means none is a mistake."""
    found: set[str] = set()
    for pattern in patterns.split():
        wanted = pattern.removeprefix("!")
        cases = choose(has_tls=wanted.startswith("tls-"))
        ids = {case.id for case in cases if fnmatchcase(case.id, wanted)}
        assert ids, f"no case is called {wanted}"
        found = found - ids if pattern.startswith("!") else found | ids
    return found
