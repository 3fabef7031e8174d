"""Recorded sessions of requests: their file, and what differs when they are played again."""

from softctl.recording.compare import Difference, compare, describe_reply, describe_request
from softctl.recording.session import (
    Closed,
    Event,
    Exchange,
    Opened,
    Session,
    changing,
    parse_session,
    to_line,
)

__all__ = [
    "Closed",
    "Difference",
    "Event",
    "Exchange",
    "Opened",
    "Session",
    "changing",
    "compare",
    "describe_reply",
    "describe_request",
    "parse_session",
    "to_line",
]
