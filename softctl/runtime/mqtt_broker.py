"""A broker for a computer on which there is none; needs the extra `broker`.

It speaks MQTT 3.1.1 on loopback without passwords, so only people of this computer reach
it, all of them. For anything else there are brokers made for it. It is a process of its
own, so that what its clients do holds up no scan; it ends when its standard input does, so
it never outlives the one who started it.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import logging
import signal
import socket
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process

from softctl.errors import SoftctlError

HOST = "127.0.0.1"
_ANONYMOUS = "amqtt.plugins.authentication.AnonymousAuthPlugin"
_READY = b"ready"
_START_S = 30.0
_END_S = 5.0


class EmbeddedBroker:
    """Listens from `start` to `close`; raises SoftctlError without the extra."""

    def __init__(self, port: int) -> None:
        if importlib.util.find_spec("amqtt") is None:
            raise SoftctlError(
                "expected the package amqtt for --broker, got none: pip install '.[broker]'"
            )
        self.port = port or _free_port()
        self._process: Process | None = None

    async def start(self) -> int:
        """Listen; the port. Raises SoftctlError where that cannot be."""
        _require_free(self.port)
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", __name__, str(self.port), stdin=PIPE, stdout=PIPE, stderr=DEVNULL
        )
        assert self._process.stdout is not None
        line = b""
        with contextlib.suppress(TimeoutError):
            line = await asyncio.wait_for(self._process.stdout.readline(), _START_S)
        if line.strip() != _READY:
            await self.close()
            raise SoftctlError(f"expected a broker at {HOST}:{self.port}, got none that starts")
        return self.port

    async def close(self) -> None:
        """Stop, and end every connection."""
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), _END_S)
        except TimeoutError:
            process.kill()
            await process.wait()


def _require_free(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise SoftctlError(
                f"expected a free port for the broker, got {port}: {error.strerror}"
            ) from None


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
    return port


async def _serve(port: int) -> None:
    """The broker's process, until its standard input ends."""
    from amqtt.broker import Broker
    from amqtt.contexts import BrokerConfig, ListenerConfig

    logging.disable()
    listener = ListenerConfig(bind=f"{HOST}:{port}")
    plugins = {_ANONYMOUS: {"allow_anonymous": True}}
    broker = Broker(BrokerConfig(listeners={"default": listener}, plugins=plugins))
    await broker.start()
    print(_READY.decode(), flush=True)
    await asyncio.to_thread(sys.stdin.read)
    with contextlib.suppress(Exception):
        await asyncio.wait_for(broker.shutdown(), _END_S / 2)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who started it
    asyncio.run(_serve(int(sys.argv[1])))
