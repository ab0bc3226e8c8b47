"""The Windows programs, unpacked from their archive, under an emulation layer, beside the Linux programs on the same
work: what they print must be the same. COM ports are pseudo-terminals that the simulator serves.

    python3 tests/windows/run.py WINDOWS-PROGRAMS LINUX-PROGRAMS

What only a real Windows can show stands in the README.
"""
import difflib
import fcntl
import json
import os
import pathlib
import pty
import select
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor

import zip as archive

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
VISIT = "tests/visits/rack-hidden-fault.visit.jsonl"
# Settings, and a COM port each: one below and two above COM9, which Windows names in another way.
LINES = {"9600-8E1": "COM5", "19200-8N1": "COM12", "115200-8N2": "COM27"}
MAP = "generic-hv-stack"


# Somebody without rights: what is forbidden is not forbidden to root.
NOBODY = 65534


def emulator():
    return shutil.which("/usr/lib/wine/wine64") or shutil.which("wine64")


class Machine:
    """A Windows of its own, in a folder that goes away."""

    def __init__(self, windows, linux, folder):
        self.before = []
        packed = archive.build(windows, folder)
        with zipfile.ZipFile(packed) as unpacked:
            unpacked.extractall(folder)
        print(f"       {packed.name}: {packed.stat().st_size / 1e6:.1f} MB")
        self.tool, self.linux = folder / packed.stem / "packside.exe", linux / "packside"
        # Of the emulation layer, not of the archive: see random.c.
        shutil.copy(windows / "bcryptprimitives.dll", self.tool.parent)
        self.simulator, self.folder, self.wine = linux / "packside-simulator", folder, emulator()
        self.env = {
            **{key: value for key, value in os.environ.items() if not key.startswith("PACKSIDE")},
            "WINEPREFIX": str(folder / "prefix"), "WINEDEBUG": "-all", "WINEDLLOVERRIDES": "mscoree,mshtml=",
            "HOME": str(folder), "XDG_CONFIG_HOME": str(folder), "NO_COLOR": "1", "LC_ALL": "C.UTF-8",
        }
        self.env.pop("DISPLAY", None)
        self.served = []

    def start(self, *arguments, **more):
        """A Windows program that goes on."""
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL}
        command = [*self.before, self.wine, self.tool, *arguments]
        more = {"env": self.env, "cwd": ROOT, **more}
        return subprocess.Popen(command, text=True, encoding="utf-8", **{**pipes, **more})

    def run(self, *arguments, **more):
        child = self.start(*arguments, **more)
        try:
            child.stdout_text, child.stderr_text = child.communicate(timeout=240)
        except subprocess.TimeoutExpired:
            child.kill()
            child.stdout_text, child.stderr_text = "", "it did not end within 240 s"
        return child

    def on_linux(self, *arguments):
        command = [self.linux, *arguments]
        return subprocess.run(
            command, env=self.env, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=240, check=False
        )

    def serve(self, *arguments):
        """A simulated unit; gives the words of the command that reaches it."""
        command = [self.simulator, "run", *arguments]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self.served.append(server)
        server.stdout.readline()
        return server.stdout.readline().split()

    def serve_line(self, line):
        """The same on a pseudo-terminal; gives its name."""
        words = self.serve("hv-waiting", "--pty", "--start-at", "90s", "--line", line)
        return words[words.index("--serial") + 1]

    def of_nobody(self):
        """Another one, of somebody without rights; nothing where this user is not root, or has no way to be another."""
        if os.geteuid() != 0 or not shutil.which("setpriv"):
            return None
        other = object.__new__(Machine)
        other.__dict__.update(self.__dict__)
        other.folder = self.folder / "nobody"
        other.folder.mkdir()
        os.chown(other.folder, NOBODY, NOBODY)
        self.folder.chmod(0o755)
        other.before = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
        other.env = {**self.env, "HOME": str(other.folder), "WINEPREFIX": str(other.folder / "prefix")}
        return other

    def ports(self, terminals):
        """COM ports that lead to terminals, and one that leads nowhere."""
        for name, terminal in terminals.items():
            add = [*self.before, self.wine, "reg", "add", r"HKLM\Software\Wine\Ports", "/v", name, "/d", terminal, "/f"]
            subprocess.run(add, env=self.env, cwd=self.folder, capture_output=True, timeout=120, check=True)
        self.end()

    def end(self):
        """Ends what belongs to this prefix, by its own server."""
        server = shutil.which("/usr/lib/wine/wineserver64") or "wineserver"
        subprocess.run([*self.before, server, "-k"], env=self.env, capture_output=True, timeout=60, check=False)


