"""No case is idle: each is failed by some wrong server, and only by the ones it is for."""

from __future__ import annotations

from importlib import import_module

import pytest
from conform_flaws import FLAWS, expand
from conform_reference import ReferenceServer
from conform_wires import failed, play_all, site_of

from softctl.conform import Site, Verdict, choose

for part in ("header", "reads", "writes", "others", "stream", "memory"):
    import_module(f"conform_flaws_{part}")  # adds its flaws to the list


@pytest.fixture(scope="module")
def site() -> Site:
    return site_of(ReferenceServer())


def test_a_right_server_with_every_function_passes_every_case(site) -> None:
    """A server written from the specification alone, with all nineteen functions."""
    results = play_all(ReferenceServer, site)
    not_passed = {
        name: result.outcome
        for name, result in results.items()
        if result.outcome.verdict is not Verdict.PASS
    }
    assert not not_passed


@pytest.mark.parametrize(("flaw", "patterns"), FLAWS, ids=[flaw.__name__ for flaw, _ in FLAWS])
def test_a_wrong_server_fails_exactly_the_cases_meant_for_it(site, flaw, patterns) -> None:
    """Nothing that the flaw does not touch fails, and nothing that it touches passes."""
    assert failed(play_all(flaw, site)) == expand(patterns)


def test_every_case_can_fail() -> None:
    """Each case is failed by a wrong server; nearly all by one that fails few others."""
    wide = {name for _, patterns in FLAWS for name in expand(patterns)}
    assert wide == {case.id for case in choose()}
    few = [found for _, patterns in FLAWS if len(found := expand(patterns)) < 60]
    assert wide - set().union(*few) == {
        "fc03-example",
        "fc03-one",
        "function-003-answered",
        "function-006-answered",
        "function-016-answered",
        "stream-silent",
    }
