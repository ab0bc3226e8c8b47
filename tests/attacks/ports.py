"""Ports that are none, that somebody holds, that are pulled out, and the program's own port."""

import fcntl
import os
import socket
import termios

from .base import ANY, BUS, LOCAL, PROFILE, USAGE, VERDICTS, Group
from .network import foreign
from .servers import Server, at_its_pace, polite, silent

GROUP = Group("port")


def a_file(t):
    return t.file("notes.txt", b"years of measurements\n" * 100)


def a_fifo(t):
    os.mkfifo(t.folder / "pipe")
    return t.folder / "pipe"


def a_socket(t):
    end = socket.socket(socket.AF_UNIX)
    place = os.open(t.folder, os.O_RDONLY)
    end.bind(f"/proc/self/fd/{place}/socket")
    os.close(place)
    t.keep(Closes(end))
    return t.folder / "socket"


class Closes:
    def __init__(self, thing):
        self.thing = thing

    def close(self):
        self.thing.close()


def a_loop(t):
    (t.folder / "loop").symlink_to("loop")
    return t.folder / "loop"


def given(name):
    return lambda t: name


PORTS = {
    "dev-null": given("/dev/null"),
    "dev-zero": given("/dev/zero"),
    "dev-full": given("/dev/full"),
    "dev-random": given("/dev/random"),
    "dev-tty": given("/dev/tty"),
    "dev-ptmx": given("/dev/ptmx"),
    "folder": given("/dev"),
    "missing": given("/dev/no-such-port"),
    "tcp-address": given("127.0.0.1:502"),
    "url": given("tcp://127.0.0.1:502"),
    "windows-name": given("COM3"),
    "empty": given(""),
    "escape": given("\x1b]0;taken\x07"),
    "direction": given("\u202etluaf"),
    "long": given("/dev/" + "t" * 5000),
    "file": a_file,
    "fifo": a_fifo,
    "socket": a_socket,
    "loop": a_loop,
}
COMMANDS = {
    "check": ["check", "--profile", PROFILE],
    "listen": ["listen", "--seconds", "2"],
    "find": ["find", "--listen-first", "0"],
    "watch": ["watch", "--profile", PROFILE, "--seconds", "2"],
}


def no_port(command, make):
    def attack(t):
        port = make(t)
        before = port.read_bytes() if getattr(port, "name", "") == "notes.txt" else None
        consents = [] if command == "listen" else t.consents(command)
        # The master's side of a pseudo-terminal behaves like a port; a watch waits for what is not there yet.
        may_wait = make is PORTS["dev-ptmx"] or command == "watch" and not os.path.exists(port)
        ran = t.tool(
            *COMMANDS[command], "--serial", port, *consents, exits={LOCAL, USAGE} | ({BUS} if may_wait else set()), seconds=10
        )
        t.expect(ran.code == BUS or b"error: " in ran.err, "expected an error, found none")
        words = ran.err.decode(errors="replace")
        t.expect("hint: close" not in words, "hint: expected nothing advised to be closed, found a process named")
        if before is not None:
            t.expect(port.read_bytes() == before, "notes.txt: expected as it was, found it changed")

    return attack


for command in COMMANDS:
    for name, make in PORTS.items():
        GROUP.add(
            f"{command}-{name}",
            f"{command} --serial on what is no serial port: {name}",
            "4 or 2 in 10 s, an error, no advice to close somebody's program",
            no_port(command, make),
            slow=command in ("find", "watch") and name not in ("dev-null", "file", "fifo"),
        )


def pulled(command, after):
    def attack(t):
        server = t.keep(Server(silent if command == "find" else at_its_pace(0.2), pty=True))
        record = t.folder / "a.visit.jsonl"
        words = {
            "check": ["check", "--profile", PROFILE, "--listen-first", "1"],
            "watch": ["watch", "--profile", PROFILE, "--listen-first", "1", "--seconds", "6"],
            "find": ["find", "--listen-first", "1"],
            "listen": ["listen", "--seconds", "6"],
            "visit": ["visit", "--profile", PROFILE, "--listen-first", "1", "--answers", t.file("answers.toml", ANSWERS)],
        }[command]
        consents = [] if command == "listen" else t.consents(command)
        run = t.keep(t.spawn([*words, "--serial", server.address, "--line", "9600-8N1", *consents, "--record", record]))
        run.until(after)
        server.pull()
        # What waits for the port to come back, and says so, may be told to stop.
        waits = command in ("watch", "find", "visit")
        ran = t.judge(run.end(15 if command == "visit" else 40, interrupt=waits), ANY - {USAGE} | ({130} if waits else set()))
        t.expect(b"\n" in ran.err or b"\n" in ran.out, "expected it to be said, found nothing said")
        if record.exists():
            t.opens(record, sealed=True)

    return attack


