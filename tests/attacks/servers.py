"""The other end of the line: a storage unit with invented registers, served over TCP or a pseudo-terminal,
politely or not. Every byte that arrives is checked: anything that is not a read is a failed attack.

Kind of the registers and texts: invented. Kind of the frames: published (Modbus Application Protocol
V1.1b3; Messaging on TCP/IP V1.0b; over Serial Line V1.02, appendix B for the CRC).
"""

import bisect
import os
import select
import socket
import struct
import termios
import threading
import time
import tty

# 08: return query data, diagnostic register, counters. Nothing else of it only reads (published, 6.8).
READS_OF_08 = {0x00, 0x02, *range(0x0B, 0x13)}
LONGEST_LIFE = 120


def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


def only_reads(pdu):
    """Whether this request can change nothing."""
    function = pdu[0] if pdu else None
    if function in (1, 2, 3, 4):
        return len(pdu) == 5
    if function == 0x11:
        return len(pdu) == 1
    if function == 0x2B:
        return len(pdu) == 4 and pdu[1] == 0x0E
    return function == 8 and len(pdu) == 5 and struct.unpack(">H", pdu[1:3])[0] in READS_OF_08


def words(text, registers):
    data = (text.encode() if isinstance(text, str) else text)[: registers * 2].ljust(registers * 2, b"\0")
    return list(struct.unpack(f">{registers}H", data))


class Unit:
    """A sound stack of two modules that waits for its inverter: map `generic-hv-stack` (invented)."""

    def __init__(
        self,
        mark=21318,
        serial="INV-0042-HV",
        model="Invented stack",
        firmware="2.4",
        module="MOD-A-000",
        objects=(b"Invented Storage", b"Stack 12", b"V2.11"),
        fill=None,
    ):
        self.started, self.objects, self.fill, self.spoiled = time.monotonic(), objects, fill, None
        self.holding = dict(enumerate([0] * 28)) | dict.fromkeys(range(64, 84), 0)
        self.input = dict(enumerate([0] * 30)) | dict.fromkeys(range(64, 160), 0)
        for at, values in {0: [mark, 2, 1000], 4: words(serial, 8), 12: words(model, 8), 20: words(firmware, 4)}.items():
            self.put(self.holding, at, values)
        for number in range(2):
            own = module + str(number + 1) if isinstance(module, str) else module
            self.put(self.holding, 64 + 10 * number, words(own, 6) + words("1.7", 2) + [number + 1, 0])
            cells = [3268 + (cell * 7 + number) % 5 for cell in range(30)]
            sensors = [214 + sensor % 4 for sensor in range(8)]
            self.put(self.input, 64 + 48 * number, [round(sum(cells) / 10), 52, 0, 0, *cells, *sensors])
        self.put(self.input, 0, [2, 0, 0x1F00, 0, 0, 0, 65535, 0, 0, 0, 0, 0])
        volts = self.input[64] + self.input[112]
        self.put(self.input, 12, [0, volts, 0, 0, 0, 0, 524, 991, 3272, 3268, 617, 614, 2200, 1, 0, 0, 17])

    @staticmethod
    def put(block, at, values):
        block.update(zip(range(at, at + len(values)), values))

    def answer(self, pdu):
        function = pdu[0]
        if function == 0x2B:
            return self.identity(pdu)
        if function == 0x11:
            text = b" ".join(self.objects)[:200]
            return bytes([0x11, len(text) + 2, 1, 0xFF]) + text
        if function == 8 and pdu[1:3] == b"\0\0":
            return pdu
        if function not in (3, 4):
            return bytes([function | 0x80, 1])
        at, count = struct.unpack(">HH", pdu[1:5])
        block = self.holding if function == 3 else self.input
        if function == 4:
            ran = int(200 + time.monotonic() - self.started)
            self.put(self.input, 9, [ran * 2 & 0xFFFF, ran & 0xFFFF, ran >> 16])
        asked = range(at, at + count)
        if not 1 <= count <= 125 or not all(address in block for address in asked):
            return bytes([function | 0x80, 2])
        values = [block[address] if self.fill is None else self.fill for address in asked]
        return struct.pack(f">BB{count}H", function, count * 2, *values)

    def identity(self, pdu):
        objects = list(enumerate(self.objects)) if pdu[2] != 4 else [(pdu[3], dict(enumerate(self.objects)).get(pdu[3], b""))]
        head, body, sent = bytes([0x2B, 0x0E, pdu[2], 0x81]), b"", 0
        for number, text in objects:
            text = text[:74]
            if len(body) + len(text) + 2 > 240:
                break
            body += bytes([number, len(text)]) + text
            sent += 1
        return head + bytes([0, 0, sent]) + body


class Request:
    """A question as it arrived."""

    def __init__(self, framing, unit, pdu, transaction=0):
        self.framing, self.unit, self.pdu, self.transaction = framing, unit, pdu, transaction

    def frame(self, pdu, unit=None, transaction=None, protocol=0, length=None):
        """An answer to it, right unless told otherwise."""
        unit = self.unit if unit is None else unit
        if self.framing == "rtu":
            body = bytes([unit]) + pdu
            return body + crc(body)
        transaction = self.transaction if transaction is None else transaction
        return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


class Gone(Exception):
    """The other end has hung up, or the attack is over."""


