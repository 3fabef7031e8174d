"""The libraries of the npm registry that some tests put in front of softctl."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from npm_packages import fetch
from npm_stack import PACKAGES, NodeHmi


@pytest.fixture(scope="session")
def npm_modules(
    pytestconfig: pytest.Config,
    require_tool: Callable[[str], str],
    miss: Callable[[str], None],
) -> Path:
    """The pinned packages, fetched once and kept in pytest's cache."""
    require_tool("node")
    assert pytestconfig.cache is not None
    return fetch(PACKAGES, pytestconfig.cache, require_tool("npm"), miss)


@pytest.fixture(scope="module", params=list(PACKAGES))
def npm_hmi(
    request: pytest.FixtureRequest, npm_modules: Path, require_tool: Callable[[str], str]
) -> Iterator[NodeHmi]:
    """A Node process on each of the libraries, for all tests of a module."""
    hmi = NodeHmi(require_tool("node"), npm_modules, request.param)
    yield hmi
    hmi.end()
