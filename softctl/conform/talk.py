"""The words that cases are written in: asking, hearing, requiring, and what a case needs."""

from __future__ import annotations

from softctl.conform import judge, pdus
from softctl.conform.site import ADDRESSES, Range, Site
from softctl.conform.steps import Close, Hear, Heard, NotApplicable, Script, Send, Settle, Unmet
from softctl.conform.wire import Reply, frame, hex_text
from softctl.values.tables import Table

_WRITE_OPTIONS = {Table.COILS: "coils", Table.HOLDING_REGISTERS: "holding"}


class Talk:
    """One case's conversation with the server: numbers its requests and reads replies.

    Replies are taken in the order in which they come. Whether transaction, unit and
    protocol id are right is judged only by the cases about them, so that one mistake in a
    server does not hide all the rest.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self._transaction = 0x0100

    def transaction(self) -> int:
        """A transaction id that this case has not used."""
        self._transaction += 1
        return self._transaction & 0xFFFF

    def frame(self, pdu: bytes) -> bytes:
        """A right frame for the unit under test."""
        return frame(self.transaction(), self.site.unit, pdu)

    # Asking

    def hear(self, count: int, line: int = 0) -> Script[tuple[Reply, ...]]:
        """Exactly this many replies, or `Unmet`."""
        heard = yield Hear(line, count)
        if len(heard.replies) < count:
            raise Unmet(_replies(count), _shortfall(heard))
        return heard.replies

    def ask(self, pdu: bytes, line: int = 0) -> Script[bytes]:
        """Send a request and return the PDU of the reply."""
        yield Send(line, self.frame(pdu))
        (reply,) = yield from self.hear(1, line)
        return reply.pdu

    def ask_frame(self, data: bytes, line: int = 0) -> Script[Reply]:
        """Send the bytes of one frame and return the reply."""
        yield Send(line, data)
        (reply,) = yield from self.hear(1, line)
        return reply

    def refuse(self, pdu: bytes, *codes: int, line: int = 0) -> Script[None]:
        """The request must be answered with one of these exception codes."""
        self.require_refusal((yield from self.ask(pdu, line)), pdu[0], *codes)

    def require_refusal(self, reply: bytes, function: int, *codes: int) -> None:
        """One of these exception codes; a role's refusal comes before any other."""
        secured = self.site.secured
        if judge.is_exception(reply, 0x01) and 0x01 not in codes and secured and secured.is_limited:
            raise NotApplicable("refused because of the role: needs one that may do everything")
        judge.require_exception(reply, function, *codes)

    def echo(self, pdu: bytes, expected: bytes | None = None, line: int = 0) -> Script[None]:
        """The reply must be the request itself, or `expected`."""
        reply = yield from self.ask(pdu, line)
        judge.require_echo(reply, pdu if expected is None else expected)

    def read(self, table: Table, address: int, count: int, line: int = 0) -> Script[list[int]]:
        """Values of any number of addresses, read in requests of legal size."""
        function = table.read_function
        most = 2000 if table.is_bits else 125
        values: list[int] = []
        while len(values) < count:
            part = min(most, count - len(values))
            pdu = yield from self.ask(pdus.read(function, address + len(values), part), line)
            if table.is_bits:
                values += judge.require_bits(pdu, function, part)
            else:
                values += judge.require_registers(pdu, function, part)
        return values

    def write(self, table: Table, address: int, values: list[int], line: int = 0) -> Script[None]:
        """Write values with functions 15 or 16, in requests of legal size."""
        most = 1968 if table.is_bits else 123
        build = pdus.write_coils if table.is_bits else pdus.write_registers
        for start in range(0, len(values), most):
            pdu = build(address + start, values[start : start + most])
            yield from self.echo(pdu, pdu[:5], line)

    def require_memory(self, table: Table, address: int, expected: list[int]) -> Script[None]:
        """What is read must be these values."""
        got = yield from self.read(table, address, len(expected))
        what = f"{table.value} from {address}:"
        judge.require_values(got, expected, what)

    def probe(self, line: int) -> Script[None]:
        """The server must answer one right request on this line."""
        pdu = self.harmless()
        yield Send(line, self.frame(pdu))
        heard = yield Hear(line, 1)
        if not heard.replies:
            raise Unmet(f"an answer to a right request on connection {line}", _shortfall(heard))
        self.require_harmless(heard.replies[0].pdu, pdu)

    def require_served(self, line: int) -> Script[None]:
        """A new connection must be served; it is closed again."""
        yield from self.probe(line)
        yield Close(line)

    def require_ignored(self, line: int = 0) -> Script[None]:
        """Nothing is answered within a moment; that the server closes is as good."""
        heard = yield Settle(line)
        if heard.raw:
            raise Unmet("no answer, or the connection closed", hex_text(heard.raw))

    # What a case needs

    def known(self, table: Table, count: int = 1) -> int:
        """The first of `count` addresses that exist, or `NotApplicable`."""
        known = self.site.area(table).known
        if known is None:
            raise NotApplicable(f"no {table.value} were found to exist")
        if known.count < count:
            raise NotApplicable(f"needs {count} {table.value}, found {known.count}")
        return known.first

    def hole(self, table: Table) -> int:
        """An address that does not exist, or `NotApplicable`."""
        hole = self.site.area(table).hole
        if hole is None:
            raise NotApplicable(
                f"every address of the {table.value} exists, or none could be tried"
            )
        return hole

    def edge(self, table: Table) -> Range:
        """Addresses that exist and are the last of their run, or `NotApplicable`."""
        area = self.site.area(table)
        if area.known is None:
            raise NotApplicable(f"no {table.value} were found to exist")
        if not area.is_bounded and area.known.end < ADDRESSES:
            raise NotApplicable(f"the end of the {table.value} was not found")
        return area.known

    def writable(self, table: Table, count: int = 1) -> int:
        """The first of `count` addresses that may be written, or `NotApplicable`."""
        area = self.site.area(table)
        option = f"--write-range {_WRITE_OPTIONS[table]}:FIRST-LAST"
        if area.writable is None:
            raise NotApplicable(area.refusal or f"writes {table.value}: needs {option}")
        if area.writable.count < count:
            has = area.writable.count
            raise NotApplicable(
                f"needs {count} {table.value} that may be written, has {has}: {option}"
            )
        return area.writable.first

    def write_hole(self, table: Table) -> int:
        """An address that may be written but does not exist, or `NotApplicable`."""
        area = self.site.area(table)
        if area.write_hole is None:
            raise NotApplicable(
                f"needs a --write-range of {table.value} that reaches past the last existing one"
            )
        return area.write_hole

    def write_edge(self, table: Table, count: int) -> int:
        """The first of the last `count` addresses, when writing past them is allowed."""
        area = self.site.area(table)
        if area.writable is None or not area.has_edge:
            self.write_hole(table)
            raise NotApplicable(f"the ranges given do not cross the end of the {table.value}")
        if area.writable.count < count:
            raise NotApplicable(f"needs {count} {table.value} that may be written before the end")
        return area.writable.end - count

    # A request that every server can answer

    def harmless(self, index: int = 0) -> bytes:
        """A read request; a different `index` reads another quantity where there is one."""
        for table in (Table.HOLDING_REGISTERS, Table.INPUT_REGISTERS, *Table):
            known = self.site.area(table).known
            if known is not None:
                quantity = 1 + index % min(known.count, 16)
                return pdus.read(table.read_function, known.first, quantity)
        raise NotApplicable("no address is known that could be read: give --address or --map")

    def require_harmless(self, reply: bytes, request: bytes) -> None:
        """The reply must answer this request from `harmless`."""
        function, quantity = request[0], int.from_bytes(request[3:5], "big")
        if function in (1, 2):
            judge.require_bits(reply, function, quantity)
        else:
            judge.require_registers(reply, function, quantity)

    def require_all_harmless(
        self, requests: dict[int, bytes], line: int = 0, *, may_be_busy: bool = False
    ) -> Script[None]:
        """Each request, by transaction id, must be answered once; in any order."""
        replies = yield from self.hear(len(requests), line)
        seen = [reply.transaction for reply in replies]
        if sorted(seen) != sorted(requests):
            raise Unmet(
                "one reply for each transaction id "
                + " ".join(f"{number:04X}" for number in sorted(requests)),
                " ".join(f"{number:04X}" for number in seen),
            )
        for reply in replies:
            if not (may_be_busy and judge.is_exception(reply.pdu, 0x06)):
                self.require_harmless(reply.pdu, requests[reply.transaction])


def _replies(count: int) -> str:
    return "a reply" if count == 1 else f"{count} replies"


def _shortfall(heard: Heard) -> str:
    if heard.is_lost:
        length = int.from_bytes(heard.rest[4:6], "big")
        return f"a length field of {length}, not within 2 to 254: {hex_text(heard.rest)}"
    ending = "then the connection was closed" if heard.is_closed else "then nothing more in time"
    if heard.rest:
        return f"{len(heard.replies)}, {hex_text(heard.rest)}, {ending}"
    if heard.replies:
        return f"{len(heard.replies)}, {ending}"
    return "a closed connection" if heard.is_closed else "no answer in time"