def compare(machine, *arguments):
    """The same output, byte by byte, and the same exit code."""
    windows, linux = machine.run(*arguments), machine.on_linux(*arguments)
    found = []
    if windows.returncode != linux.returncode:
        found.append(f"exit code: Linux {linux.returncode}, Windows {windows.returncode}: {windows.stderr_text[-400:]}")
    if windows.stdout_text != linux.stdout:
        lines = difflib.unified_diff(linux.stdout.splitlines(), windows.stdout_text.splitlines(), "Linux", "Windows", lineterm="", n=0)
        found += [line[:160] for line in list(lines)[:8]]
    return found


def judged(machine, expected, *arguments):
    """A live look: its verdict and its exit code."""
    done = machine.run(*arguments, "--format", "json")
    result = json.loads(done.stdout_text or "{}")
    seen = (result.get("verdict", {}).get("kind"), done.returncode)
    return [] if seen == expected else [f"expected {expected}, found {seen}: {done.stderr_text[-400:]}"]


def refused(machine, exit_code, part, *arguments, **more):
    done = machine.run(*arguments, **more)
    if done.returncode == exit_code and part in done.stderr_text:
        return []
    return [f"expected exit {exit_code} and \"{part}\", found {done.returncode}: {done.stderr_text[-400:]}"]


def own_files(machine):
    """An own map where Windows keeps settings, with the line ends that Windows writes; a place kept and found."""
    users = machine.folder / "prefix" / "drive_c" / "users"
    roaming = next(users.glob("*/AppData/Roaming"), None)
    if roaming is None:
        return [f"no AppData/Roaming under {sorted(users.glob('*'))}"]
    maps = roaming / "packside" / "profiles"
    maps.mkdir(parents=True)
    text = (ROOT / "profiles/maps/generic-hv-stack.toml").read_text(encoding="utf-8")
    mine = text.replace('id = "generic-hv-stack"', 'id = "mine"', 1).replace("\n", "\r\n")
    (maps / "mine.toml").write_bytes(mine.encode())
    done = machine.run("check", "--simulated", "hv-waiting", "--profile", "mine")
    return [] if done.returncode == 5 else [f"expected exit 5, found {done.returncode}: {done.stderr_text[-400:]}"]


def watch(machine, place):
    """Recorded until Ctrl-C; the recording is whole and says the same on Linux."""
    file = machine.folder / "watch.visit.jsonl"
    child = machine.start("watch", *place, "--record", str(file), "--format", "json")
    for line in child.stdout:
        if json.loads(line)["type"] == "look":
            break
    # The process that was started is the Windows program itself.
    child.send_signal(signal.SIGINT)
    try:
        rest, said = child.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        child.kill()
        return ["Ctrl-C did not end it within 60 s"]
    found = []
    if child.returncode != 5 or '"type":"end"' not in rest:
        found.append(f"Ctrl-C: expected the last verdict and exit 5, found {child.returncode}: {said[-400:]}")
    verified = machine.on_linux("report", str(file), "--verify")
    if verified.returncode:
        found.append(f"the recording: {verified.stdout}{verified.stderr}")
    return found


def visit(machine):
    answers = machine.folder / "answers.toml"
    answers.write_bytes(b'format = 1\r\n[answers]\r\nwho = "somebody"\r\n')
    file = machine.folder / "visit.visit.jsonl"
    done = machine.run("visit", "--simulated", "hv-waiting", "--answers", str(answers), "--record", str(file), "--format", "json")
    found = [] if '"schema":"packside.visited/1"' in done.stdout_text else [f"no result: {done.stderr_text[-400:]}"]
    if machine.on_linux("report", str(file), "--verify").returncode:
        found.append("its recording does not hold on Linux")
    return found


