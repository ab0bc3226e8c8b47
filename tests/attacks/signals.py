"""Signals, keys and lost windows, at several moments of every command, on a terminal of its own.

What must hold (kind: derived, from the exit codes; common practice, 128 + the signal's number): the terminal is as it
was, the port as well, the recording is sealed, and the last line says where what was recorded is.
"""

import json
import os
import signal
import time

from . import forge
from .base import ANY, HUNG_UP, INTERRUPTED, LOCAL, PROFILE, TERMINATED, USAGE, VERDICTS, Group
from .servers import Server, at_its_pace, silent
from .terminal import Terminal

GROUP = Group("signal")


def gateway(command, *more, habit=None):
    def start(t, record):
        server = t.keep(Server(habit or at_its_pace(0.3)))
        return server, [
            command,
            "--gateway",
            server.address,
            *(["--profile", PROFILE] if command != "find" else []),
            *t.consents(command),
            *more,
            "--record",
            record,
        ]

    return start


def serial(command, *more):
    def start(t, record):
        server = t.keep(Server(at_its_pace(0.5), pty=True))
        consents = [] if command == "listen" else t.consents(command)
        profile = ["--profile", PROFILE] if command not in ("find", "listen") else []
        return server, [command, "--serial", server.address, "--line", "9600-8N1", *profile, *consents, *more, "--record", record]

    return start


def alone(*words):
    return lambda t, record: (None, list(words))


# Command: how it is started, whether Ctrl-C is its normal end, whether it records.
COMMANDS = {
    "check": (gateway("check"), False, True),
    "check-serial": (serial("check"), False, True),
    "watch": (gateway("watch"), True, True),
    "watch-serial": (serial("watch", "--listen-first", "1"), True, True),
    "visit": (gateway("visit"), False, True),
    "visit-simulated": (lambda t, record: (None, ["visit", "--simulated", "hv-waiting", "--record", record]), False, True),
    "find": (gateway("find", "--listen-first", "0", habit=silent), False, True),
    "find-serial": (serial("find"), False, True),
    "listen": (serial("listen"), True, True),
    "lamp": (alone("lamp"), False, False),
    "menu": (alone(), False, False),
}
MOMENTS = {"at-once": 0.12, "early": 0.6, "later": 1.8}


def ends_rightly(t, terminal, server, record, code, wanted, settings, records):
    t.expect(code is not None, "did not end: expected an end within 8 s, found none")
    if code is not None:
        t.expect(code in wanted, f"exit code: expected {' or '.join(map(str, sorted(wanted)))}, found {code}")
    terminal.as_before("at the end")
    last = terminal.last_line()
    if server is not None and server.pty:
        t.expect(server.line_settings() == settings, "port settings: expected as they were, found others")
    if records and record.exists():
        t.opens(record, sealed=True)
        t.expect(
            record.name in terminal.plain().replace("\n", ""), f"expected it to say what was kept, found {ascii(last[-100:])}"
        )


def interrupted(command, moment, deliver, wanted):
    def attack(t):
        start, _, records = COMMANDS[command]
        record = t.folder / "a.visit.jsonl"
        server, words = start(t, record)
        settings = server.line_settings() if server is not None and server.pty else None
        terminal = t.keep(Terminal(t, words))
        time.sleep(MOMENTS[moment])
        deliver(terminal)
        ends_rightly(t, terminal, server, record, terminal.wait_end(8), wanted, settings, records)

    return attack


def key(data):
    return lambda terminal: terminal.type(data)


def sends(number):
    return lambda terminal: terminal.kill(number)


def twice(number):
    def deliver(terminal):
        terminal.kill(number)
        terminal.kill(number)

    return deliver


