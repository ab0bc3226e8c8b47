"""Modbus servers for the bench: TCP, RTU over TCP, and RTU on a pseudo-terminal.

In: a World (who answers, and how) and the bytes of a client. Out: the bytes of the units, at their times.
Does not: know any register, judge anything, or share a line of code with the tool that it tests.
Invariants: loopback and pseudo-terminals only; every server ends with its case.
Values: framing as published (Modbus application protocol 1.1b3, serial line 1.02), written from memory.
"""
import asyncio
import os
import pty
import struct
import termios
import time
import tty


def crc16(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


def rtu(unit, pdu):
    body = bytes([unit]) + pdu
    return body + crc16(body)


def refusal(pdu, code):
    return bytes([pdu[0] | 0x80, code])


class Out:
    """One thing to send: after `delay` seconds a frame of `unit`, or bytes as they are."""

    def __init__(self, delay, pdu=None, unit=None, raw=None, damage=None, transaction=None, pieces=0):
        self.delay, self.pdu, self.unit, self.raw = delay, pdu, unit, raw
        self.damage, self.transaction, self.pieces = damage, transaction, pieces


class World:
    """All that stands behind one link.

    units: address -> device with `pdu(function, request, now)`; `habits`: functions (world, ask, outs) -> outs that
    bend what the devices would say; `missing`: what a gateway says for an address where nobody is (None: silence).
    `now()` counts from the first question, so that a script does not depend on how long the tool listens.
    """

    def __init__(self, units, habits=(), missing=None, delay=0.02, from_launch=False):
        self.units, self.habits, self.missing, self.delay = units, list(habits), missing, delay
        self.began = time.monotonic() if from_launch else None
        self.asked = 0
        self.sent_bytes_in = 0
        self.log, self.foreign = [], []
        self.server = None
        self.broken = None

    def now(self):
        if self.began is None:
            return 0.0
        return time.monotonic() - self.began

    def hear(self, unit, pdu, ours=True):
        """A whole question came in: what goes back, as a list of Out."""
        if ours:
            if self.began is None:
                self.began = time.monotonic()
            self.asked += 1
            self.log.append((round(self.now(), 3), unit, pdu.hex()))
        try:
            return self.answer(unit, pdu, ours)
        except Exception as mistake:  # a mistake of the bench must not look like a silent unit
            self.broken = repr(mistake)
            raise

    def answer(self, unit, pdu, ours):
        device = self.units.get(unit)
        if device is None:
            outs = [] if self.missing is None else [Out(self.delay, refusal(pdu, self.missing), unit)]
        else:
            outs = [Out(self.delay, device.pdu(pdu, self.now()), unit)]
        if ours:
            ask = Ask(unit, pdu, self.asked, self.now())
            for habit in self.habits:
                outs = habit(self, ask, outs)
        return outs


class Ask:
    def __init__(self, unit, pdu, number, at):
        self.unit, self.pdu, self.number, self.at = unit, pdu, number, at


def cut_questions(buffer):
    """Takes whole questions off the front of RTU bytes. Anything that fits none is dropped byte by byte."""
    found = []
    while len(buffer) >= 4:
        function = buffer[1]
        if function in (1, 2, 3, 4, 5, 6, 8):
            length = 8
        elif function == 0x11:
            length = 4
        elif function == 0x2B:
            length = 7
        elif function == 16 and len(buffer) >= 7:
            length = 9 + buffer[6]
        else:
            length = 0
        if length and len(buffer) < length:
            break
        if length and crc16(buffer[: length - 2]) == bytes(buffer[length - 2 : length]):
            found.append((buffer[0], bytes(buffer[1 : length - 2])))
            del buffer[:length]
        else:
            del buffer[:1]
    return found


class Link:
    """Base of the three kinds. `send(bytes)` writes to whoever is connected."""

    framing = "rtu"

    def __init__(self, world):
        self.world = world
        world.server = self
        self.tasks = set()

    def spawn(self, work):
        task = asyncio.get_running_loop().create_task(work)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)

    async def speak(self, outs, transaction=0, write=None):
        """Sends what a habit left of an answer. Delays count from the question."""
        write = write or self.send
        began = time.monotonic()
        for out in sorted(outs, key=lambda o: o.delay):
            await asyncio.sleep(max(0.0, began + out.delay - time.monotonic()))
            if out.raw is not None:
                data = out.raw
            elif self.framing == "tcp":
                number = transaction if out.transaction is None else out.transaction
                data = struct.pack(">HHHB", number & 0xFFFF, 0, len(out.pdu) + 1, out.unit) + out.pdu
            else:
                data = rtu(out.unit, out.pdu)
            if out.damage:
                data = out.damage(data)
            if out.pieces:
                for at in range(0, len(data), out.pieces):
                    write(data[at:at + out.pieces])
                    await asyncio.sleep(0.004)
            elif data:
                write(data)

    def close_tasks(self):
        for task in list(self.tasks):
            task.cancel()


