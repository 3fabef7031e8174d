"""The benchmark of hooks is sound: all three ways give the same replies.

No time is asserted: `python tests/benchmarks/modbus_hooks.py` prints the shares.
"""

from __future__ import annotations

from modbus_hooks import REQUESTS, hooked_server, measure, served, table

from softctl.modbus.frames import encode_frame


def test_every_request_is_measured() -> None:
    """One row each, after `measure` has found the three replies equal."""
    lines = table(measure(10)).splitlines()[2:]
    assert [line[:20].strip() for line in lines] == list(REQUESTS)


def test_the_hooks_that_are_measured_are_called() -> None:
    """A server whose observer was never called would be measured in vain."""
    server = hooked_server()
    told: list[object] = []
    server.on_request = lambda *exchange: told.append(exchange)
    step = served(server)
    for text in REQUESTS.values():
        step(encode_frame(1, 1, bytes.fromhex(text)))
        step(encode_frame(1, 1, bytes.fromhex(text)))
    assert len(told) == 2 * len(REQUESTS)
