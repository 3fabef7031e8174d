"""Asks one thing after the other and takes no answer for an answer too."""

from __future__ import annotations

from softctl.conform.steps import Close, Hear, Script, Send
from softctl.conform.wire import frame


class Asker:
    """Keeps one connection, and takes a new one whenever a request was not answered."""

    def __init__(self, unit: int) -> None:
        self._unit = unit
        self._line = 0
        self._transaction = 0

    def ask(self, pdu: bytes) -> Script[bytes | None]:
        """The reply PDU, or None when none came."""
        self._transaction = (self._transaction + 1) & 0xFFFF
        yield Send(self._line, frame(self._transaction, self._unit, pdu))
        heard = yield Hear(self._line, 1)
        if heard.replies:
            return heard.replies[0].pdu
        yield Close(self._line)
        self._line += 1
        return None