ANSWERS = """format = 1
[answers]
who = "A. Invented"
where = "cellar"
sound-outside = true
earth = true
latches = true
polarity = true
switched-on = true
inverter-on = true
"""
for command in ("check", "watch", "find", "listen", "visit"):
    for after in (0.05, 0.5, 1.2, 2.0, 3.5):
        GROUP.add(
            f"{command}-pulled-after-{after}",
            f"{command}: the adapter is pulled out after {after} s",
            "said, a documented exit in 40 s, recording sealed",
            pulled(command, after),
            slow=after in (0.5, 3.5) or command == "visit",
            weight=20,
        )


@GROUP.attack(
    "pulled-and-back",
    "watch: the adapter is pulled out; another appears elsewhere",
    "no panic, the verdict is not a clean one from before",
    weight=15,
)
def _(t):
    server = t.keep(Server(polite, pty=True))
    run = t.keep(
        t.spawn(
            [
                "watch",
                "--profile",
                PROFILE,
                "--listen-first",
                "1",
                "--seconds",
                "14",
                "--serial",
                server.address,
                "--line",
                "9600-8N1",
                *t.consents("watch"),
            ]
        )
    )
    run.until(3.5)
    server.pull()
    ran = t.judge(run.end(40), VERDICTS - {0, 5} | {LOCAL})
    t.expect(b"ost" in ran.out + ran.err, "expected the loss to be said, found no word of it")