def listen(machine, place):
    done = machine.run("listen", *place, "--seconds", "4", "--format", "json")
    kinds = [json.loads(line)["type"] for line in done.stdout_text.splitlines()]
    return [] if kinds[:1] == ["start"] and "summary" in kinds else [f"found {kinds}: {done.stderr_text[-400:]}"]


def search(machine, place):
    done = machine.run("find", *place, "--listen-first", "1", "--may-wake", "--only", "1", "--format", "json")
    units = [unit["unit"] for unit in json.loads(done.stdout_text or "{}").get("found", [])]
    return [] if units == [1] and done.returncode == 0 else [f"found {units}, exit {done.returncode}: {done.stderr_text[-400:]}"]


def taken_away(machine, port, server):
    """The adapter goes while it is overheard."""
    child = machine.start("listen", "--serial", port, "--seconds", "30", "--no-keep")
    # It says what it opens before it does.
    child.stderr.readline()
    time.sleep(3)
    server.kill()
    try:
        _, said = child.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        child.kill()
        return ["it did not end within 60 s"]
    found = [] if "link lost: the serial adapter is gone" in said else [f"not said: {said[-400:]}"]
    return found + ([] if child.returncode == 3 else [f"expected exit 3, found {child.returncode}"])


def forbidden(machine):
    """A port that this user may not open. Windows refuses one that is in use with the same number; the emulation layer
    has another for that, which real Windows never gives."""
    other = machine.of_nobody()
    if other is None:
        print("left out: a port that is forbidden: to be tried as root with setpriv")
        return []
    terminal = machine.serve_line("9600-8E1")
    os.chmod(terminal, 0o600)
    other.ports({"COM7": terminal})
    said = "another program is using it, or this user may not open it"
    try:
        return refused(other, 4, said, "listen", "--serial", "COM7", "--seconds", "1", cwd=other.folder)
    finally:
        other.end()


def plain(machine):
    """What no new console and no locale of Unix asks to be otherwise is plain ASCII."""
    env = {key: value for key, value in machine.env.items() if key not in ("LC_ALL", "LANG", "LC_CTYPE")}
    done = machine.run("check", "--simulated", "hv-waiting", env=env)
    text = done.stdout_text
    return [] if done.returncode == 5 and text.isascii() else [f"exit {done.returncode}: {text[:400]}"]


def keys(machine):
    """A lamp tapped on the keys of a console, 2 Hz."""
    pid, console = pty.fork()
    if pid == 0:
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 100, 0, 0))
        os.chdir(ROOT)
        os.execve(machine.wine, [machine.wine, str(machine.tool), "lamp"], {**machine.env, "TERM": "xterm"})
    shown, end, tapped = b"", time.monotonic() + 90, None
    presses = [b" "] * 7 + [b"q"]
    while time.monotonic() < end:
        if select.select([console], [], [], 0.05)[0]:
            try:
                shown += os.read(console, 65536)
            except OSError:
                break
        ready = b"first tap" in shown and (tapped is None or time.monotonic() >= tapped)
        if ready and presses:
            os.write(console, presses.pop(0))
            tapped = (tapped or time.monotonic()) + 0.5
    os.close(console)
    os.kill(pid, signal.SIGKILL) if presses else None
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    return [] if code == 0 and b"BLINKING" in shown else [f"exit {code}: {shown[-300:]}"]


def trace():
    """A lamp that blinks at 1 Hz (kind: invented)."""
    return "".join(f"{n / 30:.3f},{90 if n // 15 % 2 else 10}\r\n" for n in range(240))


