"""The Windows programs, unpacked from their archive, under an emulation layer, beside the Linux programs on the same
work: what they print must be the same. COM ports are pseudo-terminals that the simulator serves.

    python3 tests/windows/run.py WINDOWS-PROGRAMS LINUX-PROGRAMS

What only a real Windows can show (drivers, unplugging, rights, the console's keys) stands in the README.
"""
import difflib
import json
import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor

import zip as archive

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
VISIT = "tests/visits/rack-hidden-fault.visit.jsonl"
# Settings, and a COM port each: one below and two above COM9, which Windows names in another way.
LINES = {"9600-8E1": "COM5", "19200-8N1": "COM12", "115200-8N2": "COM27"}
MAP = "generic-hv-stack"


def emulator():
    for name in ("wine64", "/usr/lib/wine/wine64"):
        if shutil.which(name):
            return shutil.which(name)
    return None


class Machine:
    """A Windows of its own, in a folder that goes away."""

    def __init__(self, windows, linux, folder):
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
            "HOME": str(folder), "XDG_CONFIG_HOME": str(folder), "NO_COLOR": "1",
        }
        self.env.pop("DISPLAY", None)
        self.served = []

    def start(self, *arguments, **more):
        """A Windows program that goes on."""
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL}
        command = [self.wine, self.tool, *arguments]
        return subprocess.Popen(command, env=self.env, cwd=ROOT, text=True, encoding="utf-8", **{**pipes, **more})

    def run(self, *arguments):
        child = self.start(*arguments)
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

    def ports(self, terminals):
        """COM ports that lead to terminals, and one that leads nowhere."""
        for name, terminal in terminals.items():
            add = [self.wine, "reg", "add", r"HKLM\Software\Wine\Ports", "/v", name, "/d", terminal, "/f"]
            subprocess.run(add, env=self.env, capture_output=True, timeout=120, check=True)
        self.end()

    def end(self):
        """Ends what belongs to this prefix, by its own server."""
        server = shutil.which("wineserver") or "/usr/lib/wine/wineserver64"
        subprocess.run([server, "-k"], env=self.env, capture_output=True, timeout=60, check=False)


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


def refused(machine, exit_code, part, *arguments):
    done = machine.run(*arguments)
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


def busy(machine, port):
    """Two programs at one port: the second is told the truth."""
    first = machine.start("listen", "--serial", port, "--seconds", "20")
    time.sleep(4)
    found = refused(machine, 4, "in use", "listen", "--serial", port, "--seconds", "1")
    first.kill()
    first.communicate()
    return found


def trace():
    """A lamp that blinks at 1 Hz (kind: invented)."""
    return "".join(f"{n / 30:.3f},{90 if n // 15 % 2 else 10}\r\n" for n in range(240))


def work(machine):
    """Name, step. What shares a port stands in one row, done one after the other."""
    terminals, rows = {}, []
    for line, port in LINES.items():
        words = machine.serve("hv-waiting", "--pty", "--start-at", "90s", "--line", line)
        terminals[port] = words[words.index("--serial") + 1]
        place = ["--serial", port, "--line", line]
        rows.append([(f"check --serial {port} at {line}", lambda place=place: judged(
            machine, ("awaiting-inverter", 5), "check", *place, "--profile", MAP, "--listen-first", "1", "--may-wake"))])
    machine.ports(terminals)
    first = ["--serial", LINES["9600-8E1"], "--line", "9600-8E1"]
    rows[0] += [
        ("listen on it", lambda: listen(machine, first)),
        ("find on it", lambda: search(machine, first[:2])),
        ("watch it, recorded, until Ctrl-C", lambda: watch(
            machine, [*first, "--profile", MAP, "--listen-first", "1", "--may-wake"])),
    ]
    rows[1].append(("a port that is in use", lambda: busy(machine, LINES["19200-8N1"])))
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
            machine, 4, "COM99", "check", "--serial", "COM99", "--profile", MAP)),
        ("own map in the folder for settings", lambda: own_files(machine)),
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
