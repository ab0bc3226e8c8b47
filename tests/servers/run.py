#!/usr/bin/env python3
"""Odd Modbus servers for `packside find`: each is a few lines of plain Python that share nothing with the tool.

In: the built program. Out: a line for each case, with what was found and which addresses were asked; exit 1 where one
fails. Loopback and pseudo-terminals only; every server ends with its case.
Kind of all servers: invented. Framing as published (Modbus Application Protocol V1.1b3, Messaging on TCP/IP V1.0b,
Serial Line V1.02), written from memory.

    python3 tests/servers/run.py PROGRAM [--every]    --every: each address of 1 to 247 by itself
"""
import json
import os
import pty
import select
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from concurrent.futures import ThreadPoolExecutor

PROGRAM = sys.argv[1]
DATA = bytes([3, 2, 0, 7])


def refused(pdu, code):
    return bytes([pdu[0] | 0x80, code])


def crc16(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


class Server:
    """Modbus TCP. `answer(unit, pdu)` gives (seconds, pdu) or None. `asked` holds every address that came."""

    def __init__(self, answer, most=None, one_frame=False):
        self.answer, self.most, self.one_frame = answer, most, one_frame
        self.asked, self.functions, self.open = [], set(), 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.place = "127.0.0.1:%d" % self.listener.getsockname()[1]
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                link, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self.serve, args=(link,), daemon=True).start()

    def serve(self, link):
        held = b""
        lock = threading.Lock()
        while True:
            try:
                came = link.recv(4096)
            except OSError:
                return
            if not came:
                return
            if crc16(came[:-2]) == came[-2:]:
                # RTU bytes, which begin with their address. Nobody here answers them.
                self.asked.append(came[0])
                continue
            held += came
            frames = []
            while len(held) >= 7 and len(held) >= 6 + struct.unpack(">H", held[4:6])[0]:
                size = 6 + struct.unpack(">H", held[4:6])[0]
                frames.append(held[:size])
                held = held[size:]
            if self.one_frame:
                frames, held = frames[:1], b""
            if self.most is not None and len(frames) > self.most:
                link.close()
                return
            for frame in frames:
                self.asked.append(frame[6])
                self.functions.add(frame[7])
                said = self.answer(frame[6], frame[7:])
                if said is None:
                    continue
                after, pdu = said
                full = frame[:4] + struct.pack(">HB", len(pdu) + 1, frame[6]) + pdu
                threading.Timer(after, self.send, (link, lock, full)).start()

    @staticmethod
    def send(link, lock, frame):
        with lock:
            try:
                link.sendall(frame)
            except OSError:
                pass

    def close(self):
        self.listener.close()


