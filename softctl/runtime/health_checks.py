"""Whether something that runs answers: what a container's health check asks."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

from softctl.errors import SoftctlError

_LONGEST_BODY = 65_536
_READ_ONE_BIT = bytes.fromhex("01 0000 0001")


@dataclass(frozen=True, slots=True)
class Answer:
    """A verdict in one line."""

    is_good: bool
    text: str


def ask_modbus(host: str, port: int, unit: int, timeout_s: float) -> Answer:
    """Good: a Modbus/TCP server answers a read of coil 0, if only with an exception.

    An exception shows as well as a value that the server is there and takes requests; which
    addresses exist is no matter of health. A controller whose scan hangs answers neither.
    """
    from softctl.modbus.frames import FrameSplitter, encode_frame

    splitter = FrameSplitter()
    try:
        with socket.create_connection((host, port), timeout_s) as line:
            line.settimeout(timeout_s)
            line.sendall(encode_frame(1, unit, _READ_ONE_BIT))
            while data := line.recv(_LONGEST_BODY):
                for frame in splitter.feed(data):
                    if frame.transaction == 1:
                        return Answer(True, f"{host}:{port} answers")
                if splitter.error is not None:
                    return Answer(False, f"{host}:{port}: {splitter.error}")
    except OSError as error:
        return Answer(False, f"{host}:{port}: {_reason(error)}")
    return Answer(False, f"{host}:{port} closed the connection without an answer")


def ask_http(url: str, timeout_s: float) -> Answer:
    """Good: a page answers with status 200; raises SoftctlError for what is no address.

    The page is asked without a proxy: it is on this computer or in this network.
    """
    from http.client import HTTPConnection, HTTPException

    host, port, path = _parts(url)
    connection = HTTPConnection(host, port, timeout=timeout_s)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read(_LONGEST_BODY).decode("utf-8", "replace").strip()
    except (OSError, HTTPException) as error:
        return Answer(False, f"{url}: {_reason(error)}")
    finally:
        connection.close()
    return Answer(answer.status == 200, f"{url}: status {answer.status}\n{body}".rstrip())


def _parts(url: str) -> tuple[str, int, str]:
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if host is None:
        raise SoftctlError(f"expected a URL such as http://127.0.0.1:9464/health, got {url}")
    return host, port or 80, parts.path or "/"


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
