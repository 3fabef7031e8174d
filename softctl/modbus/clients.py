"""Who sends requests."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True, eq=False)
class Client:
    """One connected client: its name ("127.0.0.1:53100") and what it has asked so far.

    `requests` counts frames addressed to a device, `exceptions` those answered with an
    exception code, `discarded` frames that got no answer.
    """

    name: str
    requests: int = 0
    exceptions: int = 0
    discarded: int = 0


LOCAL = Client("local")
"""Stands for the owner itself where no connection is involved."""
