"""Independent libraries against both ends: pymodbus serves what the tool reads, and minimalmodbus
reads what the simulator serves. Every step prints what it saw; any difference fails."""
import json
import os
import pathlib
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor

import hv_values
import schemas

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parent.parent
TOOL = ROOT / "target" / "release" / "packside"

# Looks keep themselves: not among those of whoever runs this.
os.environ.setdefault("PACKSIDE_STATE", tempfile.mkdtemp())

# Case: verdict, exit code.
CASES = {
    "waiting": ("awaiting-inverter", 5),
    "fault": ("fault", 1),
    "normal": ("normal", 0),
    "unreadable": ("undecided", 6),
    # Its uptime goes on: one of both is wrong, and a gateway may answer from its cache.
    "frozen": ("undecided", 6),
}
WAYS = ("tcp", "rtu-tcp", "pty")
SAYS_ITSELF = ("tcp", "rtu-tcp")


def place(way, where):
    if way == "pty":
        return ["--serial", where, "--line", "9600-8N1", "--listen-first", "1"]
    if way == "rtu-tcp":
        return ["--gateway", where, "--framing", "rtu", "--listen-first", "1"]
    return ["--gateway", where]


def look(case, way):
    """Serves one case, looks at it, gives every difference."""
    server = subprocess.Popen(
        [sys.executable, HERE / "hv_server.py", case, way], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        ready = server.stdout.readline().split()
        if not ready or ready[0] != "ready":
            return [f"the server did not start: {server.stderr.read()}"]
        command = [TOOL, "check", *place(way, ready[1]), "--profile", "generic-hv-stack", "--format", "json"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    finally:
        server.kill()
    if not done.stdout:
        return [f"no result: {done.stderr}"]
    result = json.loads(done.stdout)
    verdict, code = CASES[case]
    found = result.get("verdict", {}).get("kind", result.get("error"))
    differences = []
    if found != verdict:
        why = result.get("verdict", {}).get("why")
        differences.append(f"verdict: expected {verdict}, found {found}: {why}\n{done.stderr}")
    if done.returncode != code:
        differences.append(f"exit code: expected {code}, found {done.returncode}")
    differences += hv_values.compare(case, result.get("readings", []))
    return differences


def named(way):
    """`find` gives what an independent server says of itself (functions 2B and 11), in the server's own words."""
    server = subprocess.Popen(
        [sys.executable, HERE / "hv_server.py", "another", way], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        ready = server.stdout.readline().split()
        if not ready or ready[0] != "ready":
            return [f"the server did not start: {server.stderr.read()}"]
        framing = ["--framing", "rtu"] if way == "rtu-tcp" else []
        command = [TOOL, "find", "--gateway", ready[1], *framing, "--listen-first", "0", "--may-wake", "--beside-others", "--format", "json"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    finally:
        server.kill()
    unit = (json.loads(done.stdout or "{}").get("found") or [{}])[0]
    # Kind: invented (the texts); published (Modbus Application Protocol V1.1b3, 6.21: objects 0 to 2 and their meaning)
    says = ["Invented Storage", "Stack 12", "V2.11"]
    expected = {
        "unit": 1,
        "profile": None,
        "device": [{"object": number, "text": text} for number, text in enumerate(says)],
    }
    differences = [f"{key}: expected {want}, found {unit.get(key)}" for key, want in expected.items() if unit.get(key) != want]
    server_id = bytes.fromhex(unit.get("server_id") or "")
    if not all(text.encode() in server_id for text in says):
        differences.append(f"server_id: expected all of {says}, found {server_id}")
    return differences + ([done.stderr] if differences else [])


def main():
    work = [(case, way) for way in WAYS for case in CASES]
    with ThreadPoolExecutor(max_workers=5) as pool:
        results = list(pool.map(lambda item: (item, look(*item)), work))
    failed = 0
    for (case, way), differences in results:
        print(f"{'FAILED' if differences else 'ok':6} pymodbus serves {case} over {way}")
        for difference in differences:
            print("       ", difference)
        failed += bool(differences)
    for way in SAYS_ITSELF:
        differences = named(way)
        print(f"{'FAILED' if differences else 'ok':6} find asks pymodbus over {way} who it is")
        for difference in differences:
            print("       ", difference)
        failed += bool(differences)
    with tempfile.TemporaryDirectory() as folder:
        printed = schemas.check(TOOL, folder)
    for what, differences in printed:
        print(f"{'FAILED' if differences else 'ok':6} jsonschema reads {what}")
        for difference in differences:
            print("       ", difference)
        failed += bool(differences)
    failed += clients() + cycle_time()
    print(f"{len(results) + len(SAYS_ITSELF) + len(printed) + CLIENTS - failed} passed, {failed} failed")
    return 1 if failed else 0


CLIENTS = 2
SIMULATOR = ROOT / "target" / "release" / "packside-simulator"


def clients():
    """minimalmodbus as an independent client against our simulator's pseudo-terminal."""
    import minimalmodbus

    command = [SIMULATOR, "run", "hv-waiting", "--pty", "--start-at", "90s"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    differences = []
    try:
        server.stdout.readline()  # what is served, in words
        command = server.stdout.readline().split()  # the line to type
        unit = minimalmodbus.Instrument(command[command.index("--serial") + 1], 1)
        # No parity: a pseudo-terminal has none and refuses to be told; the bytes are the same.
        unit.serial.baudrate, unit.serial.timeout = 9600, 1.0
        # Kind: invented (the map), read by an independent client
        expected = {
            "map mark": (unit.read_register(0, functioncode=3), 21318),
            "modules": (unit.read_register(1, functioncode=3), 5),
            "firmware": (unit.read_string(20, 4, functioncode=3).strip("\0 "), "2.4"),
            "state": (unit.read_register(0, functioncode=4), 2),
            "alarm_1": (unit.read_register(1, functioncode=4), 0),
            "alarm_2": (unit.read_register(2, functioncode=4), 0x1F00),
            "pack voltage is the sum of its cells": (
                abs(unit.read_long(12, functioncode=4) / 100 - cells(unit)) < 1.0, True),
        }
        differences = [f"{name}: expected {want!r}, found {got!r}" for name, (got, want) in expected.items() if got != want]
        try:
            unit.read_register(40, functioncode=4)
            differences.append("a hole in the map: expected exception 02, found an answer")
        except minimalmodbus.IllegalRequestError:
            pass
    except Exception as error:  # Whatever the library says is the finding.
        differences.append(f"{type(error).__name__}: {error}")
    finally:
        server.kill()
    print(f"{'FAILED' if differences else 'ok':6} minimalmodbus reads hv-waiting from the simulator's pty")
    for difference in differences:
        print("       ", difference)
    return 1 if differences else 0


def cycle_time():
    """minimalmodbus over the paced pseudo-terminal: one read takes its bytes times the time of a character."""
    import time

    import minimalmodbus

    # Kind: derived (8 bits, even parity, start and stop: 11 bits at 9600 baud), answer time as given
    character, answer_time, registers, rounds = 11 / 9600, 0.005, 125, 20
    expected = (8 + 5 + 2 * registers + 3.5) * character + answer_time
    command = [SIMULATOR, "run", "hv-waiting", "--pty", "--start-at", "90s", "--answer-time", "5ms"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    differences, measured = [], 0.0
    try:
        server.stdout.readline()
        words = server.stdout.readline().split()
        unit = minimalmodbus.Instrument(words[words.index("--serial") + 1], 1)
        unit.serial.baudrate, unit.serial.timeout = 9600, 2.0
        unit.read_registers(64, registers, functioncode=4)
        times = []
        for _ in range(rounds):
            began = time.monotonic()
            unit.read_registers(64, registers, functioncode=4)
            times.append(time.monotonic() - began)
        # The fastest: what is late is late by the computer, what is early would be the simulator's mistake.
        measured = min(times)
        if abs(measured / expected - 1) > 0.05:
            differences.append(f"cycle: expected {expected * 1000:.1f} ms within 5 %, found {measured * 1000:.1f} ms")
    except Exception as error:  # Whatever the library says is the finding.
        differences.append(f"{type(error).__name__}: {error}")
    finally:
        server.kill()
    print(
        f"{'FAILED' if differences else 'ok':6} minimalmodbus: {registers} registers at 9600-8E1 in {measured * 1000:.1f} ms,"
        f" {expected * 1000:.1f} ms by bytes and character time"
    )
    for difference in differences:
        print("       ", difference)
    return 1 if differences else 0


def cells(unit):
    """Sum of all cells in volts, read module by module."""
    return sum(sum(unit.read_registers(64 + 48 * module + 4, 30, functioncode=4)) for module in range(5)) / 1000


if __name__ == "__main__":
    sys.exit(main())