HOW = {
    "ctrl-c": ("Ctrl-C is pressed", key(b"\x03"), INTERRUPTED),
    "int": ("SIGINT", sends(signal.SIGINT), INTERRUPTED),
    "term": ("SIGTERM", sends(signal.SIGTERM), TERMINATED),
    "hup": ("SIGHUP", sends(signal.SIGHUP), HUNG_UP),
    "term-twice": ("SIGTERM twice", twice(signal.SIGTERM), TERMINATED),
    "quit-key": ("Ctrl-C is pressed twice", key(b"\x03\x03"), INTERRUPTED),
}
# Much like another one.
ALIKE = ("watch-serial", "visit-simulated", "find-serial")
for command, (_, ends_by_key, _) in COMMANDS.items():
    for how, (does, deliver, code) in HOW.items():
        for moment, seconds in MOMENTS.items():
            wanted = {code} | (VERDICTS | {LOCAL} if ends_by_key and code == INTERRUPTED else set())
            # A menu has nothing to lose: leaving it is an end like any other.
            wanted |= {0} if command in ("menu", "lamp") and code == INTERRUPTED else set()
            common = (how, moment) in {
                ("ctrl-c", "early"),
                ("int", "later"),
                ("term", "early"),
                ("hup", "later"),
                ("term", "at-once"),
            }
            GROUP.add(
                f"{command}-{how}-{moment}",
                f"{command} on a terminal: {does} after {seconds} s",
                f"{'/'.join(map(str, sorted(wanted)))} within 8 s, terminal and port as before, recording sealed, the last words say where",
                interrupted(command, moment, deliver, wanted),
                slow=not common or command in ALIKE and moment != "early",
                weight=8,
            )


def stopped(command, moment):
    def attack(t):
        start, ends_by_key, records = COMMANDS[command]
        record = t.folder / "a.visit.jsonl"
        server, words = start(t, record)
        settings = server.line_settings() if server is not None and server.pty else None
        terminal = t.keep(Terminal(t, words))
        time.sleep(MOMENTS[moment])
        terminal.kill(signal.SIGTSTP)
        if t.expect(terminal.wait_told("stopped", 4) is not None, "expected it stopped, found it going on"):
            terminal.as_before("while stopped")
        terminal.kill(signal.SIGCONT)
        time.sleep(1)
        terminal.kill(signal.SIGINT)
        wanted = {INTERRUPTED} | (VERDICTS | {LOCAL} if ends_by_key else set()) | ({0} if command in ("menu", "lamp") else set())
        ends_rightly(t, terminal, server, record, terminal.wait_end(8), wanted, settings, records)

    return attack


def slept(command, seconds):
    """Nobody can see SIGSTOP coming: as when the lid of a laptop is closed."""

    def attack(t):
        start, ends_by_key, records = COMMANDS[command]
        record = t.folder / "a.visit.jsonl"
        server, words = start(t, record)
        settings = server.line_settings() if server is not None and server.pty else None
        terminal = t.keep(Terminal(t, words))
        time.sleep(1.2)
        terminal.kill(signal.SIGSTOP)
        time.sleep(seconds)
        terminal.kill(signal.SIGCONT)
        time.sleep(1.5)
        terminal.kill(signal.SIGINT)
        # A look may have come to its end meanwhile.
        wanted = {INTERRUPTED} | VERDICTS | ({LOCAL} if ends_by_key else set())
        ends_rightly(t, terminal, server, record, terminal.wait_end(8), wanted, settings, records)

    return attack


for command in COMMANDS:
    for moment in ("early", "later"):
        GROUP.add(
            f"{command}-stopped-{moment}",
            f"{command}: SIGTSTP after {MOMENTS[moment]} s, SIGCONT, then SIGINT",
            "stops, terminal as before meanwhile and at the end, recording sealed",
            stopped(command, moment),
            slow=moment == "later",
            weight=8,
        )
    if command not in ("lamp", "menu"):
        GROUP.add(
            f"{command}-asleep",
            f"{command}: SIGSTOP for 4 s, SIGCONT, then SIGINT",
            "ends in order, recording sealed",
            slept(command, 4),
            weight=9,
            slow="serial" in command,
        )
        GROUP.add(
            f"{command}-asleep-a-minute",
            f"{command}: SIGSTOP for a minute, SIGCONT, then SIGINT",
            "ends in order, recording sealed",
            slept(command, 60),
            slow=True,
            weight=70,
        )


