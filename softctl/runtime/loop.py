"""Runs the main coroutine, on uvloop where it is installed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


def run_loop(main: Coroutine[Any, Any, T]) -> T:
    """`asyncio.run`, on the faster event loop of the extra `fast` if that is there."""
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        return runner.run(main)


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    try:
        import uvloop
    except ImportError:
        return None
    factory: Callable[[], asyncio.AbstractEventLoop] = uvloop.new_event_loop
    return factory
