"""Packages of the npm registry, fetched once and kept in pytest's cache, never committed."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

_INSTALL = [
    "install",
    "--no-save",
    "--no-audit",
    "--no-fund",
    "--ignore-scripts",
    "--omit=optional",
]


def fetch(
    packages: Mapping[str, str], cache: pytest.Cache, npm: str, miss: Callable[[str], None]
) -> Path:
    """Their `node_modules`; `packages` are names with versions."""
    wanted = [f"{name}@{version}" for name, version in packages.items()]
    home = cache.mkdir("npm")
    where = home / "-".join(wanted).replace("@", "-")
    if not where.exists():
        # Aside, and then in one move: another worker may be at it too.
        aside = tempfile.mkdtemp(dir=home)
        command = [npm, *_INSTALL, "--prefix", aside, *wanted]
        fetched = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
        if fetched.returncode:
            miss(f"needs the npm registry: {fetched.stderr.strip()[-300:]}")
        with contextlib.suppress(OSError):
            Path(aside).rename(where)
    return where / "node_modules"
