"""Where a Modbus/TCP server is, as a person writes it."""

from __future__ import annotations

from softctl.errors import SoftctlError

PORT = 502
SECURITY_PORT = 802
"""Modbus/TCP Security has a port of its own (MB-TCP-Security v36, section 5)."""


def endpoint(text: str | None, *, has_tls: bool) -> tuple[str, int]:
    """Host and port of HOST, HOST:PORT or [IPV6]:PORT; raises SoftctlError."""
    message = f"expected HOST:PORT such as 127.0.0.1:15020, got {text or 'nothing'}"
    if not text:
        raise SoftctlError(message)
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port = text, str(SECURITY_PORT if has_tls else PORT)
    if not host or not port.isdecimal() or not 0 < int(port) < 65_536:
        raise SoftctlError(message)
    return host.removeprefix("[").removesuffix("]"), int(port)
