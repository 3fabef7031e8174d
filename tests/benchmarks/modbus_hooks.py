"""What a server's hooks cost a request, beside the bare codec, in one run.

`python tests/benchmarks/modbus_hooks.py [REQUESTS]` prints a table of nanoseconds of
processor time a request, the best of many rounds in turns, without any sockets. "Bare
codec" splits the frame, decodes, does the request and encodes the reply, with nothing of a
server. "Server" adds the table of units, counters, the idle clock, the wire-fault switch and
the short way for polls. "All hooks" adds the permission of each range by a table of roles,
the check and the report of each write, and an observer of every request; the last three do
nothing, so what is measured is the price of having them.
"""

from __future__ import annotations

import sys
import time
import timeit
from collections.abc import Callable

from softctl.modbus import Bank, Client, Device, Server
from softctl.modbus.frames import FrameSplitter, encode_frame
from softctl.modbus.functions import decode_request
from softctl.modbus.roles import Bars, RoleTable
from softctl.values.tables import Table

REQUESTS = {
    "read 10 registers": "03 0000 000A",
    "read 125 registers": "03 0000 007D",
    "read 100 coils": "01 0000 0064",
    "write 1 register": "06 0001 0003",
    "write 10 registers": "10 0001 000A 14" + " 0001" * 10,
}
REPEATS = 40

Step = Callable[[bytes], bytes]


def bare_codec() -> Step:
    """Frame in, frame out, by the codec's own functions alone."""
    device, client = Device(_bank()), Client("bare")
    splitter = FrameSplitter()

    def step(data: bytes) -> bytes:
        (frame,) = splitter.feed(data)
        request = decode_request(frame.pdu, device.functions)
        return encode_frame(frame.transaction, frame.unit, device.perform(request, client))

    return step


def served(server: Server) -> Step:
    """As the asyncio shell does: the short way, or else the long one."""
    connection = server.connect(Client("served", "127.0.0.1"))
    answer, receive = connection.answer_polls, connection.receive_any

    def step(data: bytes) -> bytes:
        reply = answer(memoryview(data), len(data), 5)
        return receive(data, 5)[0].data if reply is None else reply

    return step


def plain_server() -> Server:
    return Server([Device(_bank())])


def hooked_server() -> Server:
    """A real table of roles, which bars some addresses beyond; the other hooks do nothing."""
    barred = tuple((table, 500, 20) for table in Table)
    device = Device(
        _bank(),
        permit=RoleTable({}, no_role=Bars(read=barred, write=barred)).permits,
        write_check=lambda table, address, data: None,
        on_write=lambda client, table, address, data: None,
    )
    return Server([device], on_request=lambda client, frame, request, reply: None)


def _bank() -> Bank:
    return Bank({table: [(0, 1000)] for table in Table})


def measure(requests: int) -> dict[str, tuple[float, float, float]]:
    """Nanoseconds for each kind of request: bare codec, server, all hooks; best of several."""
    steps = (bare_codec(), served(plain_server()), served(hooked_server()))
    results = {}
    for name, text in REQUESTS.items():
        frame = encode_frame(1, 1, bytes.fromhex(text))
        assert len({step(frame) for step in steps}) == 1, "all three give the same reply"
        best = [float("inf")] * len(steps)
        for _ in range(REPEATS):
            for index, step in enumerate(steps):
                best[index] = min(best[index], _time_ns(step, frame, requests))
        results[name] = (best[0], best[1], best[2])
    return results


def _time_ns(step: Step, frame: bytes, requests: int) -> float:
    """In processor time, which other work on the machine disturbs least."""
    used = timeit.timeit(lambda: step(frame), number=requests, timer=time.thread_time)
    return 1e9 * used / requests


def table(results: dict[str, tuple[float, float, float]]) -> str:
    """The hooks' price as a share of the bare codec's."""
    head = (
        f"{'request':20}{'bare codec ns':>14}{'server ns':>11}{'all hooks ns':>14}"
        f"{'hooks add':>11}{'hooks/bare':>12}{'all/bare':>10}"
    )
    lines = [head, "-" * len(head)]
    for name, (bare, plain, hooked) in results.items():
        lines.append(
            f"{name:20}{bare:14.0f}{plain:11.0f}{hooked:14.0f}{hooked - plain:11.0f}"
            f"{(hooked - plain) / bare:12.1%}{hooked / bare:10.2f}"
        )
    return "\n".join(lines)


def main() -> None:
    print(table(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)))


if __name__ == "__main__":
    main()