class Tcp(Link):
    framing = "tcp"

    async def start(self):
        self.writers = []
        self.listener = await asyncio.start_server(self.serve, "127.0.0.1", 0)
        self.port = self.listener.sockets[0].getsockname()[1]
        return ["--gateway", f"127.0.0.1:{self.port}"] + (["--framing", "rtu"] if self.framing == "rtu" else [])

    def send(self, data):
        for writer in self.writers:
            if not writer.is_closing():
                writer.write(data)

    async def serve(self, reader, writer):
        self.writers.append(writer)
        greet = getattr(self.world, "greet", None)
        if greet:
            self.spawn(greet(self))
        try:
            await (self.serve_tcp(reader, writer) if self.framing == "tcp" else self.serve_rtu(reader, writer))
        except (ConnectionError, asyncio.IncompleteReadError, OSError):
            pass
        finally:
            if writer in self.writers:
                self.writers.remove(writer)
            writer.close()

    async def serve_tcp(self, reader, writer):
        while True:
            head = await reader.readexactly(7)
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            pdu = await reader.readexactly(length - 1)
            outs = self.world.hear(unit, pdu)
            self.spawn(self.speak(outs, transaction, writer.write))

    async def serve_rtu(self, reader, writer):
        buffer = bytearray()
        while True:
            data = await reader.read(4096)
            if not data:
                return
            self.world.sent_bytes_in += len(data)
            buffer += data
            for unit, pdu in cut_questions(buffer):
                self.spawn(self.speak(self.world.hear(unit, pdu), 0, writer.write))

    def vanish(self):
        """The gateway is gone: connections break, new ones are refused."""
        self.listener.close()
        for writer in list(self.writers):
            writer.transport.abort()

    def hang_up(self):
        """The gateway closes the connection and takes a new one."""
        for writer in list(self.writers):
            writer.close()

    async def stop(self):
        self.close_tasks()
        self.listener.close()
        for writer in list(self.writers):
            writer.transport.abort()


class RtuTcp(Tcp):
    framing = "rtu"


class Pty(Link):
    async def start(self):
        self.master, slave = pty.openpty()
        tty.setraw(slave, termios.TCSANOW)
        self.slave = slave
        os.set_blocking(self.master, False)
        self.buffer = bytearray()
        asyncio.get_running_loop().add_reader(self.master, self.readable)
        greet = getattr(self.world, "greet", None)
        if greet:
            self.spawn(greet(self))
        return ["--serial", os.ttyname(slave)]

    def readable(self):
        try:
            data = os.read(self.master, 4096)
        except BlockingIOError:
            return
        except OSError:
            self.vanish()
            return
        self.world.sent_bytes_in += len(data)
        self.buffer += data
        for unit, pdu in cut_questions(self.buffer):
            self.spawn(self.speak(self.world.hear(unit, pdu)))

    def send(self, data):
        if self.master is not None:
            try:
                os.write(self.master, data)
            except OSError:
                pass

    def vanish(self):
        """The adapter is pulled out."""
        if self.master is not None:
            asyncio.get_running_loop().remove_reader(self.master)
            os.close(self.master)
            os.close(self.slave)
            self.master = None

    async def stop(self):
        self.close_tasks()
        self.vanish()


class RtuAskedTcp(RtuTcp):
    """Speaks RTU, and the tool is told Modbus TCP."""

    async def start(self):
        return (await super().start())[:2]


class TcpAskedRtu(Tcp):
    """Speaks Modbus TCP, and the tool is told RTU."""

    async def start(self):
        return (await super().start()) + ["--framing", "rtu"]

    async def serve_tcp(self, reader, writer):
        # What is no Modbus TCP head is passed over, as such gateways do.
        while await reader.read(4096):
            pass


class Nobody(Tcp):
    """A port that refuses."""

    async def start(self):
        given = await super().start()
        self.vanish()
        return given


class PulledOut(Pty):
    """A port that is no longer there."""

    async def start(self):
        given = await super().start()
        self.vanish()
        return given


LINKS = {"pulled-out": PulledOut, "tcp": Tcp, "rtu-tcp": RtuTcp, "pty": Pty, "rtu-asked-tcp": RtuAskedTcp, "tcp-asked-rtu": TcpAskedRtu, "nobody": Nobody}
