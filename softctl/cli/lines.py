"""What a person types, line by line, while an event loop goes on."""

from __future__ import annotations

import asyncio
import os
import sys
import threading

_SIZE = 4_096


class Lines:
    """Lines of the standard input, None at its end; to be made inside the loop.

    A thread reads the file itself: one that waits in `sys.stdin` would hold its lock at the
    end of the process.
    """

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._queue: asyncio.Queue[str | None] = asyncio.Queue()
        threading.Thread(target=self._read, name="lines", daemon=True).start()

    async def next(self) -> str | None:
        """The next line without its end."""
        return await self._queue.get()

    def _read(self) -> None:
        held = b""
        while data := self._chunk():
            *lines, held = (held + data).split(b"\n")
            for line in lines:
                self._put(line.decode("utf-8", "replace").rstrip("\r"))
        if held:
            self._put(held.decode("utf-8", "replace"))
        self._put(None)

    def _chunk(self) -> bytes:
        try:
            return os.read(sys.stdin.fileno(), _SIZE)
        except (OSError, ValueError):
            return b""

    def _put(self, line: str | None) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._queue.put_nowait, line)
