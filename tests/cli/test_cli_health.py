"""`softctl health`: the verdict, its exit code and its words, against small servers."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app

REFUSAL = bytes.fromhex("0001 0000 0003 01 81 02")
OTHERS = bytes.fromhex("0007 0000 0003 01 81 02")
LOST = bytes.fromhex("0001 0000 0000 01")
GOOD_PAGE = b'HTTP/1.1 200 OK\r\nContent-Length: 16\r\n\r\n{"healthy":true}'
BAD_PAGE = b'HTTP/1.1 503 Service Unavailable\r\nContent-Length: 9\r\n\r\n{"a": 1}\n'


@contextlib.contextmanager
def server(answer: bytes, received: list[bytes], *, closes: bool = True) -> Iterator[int]:
    """A port where one connection gets these bytes once it has sent something."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        done = threading.Event()

        def serve() -> None:
            with listener.accept()[0] as line:
                received.append(line.recv(4096))
                line.sendall(answer)
                if not closes:
                    done.wait(20)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield listener.getsockname()[1]
        finally:
            done.set()
            thread.join(20)


@pytest.mark.network
@pytest.mark.parametrize(
    ("where", "answer", "code", "words"),
    [
        ("127.0.0.1:{}", REFUSAL, 0, "answers"),
        ("127.0.0.1:{}", OTHERS + REFUSAL, 0, "answers"),
        ("127.0.0.1:{}", OTHERS, 1, "closed the connection without an answer"),
        ("127.0.0.1:{}", b"", 1, "closed the connection without an answer"),
        ("127.0.0.1:{}", LOST, 1, "expected a length field between 2 and 254, got 0"),
        ("http://127.0.0.1:{}/health", GOOD_PAGE, 0, 'status 200\n{"healthy":true}'),
        ("http://127.0.0.1:{}/health", BAD_PAGE, 1, 'status 503\n{"a": 1}'),
        ("http://127.0.0.1:{}", b"nothing like it\r\n\r\n", 1, "nothing like it"),
    ],
)
def test_what_answers_is_healthy(where: str, answer: bytes, code: int, words: str) -> None:
    """An exception is an answer; another's answer, no frame and another status are none."""
    received: list[bytes] = []
    with server(answer, received) as port:
        done = CliRunner().invoke(app, ["health", where.format(port), "--timeout", "20"])
    assert (done.exit_code, words in done.output) == (code, True), done.output
    # MB-TCP-Guide V1.0b, 3.1.3: the read of one coil with the unit id asked for
    asked = b"GET /" if "http" in where else bytes.fromhex("0001 0000 0006 01 01 0000 0001")
    assert received[0].startswith(asked)


@pytest.mark.network
def test_silence_is_unhealthy_after_the_timeout() -> None:
    """Nothing is waited for longer than was asked."""
    with server(b"", [], closes=False) as port:
        where = f"127.0.0.1:{port}"
        done = CliRunner().invoke(app, ["health", where, "--timeout", "0.05", "--unit", "9"])
    assert (done.exit_code, done.output) == (1, f"127.0.0.1:{port}: timed out\n")


@pytest.mark.network
def test_a_port_where_nobody_listens_is_unhealthy() -> None:
    """The reason is told, and nothing of it is a user's error."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    for where in (f"127.0.0.1:{port}", f"http://127.0.0.1:{port}/health"):
        done = CliRunner().invoke(app, ["health", where])
        assert (done.exit_code, done.output) == (1, f"{where}: Connection refused\n")


@pytest.mark.parametrize("where", ["127.0.0.1:0", ":15020", "http://:80/", "http://a:b/"])
def test_what_is_no_address_is_an_error_of_whoever_asks(where: str) -> None:
    """It is told apart from a server that is down."""
    done = CliRunner().invoke(app, ["health", where])
    assert done.exit_code == 1, "what main turns into 2"
    assert "expected" in str(done.exception)
