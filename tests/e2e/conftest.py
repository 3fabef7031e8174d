"""The libraries of the npm registry that some tests put in front of softctl."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from npm_stack import PACKAGES, NodeHmi

_INSTALL = [
    "install",
    "--no-save",
    "--no-audit",
    "--no-fund",
    "--ignore-scripts",
    "--omit=optional",
]


@pytest.fixture(scope="session")
def npm_modules(
    pytestconfig: pytest.Config,
    require_tool: Callable[[str], str],
    miss: Callable[[str], None],
) -> Path:
    """The pinned packages, fetched once and kept in pytest's cache."""
    require_tool("node")
    wanted = [f"{name}@{version}" for name, version in PACKAGES.items()]
    cache = pytestconfig.cache.mkdir("npm")
    where = cache / "-".join(wanted).replace("@", "-")
    if not where.exists():
        # Aside, and then in one move: another worker may be at it too.
        aside = tempfile.mkdtemp(dir=cache)
        command = [require_tool("npm"), *_INSTALL, "--prefix", aside, *wanted]
        fetched = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
        if fetched.returncode:
            miss(f"needs the npm registry: {fetched.stderr.strip()[-300:]}")
        with contextlib.suppress(OSError):
            Path(aside).rename(where)
    return where / "node_modules"


@pytest.fixture(scope="module", params=list(PACKAGES))
def npm_hmi(
    request: pytest.FixtureRequest, npm_modules: Path, require_tool: Callable[[str], str]
) -> Iterator[NodeHmi]:
    """A Node process on each of the libraries, for all tests of a module."""
    hmi = NodeHmi(require_tool("node"), npm_modules, request.param)
    yield hmi
    hmi.end()
