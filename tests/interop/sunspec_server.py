"""A Modbus TCP server in plain Python (no library), which serves register images: one for each unit address.

Reads of holding registers only; whatever is not in an image answers exception 02, every other function 01,
as a plain server does. Two registers may count: by the clock (once a second) or with every read.
"""
import asyncio
import struct
import threading
import time


class Image:
    """Registers from a start on. `clocked` and `per_read` are registers that count by themselves; `hole` are
    registers that the unit refuses."""

    def __init__(self, words, start, clocked=(), per_read=(), hole=()):
        self.words, self.start = list(words), start
        self.clocked = {at: self.words[at - start] for at in clocked}
        self.per_read, self.hole = set(per_read), set(hole)
        self.begun = time.monotonic()

    def read(self, address, count):
        if not self.start <= address <= address + count <= self.start + len(self.words):
            return None
        if any(at in self.hole for at in range(address, address + count)):
            return None
        for at in range(address, address + count):
            place = at - self.start
            if at in self.clocked:
                self.words[place] = (self.clocked[at] + int(time.monotonic() - self.begun)) % 60000
            elif at in self.per_read:
                self.words[place] = (self.words[place] + 1) % 60000
        return self.words[address - self.start:address - self.start + count]


def answer(images, unit, pdu):
    function = pdu[0]
    image = images.get(unit)
    if image is None:
        return bytes([function | 0x80, 0x0B])
    if function != 3:
        return bytes([function | 0x80, 1])
    address, count = struct.unpack(">HH", pdu[1:5])
    if not 1 <= count <= 125:
        return bytes([function | 0x80, 3])
    words = image.read(address, count)
    if words is None:
        return bytes([function | 0x80, 2])
    return bytes([function, 2 * count]) + struct.pack(f">{count}H", *words)


class Server:
    """Serves {unit: Image} on a port of its own, in a thread, until it is closed."""

    def __init__(self, images):
        self.images, self.functions, self.port = images, set(), None
        self.loop, ready = asyncio.new_event_loop(), threading.Event()
        threading.Thread(target=self.serve, args=(ready,), daemon=True).start()
        ready.wait()

    def serve(self, ready):
        asyncio.set_event_loop(self.loop)
        server = self.loop.run_until_complete(asyncio.start_server(self.talk, "127.0.0.1", 0, backlog=512))
        self.port = server.sockets[0].getsockname()[1]
        ready.set()
        self.loop.run_forever()

    async def talk(self, reader, writer):
        try:
            while True:
                head = await reader.readexactly(7)
                transaction, _, length, unit = struct.unpack(">HHHB", head)
                pdu = await reader.readexactly(length - 1)
                self.functions.add(pdu[0])
                body = answer(self.images, unit, pdu)
                writer.write(struct.pack(">HHHB", transaction, 0, len(body) + 1, unit) + body)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()
