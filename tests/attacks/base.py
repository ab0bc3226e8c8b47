"""What every attack is made of: a place of its own, runs of the program, and the rules for each run.

Each run is held to the same rules, whatever the attack: its exit code is one of those expected; no
panic; nothing but plain text comes out (no control byte, no bidirectional override; colours only where
they are asked for); it ends in time, within its memory, and says no more than a person would read.

Kind of everything here: derived (from SECURITY and the exit codes of the command line) or invented.
"""

import itertools
import json
import os
import pathlib
import re
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
import traceback

# Exit codes (kind: derived, from `packside --help`).
NORMAL, FAULT, USAGE, BUS, LOCAL, WAITING, UNDECIDED, DIFFERS, LOST, NOT_READY = 0, 1, 2, 3, 4, 5, 6, 7, 8, 9
VERDICTS = {NORMAL, FAULT, BUS, WAITING, UNDECIDED, LOST, NOT_READY}
ANY = VERDICTS | {USAGE, LOCAL, DIFFERS}
INTERRUPTED, HUNG_UP, TERMINATED = 130, 129, 143

PROFILE = "generic-hv-stack"
# Kind: invented. Far above what any of these runs takes by itself, far below what hurts a laptop.
SECONDS = 30
MEGABYTES = 200
LONGEST_LINE = 2_000
MOST_SAID = 256 * 1024

# Kind: published (Unicode 16, UAX 9, table of explicit and implicit directional characters).
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f" + BIDI + "]")
# Colours and weights only (published: ECMA-48, SGR).
COLOUR = re.compile("\x1b\\[[0-9;]*m")
# What moves a cursor, hides it, clears, or changes the screen (published: ECMA-48 and DEC private modes).
SCREEN = re.compile("\x1b\\[[0-9;?]*[A-Za-z]|\x1b[78=>]|\r")