def window_closed(command, moment):
    def attack(t):
        start, _, records = COMMANDS[command]
        record = t.folder / "a.visit.jsonl"
        _, words = start(t, record)
        terminal = t.keep(Terminal(t, words))
        time.sleep(MOMENTS[moment])
        terminal.hang_up()
        # The system tells the session's leader only; a shell hands it on.
        terminal.kill(signal.SIGHUP)
        code = terminal.wait_end(8)
        t.expect(code == HUNG_UP, f"exit code: expected 129, found {code}")
        if records and record.exists():
            t.opens(record, sealed=True)

    return attack


for command in COMMANDS:
    GROUP.add(
        f"{command}-window-closed",
        f"{command}: its terminal disappears after {MOMENTS['early']} s",
        "129 within 8 s, no endless loop, recording sealed",
        window_closed(command, "early"),
        weight=6,
    )


def keys_of_nonsense(command):
    def attack(t):
        start, _, records = COMMANDS[command]
        record = t.folder / "a.visit.jsonl"
        server, words = start(t, record)
        terminal = t.keep(Terminal(t, words))
        for block in (
            b"\x1b[A\x1b[B\x1b[",
            b"\xff\xfe\xc3",
            b"\x1b[200~pasted\r\x1b[201~",
            b"\0\x01\x02",
            b"9" * 3000,
            "\u00e9".encode(),
            b"\x1b]0;x\x07",
            b"\x1b[99999;99999R",
        ):
            terminal.type(block)
            time.sleep(0.15)
        terminal.kill(signal.SIGINT)
        wanted = ANY - {USAGE} | {INTERRUPTED}
        ends_rightly(
            t,
            terminal,
            server,
            record,
            terminal.wait_end(8),
            wanted,
            server.line_settings() if server is not None and server.pty else None,
            records,
        )

    return attack


for command in COMMANDS:
    GROUP.add(
        f"{command}-keys-of-nonsense",
        f"{command}: keys that make no sense, broken UTF-8, a paste, answers to questions nobody asked",
        "no panic, plain screen, terminal as before",
        keys_of_nonsense(command),
        weight=5,
        slow=command.endswith("serial"),
    )


def odd_size(rows, columns):
    def attack(t):
        for words in (
            ["check", "--simulated", "hv-fault-behind-lamp"],
            ["find", "--simulated", "hv-waiting"],
            ["profile", "show", PROFILE],
            ["demo"],
            ["watch", "--simulated", "hv-waiting", "--seconds", "5"],
            ["listen", "--simulated", "hv-running", "--seconds", "5"],
            ["--help"],
        ):
            terminal = t.keep(Terminal(t, words, rows, columns))
            code = terminal.wait_end(12)
            t.expect(code in ANY, f"{words[0]}: expected a documented exit code, found {code}")
            terminal.as_before("at the end")
            terminal.plain()

    return attack


for rows, columns in ((0, 0), (1, 1), (2, 7), (24, 20), (65535, 65535)):
    GROUP.add(
        f"size-{rows}-{columns}",
        f"a terminal of {rows} rows and {columns} columns",
        "a documented exit, no panic, within its memory",
        odd_size(rows, columns),
        weight=4,
    )


def passed_by(number):
    def attack(t):
        server = t.keep(Server(at_its_pace(0.1)))
        record = t.folder / "a.visit.jsonl"
        run = t.keep(
            t.spawn(
                [
                    "watch",
                    "--gateway",
                    server.address,
                    "--profile",
                    PROFILE,
                    *t.consents("watch"),
                    "--seconds",
                    "4",
                    "--record",
                    record,
                ]
            )
        )
        run.until(1.2)
        run.send(number)
        t.judge(run.end(20), ANY - {USAGE} | {128 + number})
        t.opens(record)

    return attack