def work(machine):
    """Name, step. What shares a port stands in one row, done one after the other."""
    terminals, rows = {}, []
    for line, port in LINES.items():
        terminals[port] = machine.serve_line(line)
        place = ["--serial", port, "--line", line]
        rows.append([(f"check --serial {port} at {line}", lambda place=place: judged(
            machine, ("awaiting-inverter", 5), "check", *place, "--profile", MAP, "--listen-first", "1", "--may-wake"))])
    last = machine.served[-1]
    machine.ports(terminals)
    first = ["--serial", LINES["9600-8E1"], "--line", "9600-8E1"]
    rows[0] += [
        ("listen on it", lambda: listen(machine, first)),
        ("find on it", lambda: search(machine, first[:2])),
        ("watch it, recorded, until Ctrl-C", lambda: watch(
            machine, [*first, "--profile", MAP, "--listen-first", "1", "--may-wake"])),
    ]
    rows[1].append(("a port that is forbidden or in use", lambda: forbidden(machine)))
    rows[2].append(("a port that is taken away", lambda: taken_away(machine, LINES["115200-8N2"], last)))
    tcp = machine.serve("hv-waiting", "--tcp", "127.0.0.1:0", "--start-at", "90s")
    rtu = machine.serve("hv-waiting", "--rtu-tcp", "127.0.0.1:0", "--start-at", "90s")
    reach = [tcp[tcp.index("--gateway") + 1], rtu[rtu.index("--gateway") + 1]]
    looked = ("awaiting-inverter", 5)
    asked = ["--profile", MAP, "--may-wake", "--listen-first", "1"]
    rows.append([
        ("check --gateway", lambda: judged(machine, looked, "check", "--gateway", reach[0], *asked)),
        ("check --gateway --framing rtu", lambda: judged(
            machine, looked, "check", "--gateway", reach[1], "--framing", "rtu", *asked)),
        ("a port that is not there", lambda: refused(
            machine, 4, ", ".join(LINES.values()),
            "check", "--serial", "COM99", "--profile", MAP)),
        ("a file that is no port", lambda: refused(
            machine, 2, "it is not a serial port", "check", "--serial", "README.md", "--profile", MAP)),
        ("text for an old console", lambda: plain(machine)),
        ("lamp, tapped on the keys of a console", lambda: keys(machine)),
        ("visit --answers", lambda: visit(machine)),
    ])
    lamp = machine.folder / "lamp.csv"
    lamp.write_bytes(trace().encode())
    same = [
        ["demo"], ["demo", "--format", "json"], ["check", "--simulated", "hv-fault-behind-lamp", "--format", "json"],
        ["check", "--simulated", "hv-waiting"], ["retest", "tests/visits"], ["report", VISIT],
        ["report", VISIT, "--format", "csv"], ["lamp", "--trace", str(lamp), "--format", "json"], ["profile", "list"],
    ]
    rows.append([(" ".join(arguments[:3]) + ", as on Linux", lambda arguments=arguments: compare(machine, *arguments)) for arguments in same])
    # It stands in the list of maps from then on, which was to be as on Linux.
    rows[-1].append(("own map in the folder for settings", lambda: own_files(machine)))
    return rows


def main():
    windows, linux = (pathlib.Path(path).resolve() for path in sys.argv[1:3])
    if not emulator():
        print("the emulation layer is not installed (Debian: wine64)")
        return 77
    passed = failed = 0
    with tempfile.TemporaryDirectory() as folder:
        machine = Machine(windows, linux, pathlib.Path(folder))
        try:
            # The first start lays out the prefix.
            version = machine.run("--version")
            if version.returncode:
                print(f"FAILED the program does not start: {version.returncode} {version.stderr_text[-400:]}")
                return 1

            def row(steps):
                return [(name, step()) for name, step in steps]

            with ThreadPoolExecutor(max_workers=5) as pool:
                results = [result for done in pool.map(row, work(machine)) for result in done]
            for name, found in results:
                print(f"{'FAILED' if found else 'ok':6} {name}")
                for difference in found:
                    print("       ", difference)
                passed, failed = passed + (not found), failed + bool(found)
        finally:
            for server in machine.served:
                server.kill()
            machine.end()
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
