"""Runs the main coroutine, on uvloop where it is installed."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

_YOUNG = 5_000
"""New objects that make a collection; Python's own 700 comes several times a second."""


def run_loop(main: Coroutine[Any, Any, T]) -> T:
    """`asyncio.run`, on the faster event loop of the extra `fast` if that is there."""
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        return runner.run(main)


def settle_memory() -> None:
    """Tell the garbage collector that what is there now stays, and let it look seldom.

    To be called once everything has started. Programs, points and tables are tens of
    thousands of objects that every full collection would look through, in the middle of a
    scan. What comes after that is few: requests and replies, which are freed without it.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG, 20, 20)


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    try:
        import uvloop
    except ImportError:
        return None
    factory: Callable[[], asyncio.AbstractEventLoop] = uvloop.new_event_loop
    return factory
