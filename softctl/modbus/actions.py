"""What a server tells its shell to do, each with its time."""

from __future__ import annotations

from typing import NamedTuple


class Send(NamedTuple):
    """Send these bytes when the clock reaches `at_ns`, after all that was asked before."""

    at_ns: int
    data: bytes


class Close(NamedTuple):
    """Close the connection when the clock reaches `at_ns`; `abort` resets it."""

    at_ns: int
    abort: bool = False


Action = Send | Close
