"""The last frames of one client, kept while somebody looks at them."""

from __future__ import annotations

import time
from collections import deque
from typing import Any

from softctl.audit.plain_words import Frame, reply_in_words, request_in_words
from softctl.audit.uses import Map
from softctl.image import Side
from softctl.machine import Machine
from softctl.modbus.clients import Client
from softctl.modbus.requests import Reject, Request
from softctl.runtime.modbus_server import Listener, ModbusServer

KEPT = 25
"""Requests with their replies."""


class FrameTap:
    """Listens at a server beside whoever listened before; only bytes are kept until asked for."""

    def __init__(self, server: ModbusServer, machine: Machine, side: Side, client: Client) -> None:
        self.client = client
        self._server = server
        self._machine = machine
        self._side = side
        self._kept: deque[tuple[int, bytes, bytes | None]] = deque(maxlen=KEPT)
        self._maps: dict[int, Map] = {}
        self._is_closed = False
        self._before: Listener | None = server.observe(self)

    def close(self) -> None:
        """Stop listening, as soon as whoever took its place meanwhile gives it back."""
        self._is_closed = True
        self._kept.clear()
        current = self._server.observe(self._before)
        if current is not self:
            self._server.observe(current)

    def opened(self, client: Client) -> None:
        """For whoever listened before."""
        if self._before is not None:
            self._before.opened(client)

    def closed(self, client: Client) -> None:
        """For whoever listened before."""
        if self._before is not None:
            self._before.closed(client)

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None:
        """One frame has been dealt with."""
        if self._is_closed:
            self.close()
        elif client is self.client:
            kept = None if reply is None else bytes(reply)
            self._kept.append((client.last_used_ns, bytes(frame), kept))
        if self._before is not None:
            self._before.on_request(client, frame, request, reply)

    def rows(self, now_s: float) -> list[dict[str, Any]]:
        """The frames in words, the newest last; `now_s` is the page's time now."""
        rows = []
        now_ns = time.monotonic_ns()
        for at_ns, asked, reply in self._kept:
            at_s = round(now_s - (now_ns - at_ns) / 1e9, 3)
            map_ = self._map(asked[6] if len(asked) > 6 else 0)
            rows.append(_row(at_s, "in", asked, request_in_words(asked, map_)))
            if reply is not None:
                rows.append(_row(at_s, "out", reply, reply_in_words(reply, asked, map_)))
        return rows

    def _map(self, unit: int) -> Map:
        """The points of a unit id; the field has several, an HMI server one."""
        is_other = self._side is Side.FIELD and unit in self._machine.field_units
        key = unit if is_other else -1
        if key not in self._maps:
            self._maps[key] = Map(self._machine, self._side, unit if is_other else None)
        return self._maps[key]


def _row(at_s: float, way: str, raw: bytes, words: Frame) -> dict[str, Any]:
    fields = [[one.name, one.hex, one.words] for one in words.fields]
    return {"at_s": at_s, "way": way, "hex": raw.hex(" "), "text": words.text, "fields": fields}
