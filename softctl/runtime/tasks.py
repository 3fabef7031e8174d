"""Ends background tasks for certain."""

from __future__ import annotations

import asyncio
from typing import Any

_ASK_AGAIN_S = 0.5


async def end_task(task: asyncio.Task[Any]) -> None:
    """Cancel a task and return when it has ended; raises what it failed with.

    It is asked again while it goes on: Python 3.11's wait_for loses a cancellation that
    meets its result, and a loop around a request would then never end.
    """
    while not task.done():
        task.cancel()
        await asyncio.wait([task], timeout=_ASK_AGAIN_S)
    if not task.cancelled():
        task.result()