def settings_return(command, words):
    def attack(t):
        server = t.keep(Server(polite, pty=True))
        consents = [] if command == "listen" else t.consents(command)
        t.tool(command, *words, "--serial", server.address, *consents, exits=ANY - {USAGE} | {130}, seconds=15, interrupt=True)
        t.expect(server.line_settings() == server.settings, "port settings: expected as they were, found others")
        try:
            fd = os.open(server.address, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            os.close(fd)
        except OSError as error:
            t.expect(False, f"port afterwards: expected free, found {error}")

    return attack


for command, words in {
    "check": ["--profile", PROFILE, "--line", "9600-8N1", "--listen-first", "1"],
    "watch": ["--profile", PROFILE, "--line", "9600-8N1", "--listen-first", "1", "--seconds", "3"],
    "listen": ["--line", "9600-8N1", "--seconds", "3"],
    "find": ["--listen-first", "1"],
}.items():
    GROUP.add(
        f"{command}-settings-return",
        f"{command} runs to its end on a port",
        "port settings as before, port free",
        settings_return(command, words),
        weight=12,
    )


def held(command, how):
    def attack(t):
        server = t.keep(Server(polite, pty=True))
        fd = os.open(server.address, os.O_RDWR | os.O_NOCTTY)
        t.keep(Closes(os.fdopen(fd, "r+b", buffering=0)))
        fcntl.ioctl(fd, termios.TIOCEXCL) if how == "tty" else fcntl.flock(fd, fcntl.LOCK_EX)
        consents = [] if command == "listen" else t.consents(command)
        # The owner of this computer may open a port all the same, where only the terminal's own lock is set.
        ran = t.tool(
            *COMMANDS[command], "--serial", server.address, "--line", "9600-8N1", *consents, exits=ANY, seconds=20, interrupt=True
        )
        if ran.code == LOCAL:
            t.error_shape(ran, server.address)
        elif how == "flock":
            t.expect(False, f"exit code: expected 4, found {ran.code}")

    return attack


for command in ("check", "listen"):
    for how in ("tty", "flock"):
        GROUP.add(
            f"{command}-held-by-{how}",
            f"{command} on a port that another program holds ({how})",
            "4, an error that names the port",
            held(command, how),
            weight=6,
        )


@GROUP.attack(
    "two-listeners", "two listens on one port at once", "the second: 4; the first goes on and shows what it heard", weight=8
)
def _(t):
    def talk(server, wire):
        while True:
            wire.send(foreign(bytes.fromhex("0400000002"), 1) + foreign(bytes.fromhex("040400050006"), 1))
            server.pause(0.1)

    server = t.keep(Server(talk, pty=True))
    first = t.keep(t.spawn(["listen", "--serial", server.address, "--line", "9600-8N1", "--seconds", "5"]))
    first.until(1.5)
    t.error_shape(
        t.tool("listen", "--serial", server.address, "--line", "9600-8N1", "--seconds", "2", exits={LOCAL}, seconds=10),
        server.address,
    )
    ran = t.judge(first.end(20), {0})
    t.expect(len(ran.out) > 200, "expected what was heard, found nothing shown")


def other_settings(seed):
    """Bytes that make no frame lead the listener to other settings, on the port it holds itself."""

    def attack(t):
        def talk(server, wire):
            block = bytes((n * 37 + seed * 11) % 256 for n in range(60))
            while True:
                wire.send(block)
                server.pause(0.15)

        server = t.keep(Server(talk, pty=True))
        ran = t.tool("listen", "--serial", server.address, "--seconds", "20", exits={0, 3}, seconds=45)
        t.expect(
            "another program" not in ran.text and "in use" not in ran.text,
            "expected its own port free to itself, found it called busy",
        )
        t.expect(len(ran.out) > 100, "expected what was heard, found nothing shown")
        t.expect(not server.heard, f"listen: expected not a byte sent, found {server.heard[:16].hex()}")
        t.expect(server.line_settings() == server.settings, "port settings: expected as they were, found others")

    return attack


for seed in range(6):
    GROUP.add(
        f"listen-to-other-settings-{seed}",
        f"listen hears what makes no frame and goes to other settings (bytes {seed})",
        "not locked out of its own port; what was heard is shown",
        other_settings(seed),
        slow=seed > 1,
        weight=24,
    )


@GROUP.attack(
    "listen-heard-then-pulled", "listen hears much, then the port is pulled out", "what was heard is shown all the same", weight=8
)
def _(t):
    def talk(server, wire):
        while True:
            wire.send(foreign(bytes.fromhex("0400000002"), 1) + foreign(bytes.fromhex("040400050006"), 1))
            server.pause(0.05)

    server = t.keep(Server(talk, pty=True))
    record = t.folder / "a.visit.jsonl"
    run = t.keep(t.spawn(["listen", "--serial", server.address, "--line", "9600-8N1", "--seconds", "8", "--record", record]))
    run.until(3)
    server.pull()
    ran = t.judge(run.end(20), {0, 3, LOCAL})
    t.expect(len(ran.out) > 200, "expected what was heard, found nothing shown")
    t.opens(record, sealed=True)


@GROUP.attack("serial-flood-hint", "noise as fast as it goes on a serial port", "no hint about a TCP port", weight=10)
def _(t):
    def flood(server, wire):
        while True:
            wire.send(bytes((n * 73) % 251 for n in range(4096)))

    server = t.keep(Server(flood, pty=True))
    ran = t.tool(
        "check",
        "--serial",
        server.address,
        "--line",
        "9600-8N1",
        "--listen-first",
        "1",
        "--profile",
        PROFILE,
        *t.consents("check"),
        exits={3, LOCAL},
        seconds=40,
    )
    hints = [line for line in ran.err.decode(errors="replace").splitlines() if line.startswith("hint")]
    t.expect(not any("TCP" in hint for hint in hints), f"hint: expected none about TCP, found {hints}")


@GROUP.attack(
    "port-is-own-terminal",
    "the terminal that the program runs on is given as its port",
    "4 or 2, the terminal as it was",
    weight=3,
)
def _(t):
    from .terminal import Terminal

    terminal = t.keep(
        Terminal(t, ["check", "--serial", "/dev/tty", "--profile", PROFILE, *t.consents("check"), "--listen-first", "1"])
    )
    code = terminal.wait_end(30)
    t.expect(code in ANY, f"exit code: expected a documented one, found {code}")
    terminal.as_before("at the end")


@GROUP.attack("link-to-a-port", "a port given through a chain of links", "works as the port itself", weight=6)
def _(t):
    server = t.keep(Server(polite, pty=True))
    (t.folder / "one").symlink_to(server.address)
    (t.folder / "two").symlink_to(t.folder / "one")
    t.tool(
        "check",
        "--serial",
        t.folder / "two",
        "--line",
        "9600-8N1",
        "--listen-first",
        "1",
        "--profile",
        PROFILE,
        *t.consents("check"),
        exits=VERDICTS,
        seconds=40,
    )


@GROUP.attack("port-appears-late", "find --wait while nothing is plugged in, then Ctrl-C", "130 or 3 soon after")
def _(t):
    t.tool("find", "--wait", "--listen-first", "0", *t.consents("find"), exits={130, 3, 4, 0}, seconds=3, interrupt=True)