for number in (signal.SIGPIPE, signal.SIGWINCH, signal.SIGCHLD, signal.SIGURG):
    GROUP.add(
        f"watch-{number.name.lower()}",
        f"watch: {number.name} comes by",
        "goes on to its end, recording opens",
        passed_by(number),
        weight=5,
    )


def without_terminal(command, number, code):
    def attack(t):
        server = t.keep(Server(at_its_pace(0.3)))
        record = t.folder / "a.visit.jsonl"
        run = t.keep(
            t.spawn(
                [
                    command,
                    "--gateway",
                    server.address,
                    *(["--profile", PROFILE] if command != "find" else []),
                    *t.consents(command),
                    *(["--listen-first", "0"]),
                    "--record",
                    record,
                ]
            )
        )
        run.until(1)
        run.send(number)
        ran = t.judge(run.end(10), {code} | (VERDICTS if code == INTERRUPTED and command == "watch" else set()))
        t.opens(record, sealed=True)
        t.expect(record.name.encode() in ran.err + ran.out, "expected it to say what was kept, found no word of it")

    return attack


for command in ("check", "watch", "find"):
    for number, code in ((signal.SIGINT, INTERRUPTED), (signal.SIGTERM, TERMINATED), (signal.SIGHUP, HUNG_UP)):
        GROUP.add(
            f"{command}-{number.name.lower()}-no-terminal",
            f"{command} without a terminal, as a service runs it: {number.name} after 1 s",
            f"{code}, recording sealed, said where",
            without_terminal(command, number, code),
            weight=4,
        )


def long_recording(t):
    """A sound recording that takes seconds to read."""
    lines = forge.lines_of(t.bench.visits[0])
    at = next(number for number, line in enumerate(lines) if line.startswith(b'{"type":"opened"')) + 1
    last = json.loads(lines[at])["at_ns"]
    noise = [b'{"type":"in","at_ns":%d,"bytes":"%s"}' % (last, bytes(2000).hex().encode()) for _ in range(15_000)]
    return t.file("long/a.visit.jsonl", forge.whole([*lines[: at + 1], *noise, *lines[at + 1 :]]))


# What asks nobody, and writes a file or says much.
QUIET = {
    "report": lambda t: ["report", long_recording(t), "-o", t.folder / "out" / "page.html"],
    "retest": lambda t: ["retest", long_recording(t).parent, "--junit", t.folder / "out" / "junit.xml"],
    "check-recording": lambda t: ["check", "--recording", long_recording(t)],
    "watch-recording": lambda t: ["watch", "--recording", long_recording(t)],
    "demo": lambda t: ["demo"],
    "profile": lambda t: ["profile", "coverage", PROFILE],
}


def in_between(command, number, code):
    def attack(t):
        words = QUIET[command](t)
        (t.folder / "out").mkdir()
        before = {path for path in t.folder.rglob("*") if ".part" in path.name}
        for after in (0.05, 0.2, 0.6):
            run = t.keep(t.spawn([os.fspath(word) for word in words]))
            run.until(after)
            run.send(number)
            t.judge(run.end(8), ANY - {USAGE} | {code}, megabytes=400)
            for path in (t.folder / "out").iterdir():
                whole = path.read_bytes().rstrip().endswith((b"</html>", b"</testsuites>", b"</testsuite>"))
                t.expect(whole, f"{path.name}: expected it whole or not there, found a part of it")
            left = {path for path in t.folder.rglob("*") if ".part" in path.name}
            t.expect(left == before, f"expected nothing left beside, found {sorted(path.name for path in left)}")

    return attack


for command in QUIET:
    for number, code in ((signal.SIGINT, INTERRUPTED), (signal.SIGTERM, TERMINATED), (signal.SIGHUP, HUNG_UP)):
        GROUP.add(
            f"{command}-{number.name.lower()}-in-between",
            f"{command}: {number.name} after 0.05, 0.2 and 0.6 s",
            f"{code} or its own end within 8 s; what it writes is whole or not there",
            in_between(command, number, code),
            slow=number == signal.SIGHUP or command in ("demo", "profile"),
            weight=6,
        )