def find(*words, seconds=600):
    began = time.monotonic()
    command = [PROGRAM, "find", *words, "--may-wake", "--beside-others", "--format", "json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=seconds, check=False)
    try:
        result = json.loads(done.stdout)
    except ValueError:
        raise AssertionError(f"no result: {done.stdout}{done.stderr}") from None
    return result, time.monotonic() - began


def over_tcp(server, *words, framing=True):
    try:
        more = ["--framing", "tcp"] if framing else []
        return find("--gateway", server.place, "--listen-first", "0", *more, *words)
    finally:
        server.close()


def units(result):
    return [one["unit"] for one in result["found"]]


def expect(what, wanted, found):
    assert wanted == found, f"{what}: expected {wanted}, found {found}"


def silent_but_31():
    server = Server(lambda unit, pdu: (0.02, DATA) if unit == 31 and pdu[0] == 3 else None)
    result, took = over_tcp(server)
    expect("found", [31], units(result))
    return f"31 found among silence after {took:.0f} s"


def only_is_absolute():
    said = []
    for framing in (True, False):
        server = Server(lambda unit, pdu: None)
        result, _ = over_tcp(server, "--only", "31", framing=framing)
        expect("asked", {31}, set(server.asked))
        expect("found", [], units(result))
        said.append(len(server.asked))
    return f"asked nobody but 31, {said[0]} and {said[1]} times (framing given, not given)"


def framing_is_final():
    server = Server(lambda unit, pdu: None)
    over_tcp(server, "--only", "1")
    # RTU bytes would have been read as an address 1 without functions.
    expect("functions", True, server.functions <= {3, 4, 0x11, 0x2b})
    expect("asked over Modbus TCP only", True, len(server.functions) > 0)
    return f"functions {sorted(server.functions)}"


def refuses_everywhere():
    server = Server(lambda unit, pdu: (0.0, refused(pdu, 2)))
    result, took = over_tcp(server, "--all")
    expect("entries", 1, len(result["found"]))
    expect("further addresses", 246, len(result["found"][0]["also_at"]))
    return f"one entry in {took:.1f} s"


def one_identity_everywhere():
    def answer(unit, pdu):
        if pdu[0] == 0x11:
            return 0.0, bytes([0x11, 3, 0x42, 0x43, 0xFF])
        if pdu[0] in (3, 4):
            return 0.0, bytes([pdu[0], 2 * pdu[4]]) + bytes(2 * pdu[4])
        return 0.0, refused(pdu, 1)

    result, took = over_tcp(Server(answer), "--all")
    expect("entries", 1, len(result["found"]))
    expect("further addresses", 246, len(result["found"][0]["also_at"]))
    return f"one entry in {took:.1f} s"


def data_before_refusals():
    server = Server(lambda unit, pdu: (0.0, DATA) if unit == 90 and pdu[0] == 3 else (0.0, refused(pdu, 4)))
    result, took = over_tcp(server)
    expect("first", 90, result["found"][0]["unit"])
    return f"90 stands first, {len(result['gateway']['refusing'])} refusing are folded, {took:.1f} s"


def function_11_only():
    def answer(unit, pdu):
        if unit != 5:
            return 0.0, refused(pdu, 0x0B)
        return 0.0, bytes([0x11, 3, 0x42, 0x43, 0xFF]) if pdu[0] == 0x11 else refused(pdu, 1)

    result, _ = over_tcp(Server(answer))
    expect("found", [5], units(result))
    expect("server id", "4243ff", result["found"][0]["server_id"])

    def mute(unit, pdu):
        return (0.0, bytes([0x11, 3, 0x42, 0x43, 0xFF])) if unit == 5 and pdu[0] == 0x11 else None

    result, took = over_tcp(Server(mute), "--only", "5")
    expect("found", [5], units(result))
    return f"refusing and silent otherwise, both found ({took:.0f} s where silent)"


def slow_ones():
    said = []
    for after in (0.9, 2.0):
        server = Server(lambda unit, pdu: (after, DATA) if unit == 4 and pdu[0] == 3 else None)
        result, took = over_tcp(server)
        expect(f"found after {after} s", [4], units(result))
        said.append(f"{took:.0f} s")
    return "found: " + ", ".join(said)


def stands_one_question():
    said = []
    for how in ({"most": 1}, {"one_frame": True}):
        server = Server(lambda unit, pdu: (0.005, DATA if unit == 200 and pdu[0] == 3 else refused(pdu, 0x0B)), **how)
        result, took = over_tcp(server)
        expect(f"found {how}", [200], units(result))
        said.append(f"{took:.1f} s")
    return "closes, and drops: " + ", ".join(said)


def every_address():
    step = 1 if "--every" in sys.argv else 13

    def one(unit):
        server = Server(lambda other, pdu: (0.0, DATA if other == unit and pdu[0] == 3 else refused(pdu, 0x0B)))
        result, _ = over_tcp(server)
        return unit if units(result) == [unit] else None

    wanted = list(range(1, 248, step))
    with ThreadPoolExecutor(3) as pool:
        missed = [unit for unit, found in zip(wanted, pool.map(one, wanted)) if found is None]
    expect("missed", [], missed)
    return f"{len(wanted)} of {len(wanted)} addresses found"


class Terminal:
    """RTU on a pseudo-terminal: every line setting reaches it, as with a unit that finds the rate by itself."""

    def __init__(self, answer):
        self.answer, self.asked = answer, []
        self.ours, other = pty.openpty()
        tty.setraw(other, termios.TCSANOW)
        self.place, self.other, self.ends = os.ttyname(other), other, False
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        held, last, due = b"", 0.0, []
        while not self.ends:
            now = time.monotonic()
            for one in [one for one in due if one[0] <= now]:
                due.remove(one)
                os.write(self.ours, one[1])
            ready, _, _ = select.select([self.ours], [], [], 0.005)
            if ready:
                held, last = held + os.read(self.ours, 4096), time.monotonic()
            elif held and time.monotonic() - last > 0.01:
                frame, held = held, b""
                if crc16(frame[:-2]) != frame[-2:]:
                    continue
                self.asked.append(frame[0])
                said = self.answer(frame[0], frame[1:-2])
                if said is not None:
                    body = frame[:1] + said[1]
                    due.append((time.monotonic() + said[0], body + crc16(body)))

    def close(self):
        self.ends = True


def on_a_terminal(answer, *words):
    terminal = Terminal(answer)
    try:
        return find("--serial", terminal.place, "--listen-first", "0.2", *words)
    finally:
        terminal.close()


def slow_on_a_line():
    result, took = on_a_terminal(lambda unit, pdu: (0.9, DATA) if unit == 1 and pdu[0] == 3 else None, "--only", "1")
    expect("found", [1], units(result))
    return f"0.9 s: found once after {took:.0f} s"


def odd_on_a_line():
    def server_id(unit, pdu):
        return (0.02, bytes([0x11, 3, 0x42, 0x43, 0xFF])) if unit == 1 and pdu[0] == 0x11 else None

    result, took = on_a_terminal(server_id, "--only", "1")
    expect("found", [1], units(result))
    refuses, _ = on_a_terminal(lambda unit, pdu: (0.02, refused(pdu, 1)) if unit == 3 else None)
    expect("found", [3], units(refuses))
    return f"function 11 only after {took:.0f} s, refusals only, each one entry"


def main():
    cases = [
        silent_but_31, only_is_absolute, framing_is_final, refuses_everywhere, one_identity_everywhere,
        data_before_refusals, function_11_only, slow_ones, stands_one_question, every_address, slow_on_a_line,
        odd_on_a_line,
    ]
    failed = 0

    def run(case):
        try:
            return case.__name__, True, case()
        except (AssertionError, subprocess.TimeoutExpired) as error:
            return case.__name__, False, str(error)

    with ThreadPoolExecutor(4) as pool:
        for name, held, said in pool.map(run, cases):
            failed += not held
            print(f"{'ok    ' if held else 'FAILED'} {name.replace('_', ' ')}: {said}", flush=True)
    print(f"{len(cases) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