class Wire:
    """One connection."""

    def __init__(self, server, file, fd, number):
        self.server, self.file, self.fd, self.number = server, file, fd, number
        self.buffer = b""

    def over(self):
        return self.server.stop.is_set() or time.monotonic() > self.server.began + LONGEST_LIFE

    def send(self, data):
        data = memoryview(data)
        while data:
            if self.over():
                raise Gone
            _, writable, _ = select.select([], [self.fd], [], 0.2)
            if writable:
                try:
                    data = data[os.write(self.fd, data) :]
                except BlockingIOError:
                    continue
                except OSError as error:
                    raise Gone from error

    def more(self, wait=0.2):
        """Waits for bytes; whether some came."""
        if self.over():
            raise Gone
        readable, _, _ = select.select([self.fd], [], [], wait)
        if not readable:
            return False
        try:
            data = os.read(self.fd, 4096)
        except BlockingIOError:
            return False
        except OSError as error:
            # A pseudo-terminal that nobody has opened yet, or any more.
            if self.file is None:
                self.server.pause(0.05)
                return False
            raise Gone from error
        if not data:
            raise Gone
        self.server.heard += data
        self.buffer += data
        return True

    def requests(self):
        """Every question, as long as there are some."""
        while True:
            request = self.next_whole()
            if request is not None:
                yield request
            else:
                self.more()

    def next_whole(self):
        return self.next_tcp() if self.server.framing == "tcp" else self.next_rtu()

    def next_tcp(self):
        if len(self.buffer) < 8:
            return None
        transaction, protocol, length, unit = struct.unpack(">HHHB", self.buffer[:7])
        if crc(self.buffer[:6]) == self.buffer[6:8]:
            # A search tries whether the bytes of a serial line are spoken here.
            return self.next_rtu()
        if protocol or not 2 <= length <= 254:
            self.server.complain(f"sent what is no question: {self.buffer[:16].hex()}")
            self.buffer = b""
            return None
        if len(self.buffer) < 6 + length:
            return None
        pdu, self.buffer = self.buffer[7 : 6 + length], self.buffer[6 + length :]
        return self.checked(Request("tcp", unit, pdu, transaction))

    def next_rtu(self):
        if len(self.buffer) < 4:
            return None
        length = {0x11: 4, 0x2B: 7}.get(self.buffer[1], 8)
        if len(self.buffer) < length:
            return None
        frame, self.buffer = self.buffer[:length], self.buffer[length:]
        if crc(frame[:-2]) != frame[-2:]:
            self.server.complain(f"sent what is no question: {frame.hex()}")
            return None
        return self.checked(Request("rtu", frame[0], frame[1:-2]))

    def checked(self, request):
        self.server.asked += 1
        self.server.ask_times.append(time.monotonic())
        if not only_reads(request.pdu):
            self.server.complain(f"sent something else than a read: {request.pdu.hex()}")
        return request


class Server:
    """An end that listens on a free TCP port of this computer, or on a pseudo-terminal."""

    def __init__(self, habit, unit=None, framing="tcp", pty=False):
        self.habit, self.unit, self.framing, self.pty = habit, unit or Unit(), framing, pty
        self.stop, self.began = threading.Event(), time.monotonic()
        self.problems, self.heard, self.asked = [], b"", 0
        self.connected, self.ask_times, self.threads = [], [], []
        self.master = self.slave = None
        if pty:
            self.framing = "rtu"
            self.master, self.slave = os.openpty()
            tty.setraw(self.slave)
            os.set_blocking(self.master, False)
            self.address = os.ttyname(self.slave)
            self.settings = self.line_settings()
            self.thread(lambda: self.talk(Wire(self, None, self.master, 1)))
        else:
            self.listener = socket.create_server(("127.0.0.1", 0), backlog=getattr(habit, "backlog", 64))
            self.listener.settimeout(0.2)
            self.address = "127.0.0.1:%d" % self.listener.getsockname()[1]
            if not getattr(habit, "refuses_to_accept", False):
                self.thread(self.accept)

    def thread(self, work):
        thread = threading.Thread(target=work, daemon=True)
        self.threads.append(thread)
        thread.start()

    def line_settings(self):
        return termios.tcgetattr(self.master)

    def pause(self, seconds):
        if self.stop.wait(seconds):
            raise Gone

    def complain(self, problem):
        if len(self.problems) < 3:
            self.problems.append(problem)

    def accept(self):
        while not self.stop.is_set():
            try:
                connection, _ = self.listener.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            self.connected.append(time.monotonic())
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setblocking(False)
            wire = Wire(self, connection, connection.fileno(), len(self.connected))
            self.thread(lambda wire=wire: self.talk(wire))

    def talk(self, wire):
        try:
            self.habit(self, wire)
        except (Gone, OSError):
            pass
        finally:
            if wire.file is not None:
                wire.file.close()

    def pull(self):
        """Takes the pseudo-terminal away, as an adapter is pulled out. Its number stays taken until the end: another
        attack that got it would be found in its place."""
        self.stop.set()
        self.join()
        os.close(self.master)
        self.master = None

    def join(self):
        for thread in self.threads:
            thread.join(2)

    def busiest_second(self, times):
        """The most that happened within one second."""
        return max((bisect.bisect_left(times, at + 1) - i for i, at in enumerate(times)), default=0)

    def close(self):
        self.stop.set()
        self.join()
        if not self.pty:
            self.listener.close()
        for end in filter(None, (self.master, self.slave)):
            os.close(end)
        return self.problems


def polite(server, wire):
    """Answers every question."""
    for request in wire.requests():
        wire.send(request.frame(server.unit.answer(request.pdu)))


def at_its_pace(seconds):
    """Answers every question after a while."""

    def habit(server, wire):
        for request in wire.requests():
            server.pause(seconds)
            wire.send(request.frame(server.unit.answer(request.pdu)))

    return habit


def silent(_, wire):
    """Listens and says nothing."""
    while True:
        wire.more()
