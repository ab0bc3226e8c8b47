"""The program on a terminal of its own, with a keyboard, a screen and a foreground."""

import fcntl
import os
import pathlib
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time

from .base import COLOUR, CONTROL, MEGABYTES, SCREEN, shown

# What is switched on and must be off again at the end (published: DEC and xterm private modes).
MODES = (
    ("\x1b[?25l", "\x1b[?25h", "a hidden cursor"),
    ("\x1b[?1049h", "\x1b[?1049l", "the other screen"),
    ("\x1b[?2004h", "\x1b[?2004l", "marked pastes"),
    ("\x1b[?1000h", "\x1b[?1000l", "the mouse"),
)
LEADER = pathlib.Path(__file__).with_name("leader.py")


class Terminal:
    def __init__(self, trial, arguments, rows=40, columns=100):
        self.trial = trial
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        trial.number += 1
        trial.doing = "on a terminal: " + " ".join(ascii(shown(word))[1:-1] for word in arguments)[:110]
        self.reports = trial.folder / f".reports{trial.number}"
        self.reports.touch()
        self.seen, self.lock = b"", threading.Lock()
        words = [
            sys.executable,
            "-S",
            "-E",
            str(LEADER),
            os.ttyname(self.slave),
            str(self.reports),
            str(trial.bench.tool),
            *map(os.fspath, arguments),
        ]
        nothing = subprocess.DEVNULL
        self.leader = subprocess.Popen(
            words, stdin=nothing, stdout=nothing, stderr=nothing, cwd=trial.folder, env=trial.environment()
        )
        self.over = threading.Event()
        self.reader = threading.Thread(target=self.read, daemon=True)
        self.reader.start()
        self.pid = int(self.wait_told("started", 20) or 0)
        self.began = time.monotonic()

    def read(self):
        """Collects what is shown."""
        while not self.over.is_set():
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    data = os.read(self.master, 65536)
                except OSError:
                    return
                with self.lock:
                    self.seen += data

    def wait_told(self, word, seconds):
        """What the leader says behind this word, once it does."""
        end = time.monotonic() + seconds
        while True:
            lines = [line for line in self.reports.read_text().split("\n")[:-1] if line.startswith(word)]
            if lines or time.monotonic() > end:
                return lines[-1].partition(" ")[2] if lines else None
            time.sleep(0.02)

    def type(self, keys):
        os.write(self.master, keys)

    def kill(self, number):
        # Number 0 would be the whole suite.
        if self.pid and not self.wait_told("ended", 0):
            try:
                os.kill(self.pid, number)
            except ProcessLookupError:
                pass  # It has just ended.

    def settings(self):
        return termios.tcgetattr(self.slave)

    def as_before(self, when):
        now = self.settings()
        names = ("input", "output", "control", "local", "speed in", "speed out", "keys")
        other = [name for name, was, found in zip(names, self.before, now) if was != found]
        self.trial.expect(not other, f"terminal {when}: expected as it was, found other {', '.join(other)} modes")

    def wait_end(self, seconds):
        """The exit code as a shell would give it, None if it goes on."""
        said = self.wait_told("ended", seconds)
        if said is None:
            self.kill(signal.SIGKILL)
            self.wait_told("ended", 5)
            return None
        code, kilobytes = map(int, said.split())
        self.trial.expect(kilobytes / 1024 <= MEGABYTES, f"memory: expected at most {MEGABYTES} MB, found {kilobytes >> 10}")
        return 128 - code if code < 0 else code

    def text(self):
        with self.lock:
            return self.seen.decode(errors="replace")

    def plain(self):
        """The words on the screen without what moves the cursor; anything else a terminal obeys is a failure."""
        seen = self.text()
        text = SCREEN.sub("", COLOUR.sub("", seen))
        found = sorted({f"U+{ord(c):04X}" for c in CONTROL.findall(text)})
        self.trial.expect(not found, f"screen: expected the program's own codes only, found {', '.join(found[:6])}")
        self.trial.expect("panicked" not in text, "panicked")
        for on, off, what in MODES:
            self.trial.expect(seen.rfind(on) <= seen.rfind(off), f"terminal at the end: expected {what} off, found it on")
        return text

    def last_line(self):
        lines = [line.strip() for line in self.plain().splitlines() if line.strip()]
        return lines[-1] if lines else ""

    def hang_up(self):
        """Closes the terminal, as a window is closed or a connection breaks."""
        self.over.set()
        self.reader.join(2)
        os.close(self.slave)
        os.close(self.master)
        self.master = self.slave = None

    def close(self):
        self.kill(signal.SIGKILL)
        try:
            self.leader.wait(5)
        except subprocess.TimeoutExpired:
            self.leader.kill()
            self.leader.wait()
        self.over.set()
        self.reader.join(2)
        for end in (self.master, self.slave):
            if end is not None:
                os.close(end)
