"""Serves an invented unit over Modbus TCP: python3 tests/drafts/server.py SEED NUMBER [--port N] [--table FILE] [--dirty]

Answers functions 03 and 04 of its map from the physics as time goes on, exception 02 in holes. Prints the port, and
writes the maker's table where asked. Framing as published (Modbus Messaging on TCP/IP V1.0b), from memory.
"""

import argparse
import asyncio
import struct
import time

from make import IMAGES, Unit
from words import SEEN


class Served:
    """A unit at an address; time goes on `pace` times as fast, and stands still when the physics ends."""

    def __init__(self, unit, pace=1.0, address=1):
        self.unit, self.pace, self.address = unit, pace, address
        self.begun = time.monotonic()
        self.last = IMAGES * unit.period
        self.kept = (-1, {})
        self.functions = set()

    def registers(self, function):
        moment = min(int((time.monotonic() - self.begun) * self.pace), self.last)
        if self.kept[0] != moment:
            self.kept = moment, self.unit.map.image(moment)
        return self.kept[1].get(function, {})

    def answer(self, pdu):
        function = pdu[0]
        self.functions.add(function)
        if function not in (3, 4):
            return bytes([function | 0x80, 1])
        if len(pdu) != 5:
            return bytes([function | 0x80, 3])
        first, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= 125:
            return bytes([function | 0x80, 3])
        words = self.registers(function)
        wanted = range(first, first + count)
        if any(register not in words for register in wanted):
            return bytes([function | 0x80, 2])
        return bytes([function, 2 * count]) + struct.pack(">%dH" % count, *(words[register] for register in wanted))

    async def serve(self, reader, writer):
        try:
            while True:
                head = await reader.readexactly(7)
                number, protocol, length, unit = struct.unpack(">HHHB", head)
                if protocol or not 2 <= length <= 254:
                    break
                pdu = await reader.readexactly(length - 1)
                if unit == self.address:
                    said = self.answer(pdu)
                    writer.write(struct.pack(">HHHB", number, 0, len(said) + 1, unit) + said)
                    await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    async def start(self, port=0):
        return await asyncio.start_server(self.serve, "127.0.0.1", port)


async def main():
    wanted = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    wanted.add_argument("seed")
    wanted.add_argument("number", type=int)
    wanted.add_argument("--port", type=int, default=0)
    wanted.add_argument("--table")
    wanted.add_argument("--dirty", action="store_true")
    wanted.add_argument("--rest", action="store_true")
    given = wanted.parse_args()
    unit = Unit(given.seed, given.number, "rest" if given.rest else "flowing")
    if given.table:
        with open(given.table, "wb") as file:
            file.write(unit.table(given.dirty, SEEN).text)
    server = await Served(unit).start(given.port)
    print("port %d" % server.sockets[0].getsockname()[1], flush=True)
    async with server:
        await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