def scratch_place():
    """Memory where there is some: a disk would only be worn."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


class Attack:
    def __init__(self, name, does, expect, act, slow, weight):
        self.name, self.does, self.expect, self.act, self.slow, self.weight = name, does, expect, act, slow, weight


class Group:
    """Attacks of one kind, each added before it is ever run."""

    def __init__(self, name):
        self.name, self.attacks = name, []

    def add(self, name, does, expect, act, slow=False, weight=1):
        full = f"{self.name}/{name}"
        assert not re.search(r"\s", full) and full not in {a.name for a in self.attacks}, full
        self.attacks.append(Attack(full, does, expect, act, slow, weight))

    def attack(self, name, does, expect, **rest):
        def decorate(act):
            self.add(name, does, expect, act, **rest)
            return act

        return decorate


class Spawner:
    """Starts the program; see `spawner.py`."""

    def __init__(self):
        words = [sys.executable, "-S", "-E", str(pathlib.Path(__file__).with_name("spawner.py"))]
        self.child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.changed, self.known, self.count = threading.Condition(), {}, 0
        threading.Thread(target=self.hear, daemon=True).start()

    def hear(self):
        for line in self.child.stdout:
            number, what, *values = json.loads(line)
            with self.changed:
                self.known.setdefault(number, {})[what] = (values, time.monotonic())
                self.changed.notify_all()

    def start(self, words, folder, environment, ends):
        """Starts a program; gives its number, once it runs."""
        words = [os.fsdecode(word) for word in words]
        with self.changed:
            self.count += 1
            number = self.count
            line = json.dumps([number, words, str(folder), environment, *map(str, ends)]) + "\n"
            self.child.stdin.write(line.encode())
            self.child.stdin.flush()
        self.wait(number, "started", 30)
        return number

    def wait(self, number, what, seconds):
        """What became of it, or None where that did not happen in time."""
        with self.changed:
            self.changed.wait_for(lambda: what in self.known.get(number, {}), max(seconds, 0))
            return self.known.get(number, {}).get(what)

    def close(self):
        self.child.stdin.close()
        self.child.wait()


class Bench:
    """What all attacks share."""

    def __init__(self, tool, simulator, scratch, root):
        self.tool, self.simulator, self.scratch, self.root = tool, simulator, scratch, root
        self.spawner, self.numbers = Spawner(), itertools.count(1)
        self.helps = {}
        self.lock = threading.Lock()
        self.visits = sorted((root / "tests/visits").glob("*.visit.jsonl"))

    def help(self, *command):
        """The long help of a command."""
        with self.lock:
            if command not in self.helps:
                done = subprocess.run([self.tool, *command, "--help"], capture_output=True, text=True, timeout=20, check=False)
                self.helps[command] = done.stdout
            return self.helps[command]

    def run(self, attack):
        # A number: the name of an attack must not be found in what is said about its files.
        folder = self.scratch / str(next(self.numbers))
        folder.mkdir()
        trial = Trial(self, folder)
        began = time.monotonic()
        try:
            attack.act(trial)
        except Exception:  # A mistake of the suite must not look like a survived attack.
            trial.problems.append("the attack itself broke: " + " | ".join(traceback.format_exc().splitlines()[-3:]))
        finally:
            trial.close()
        trial.seconds = time.monotonic() - began
        shutil.rmtree(folder, ignore_errors=True)
        return trial


class Ran:
    """One run of the program that has ended."""

    def __init__(self, code, out, err, seconds, megabytes):
        self.code, self.out, self.err, self.seconds, self.megabytes = code, out, err, seconds, megabytes

    @property
    def text(self):
        return (self.out + b"\n" + self.err).decode(errors="replace")


class Trial:
    """One attack while it runs."""

    def __init__(self, bench, folder):
        self.bench, self.folder = bench, folder
        self.problems, self.opened, self.runs, self.seconds = [], [], [], 0.0
        self.number, self.kinds, self.doing = 0, set(), ""

    def close(self):
        for thing in reversed(self.opened):
            for problem in thing.close() or []:
                self.expect(False, problem)

    def said(self):
        """The last lines of every run, for whoever looks into a failure."""
        for ran in self.runs[-3:]:
            yield f"exit {ran.code} after {ran.seconds:.1f} s, {ran.megabytes:.0f} MB"
            yield from (ascii(line)[1:-1][:200] for line in ran.text.splitlines()[-12:])

    def expect(self, holds, problem):
        """Whether it holds; if not it is a problem, told once for all that differ only in what was found."""
        kind = re.split(r"found|U\+", problem)[0]
        if not holds and kind not in self.kinds:
            self.kinds.add(kind)
            self.problems.append(f"{problem} [{self.doing}]" if self.doing else problem)
        return holds

    def file(self, name, content=b""):
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode("utf-8", "surrogateescape") if isinstance(content, str) else content)
        return path

    def keep(self, thing):
        self.opened.append(thing)
        return thing

    def consents(self, command):
        """The words that let the program ask at once, as this version calls them."""
        text = self.bench.help(command)
        return [word for word in ("--ask-anyway", "--may-wake", "--beside-others") if word in text]

    def environment(self, **more):
        clean = {k: v for k, v in os.environ.items() if k in ("PATH", "LANG", "TZ")}
        home = str(self.folder / "home")
        return {
            **clean,
            "LC_ALL": "C.UTF-8",
            "HOME": home,
            "XDG_STATE_HOME": home + "/state",
            "XDG_CONFIG_HOME": home + "/config",
            "XDG_DATA_HOME": home + "/data",
            "TERM": "xterm",
            **more,
        }

    def spawn(self, arguments, stdin=None, **environment):
        """Starts the program; its words go to files, so that nothing ever waits for a reader."""
        self.number += 1
        self.doing = " ".join(ascii(shown(word))[1:-1] for word in arguments)[:110]
        given, out, err = (self.folder / f".{kind}{self.number}" for kind in ("in", "out", "err"))
        if stdin is None:
            given = os.devnull
        else:
            given.write_bytes(stdin)
        spawner = self.bench.spawner
        number = spawner.start([self.bench.tool, *arguments], self.folder, self.environment(**environment), (given, out, err))
        return Running(spawner, number, out, err)

    def tool(
        self,
        *arguments,
        exits=ANY,
        interrupt=False,
        seconds=SECONDS,
        megabytes=MEGABYTES,
        colour=False,
        longest=LONGEST_LINE,
        most=MOST_SAID,
        stdin=None,
        env=None,
    ):
        """Runs the program to its end and holds it to the rules. `interrupt`: what would go on for ever, and
        rightly so, is interrupted after its time and must then end."""
        ran = self.spawn([os.fspath(a) for a in arguments], stdin, **(env or {})).end(seconds, interrupt)
        return self.judge(ran, exits, megabytes, colour, longest, most)

    def judge(self, ran, exits=ANY, megabytes=MEGABYTES, colour=False, longest=LONGEST_LINE, most=MOST_SAID):
        self.runs.append(ran)
        if ran.code is None:
            self.expect(False, f"did not end: expected an end within its time, found none after {ran.seconds:.0f} s")
        else:
            self.expect(ran.code in exits, f"exit code: expected {name_codes(exits)}, found {ran.code}")
        self.expect("panicked" not in ran.text and ran.code != 101, "panicked")
        self.expect(ran.megabytes <= megabytes, f"memory: expected at most {megabytes} MB, found {ran.megabytes:.0f}")
        for name, said in (("stdout", ran.out), ("stderr", ran.err)):
            self.plain(name, said, colour)
        self.expect(len(ran.err) <= most, f"stderr: expected at most {most} bytes, found {len(ran.err)}")
        # A page or an object is one line by nature, words for people are not.
        lines = ran.err.split(b"\n") + ([] if ran.out[:1] in b"{<" else ran.out.split(b"\n"))
        widest = max(map(len, lines))
        self.expect(widest <= longest, f"a line: expected at most {longest} bytes, found {widest}")
        return ran

    def plain(self, where, said, colour=False):
        """Nothing that a terminal obeys."""
        try:
            text = said.decode()
        except UnicodeDecodeError as error:
            self.expect(False, f"{where}: expected UTF-8, found byte {error.object[error.start]:#04x}")
            text = said.decode(errors="replace")
        if colour:
            text = COLOUR.sub("", text)
        found = sorted({f"U+{ord(c):04X}" for c in CONTROL.findall(text)})
        return self.expect(not found, f"{where}: expected plain text, found {', '.join(found[:6])}")

    def error_shape(self, ran, *parts):
        """An error names where, and what it expected or found; every part must stand in it."""
        words = ran.err.decode(errors="replace")
        self.expect(
            any(line.startswith("error: ") and line.count(": ") >= 2 for line in words.splitlines())
            or re.search(r"^\S.*:\d+:\d+: |^\S.*: .*expected .*, found ", words, re.M),
            'error: expected "error: where: what", found other words',
        )
        for part in parts:
            self.expect(part in words, f"error: expected it to say {part!r}, found {ascii(words[-160:])}")

    def opens(self, path, sealed=None, exits=ANY - {USAGE, LOCAL}):
        """A recording can be read; where asked, it ends with its seal."""
        if not self.expect(path.exists(), f"recording {path.name}: expected a file, found none"):
            return None
        if sealed:
            last = path.read_bytes().rstrip(b"\n").rsplit(b"\n", 1)[-1]
            self.expect(b'"type":"seal"' in last, f"recording {path.name}: expected a seal at its end, found none")
        return self.tool("report", path, "--format", "json", exits=exits)


class Running:
    """The program while it runs."""

    def __init__(self, spawner, number, out, err):
        self.spawner, self.number, self.out, self.err, self.began = spawner, number, out, err, time.monotonic()
        (self.pid,), _ = spawner.wait(number, "started", 1)

    def until(self, seconds):
        """Waits for its end, at most until so long after its begin; whether it came."""
        return self.spawner.wait(self.number, "ended", self.began + seconds - time.monotonic()) is not None

    def send(self, number):
        try:
            if not self.until(0):
                os.kill(self.pid, number)
        except ProcessLookupError:
            pass  # It has just ended.

    def end(self, seconds, interrupt=False):
        done = self.until(seconds)
        if not done and interrupt:
            self.send(signal.SIGINT)
            done = self.until(time.monotonic() - self.began + 10)
        self.close()
        (code, kilobytes), at = self.spawner.wait(self.number, "ended", 10)
        # As a shell tells it.
        code = 128 - code if code < 0 else code
        return Ran(code if done else None, self.words(self.out), self.words(self.err), at - self.began, kilobytes / 1024)

    @staticmethod
    def words(path):
        """What was said, as far as a person could be expected to."""
        with open(path, "rb") as file:
            return file.read(4 << 20)

    def close(self):
        self.send(signal.SIGKILL)


def shown(word):
    """An argument as it may stand in a line: its folder left out, its length bounded."""
    word = os.fsdecode(word)
    word = word.rsplit("/", 1)[-1] if word.startswith("/dev/shm/") or word.startswith("/tmp/") else word
    return word if len(word) < 50 else f"{word[:20]}...({len(word)})"


def name_codes(codes):
    return " or ".join(str(code) for code in sorted(codes))


def limits():
    """A mistake of the program must not take the computer with it: inherited by every child."""
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
