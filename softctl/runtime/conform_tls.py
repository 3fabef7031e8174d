"""A connection whose TLS is watched: every record of the handshake, alerts and farewells.

The ssl module's memory buffers are used, because the event loop's own TLS shows neither
the bytes of a handshake nor the alert that ended it.
"""

from __future__ import annotations

import re
import ssl

from softctl.conform.evidence import Notebook
from softctl.conform.steps import Handshake, Heard, Hello
from softctl.runtime.conform_lines import Dial, Line, attach, reason_of

KEPT_BYTES = 64
"""Of each piece of a handshake, so that evidence can be read."""

_ALERT = re.compile(r"ALERT_(\w+)$")
_CLOSE_NOTIFY = "close notify"


class SecureLine(Line):
    """One connection; `alert` is what the server ended it with, `error` what this side saw."""

    def __init__(self, context: ssl.SSLContext, server_name: str) -> None:
        super().__init__()
        self._incoming, self._outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.tls = context.wrap_bio(self._incoming, self._outgoing, server_hostname=server_name)
        self.is_shaken = False
        self.error = ""
        self.pieces: list[tuple[str, bytes]] = []

    def begin(self) -> None:
        """Send the first words of the handshake."""
        self._pump()

    def data_received(self, data: bytes) -> None:
        self.pieces.append(("received", data))
        self._incoming.write(data)
        self._pump()
        self._changed.set()

    def send(self, data: bytes) -> None:
        """Nothing is sent once an alert has ended the connection."""
        try:
            self.tls.write(data)
        except ssl.SSLError as error:
            self._note(error)
        self._flush()

    def say_farewell(self) -> None:
        """Send a close_notify; the server's is noted as its alert when it comes."""
        try:
            self.tls.unwrap()
            self.alert = _CLOSE_NOTIFY
        except ssl.SSLWantReadError:
            pass
        except ssl.SSLError as error:
            self._note(error)
        self._flush()

    def handshake(self) -> Handshake | None:
        """What was agreed on, once it is."""
        if not self.is_shaken:
            return None
        cipher = self.tls.cipher()
        certificate = self.tls.getpeercert(binary_form=True)
        return Handshake(self.tls.version() or "", cipher[0] if cipher else "", certificate or b"")

    @property
    def is_over(self) -> bool:
        """The handshake has succeeded or failed."""
        return self.is_shaken or self.is_closed or bool(self.error)

    def _pump(self) -> None:
        try:
            if not self.is_shaken:
                self.tls.do_handshake()
                self.is_shaken = True
            while data := self.tls.read(65_536):
                self.received += data
        except ssl.SSLWantReadError:
            pass
        except ssl.SSLZeroReturnError:
            self.alert = self.alert or _CLOSE_NOTIFY
        except ssl.SSLError as error:
            self._note(error)
        self._flush()

    def _note(self, error: ssl.SSLError) -> None:
        reason = error.reason or str(error)
        match = _ALERT.search(reason)
        if match:
            self.alert = self.alert or match[1].replace("_", " ").lower()
        self.error = self.error or getattr(error, "verify_message", "") or reason

    def _flush(self) -> None:
        if self._outgoing.pending and not self.transport.is_closing():
            data = self._outgoing.read()
            self.pieces.append(("sent", data))
            self.transport.write(data)


async def shake(
    dial: Dial, hello: Hello, notebook: Notebook, number: int
) -> tuple[SecureLine | None, Heard]:
    """Connect and shake hands, as far as it goes; None for no connection at all."""
    assert dial.identities is not None
    try:
        context = dial.identities.context(hello)
    except OSError as error:
        return None, Heard(unable=reason_of(error))
    line = SecureLine(context, dial.server_name or dial.host)
    try:
        await attach(dial, line)
    except OSError as error:
        notebook.note(number, f"not connected: {reason_of(error)}")
        return None, Heard(is_closed=True)
    line.begin()
    if line.error and not line.pieces:
        line.transport.abort()
        return None, Heard(unable=line.error.replace("_", " ").lower())
    while not line.is_over and await line.change(dial.timeout_s):
        pass
    if line.error and not line.is_closed:
        await line.change(dial.timeout_s)  # an alert should be followed by the end
    note_pieces(line, notebook, number)
    heard = Heard(is_closed=line.is_closed, tls=line.handshake(), alert=line.alert)
    notebook.note(number, _words(line, heard))
    return line, heard


def note_pieces(line: SecureLine, notebook: Notebook, number: int) -> None:
    """What travelled below TLS since the last time, cut where it is long."""
    for what, data in line.pieces:
        size = len(data)
        cut = f" (TLS, first {KEPT_BYTES} of {size} bytes)" if size > KEPT_BYTES else " (TLS)"
        notebook.note(number, what + cut, data[:KEPT_BYTES])
    line.pieces.clear()


def _words(line: SecureLine, heard: Heard) -> str:
    if heard.tls is not None:
        return f"hands shaken: {heard.tls.version}, {heard.tls.cipher}"
    if heard.alert:
        return f"alert from the server: {heard.alert}"
    if line.error and not heard.is_closed:
        return f"given up by this side: {line.error}"
    return "closed by the server" if heard.is_closed else "nothing more in time"


async def farewell(line: SecureLine, timeout_s: float) -> Heard:
    """Say close_notify and wait for the answer or the end."""
    line.say_farewell()
    while not (line.alert or line.is_closed) and await line.change(timeout_s):
        line.say_farewell()
    return Heard(is_closed=line.is_closed, alert=line.alert)
