"""Fixtures and helpers that every test may use."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Generator
from ctypes.util import find_library

import pytest
import work_order
from hypothesis import settings

# No test asserts wall-clock time, and a busy machine must not fail one.
settings.register_profile("softctl", deadline=None)
settings.load_profile("softctl")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every worker sorts alike, and so does a run without workers."""
    work_order.put_in_order(items)


@pytest.hookimpl(wrapper=True, optionalhook=True)
def pytest_xdist_auto_num_workers() -> Generator[None, int, int]:
    """One worker more than processors: one of them mostly waits."""
    return (yield) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Ours for `--dist loadfile`, xdist's own for all else."""
    return work_order.make_scheduler(config, log) if config.option.dist == "loadfile" else None


def _missing(message: str) -> None:
    """Skip, except in CI, which installs every tool and must not lose a test silently."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{message}, and .ci/run should have installed it")
    pytest.skip(message)


@pytest.fixture(scope="session")
def miss() -> Callable[[str], None]:
    """Skip a test that needs something from outside, except in CI."""
    return _missing


@pytest.fixture(scope="session", autouse=True)
def _state_home(tmp_path_factory: pytest.TempPathFactory) -> None:
    """No test leaves a journal or RETAIN values in the home of whoever runs it."""
    os.environ["XDG_STATE_HOME"] = str(tmp_path_factory.mktemp("state"))


@pytest.fixture(scope="session")
def require_tool() -> Callable[[str], str]:
    """Return the path of a program, or skip the test that needs it."""

    def require(name: str) -> str:
        # Debian keeps servers where only root looks.
        path = shutil.which(name, path=f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin")
        if path is None:
            _missing(f"needs the program {name}")
        return str(path)

    return require


@pytest.fixture(scope="session")
def require_library() -> Callable[[str], str]:
    """Return the file name of a shared library, or skip the test that needs it."""

    def require(name: str) -> str:
        path = find_library(name)
        if path is None:
            _missing(f"needs the library {name}")
        return str(path)

    return require
