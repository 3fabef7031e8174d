"""The stock pymodbus server, as its documentation starts it, in a process of its own.

Usage: pymodbus_server.py COUNT; every table has COUNT addresses from 0. Prints the port it
listens on at 127.0.0.1 and serves until standard input ends.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


async def serve(count: int) -> None:
    bits = [SimData(0, count=count, values=False, datatype=DataType.BITS)]
    registers = [SimData(0, count=count, values=0, datatype=DataType.REGISTERS)]
    device = SimDevice(1, simdata=(bits, bits, registers, registers))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    print(server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


asyncio.run(serve(int(sys.argv[1])))
