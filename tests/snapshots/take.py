"""Takes a snapshot of what a packside binary says, so that two programs can be compared.

    python3 tests/snapshots/take.py [--quick] [--recordings FOLDER]... BIN OUT[.xz]

Runs the shipped scenarios of the simulator on every way to them, and the recordings of tests/visits,
and writes one JSON file. Output for people goes to standard error.

Does not: judge (see compare.py), or look at the screen texts of people: only at JSON.

Invariants: everything runs in virtual time with the scenarios' own seeds, and what depends on the day of
a recording is left out, so the same binary gives the same file. Two processes at a time, at low priority.
"""

import argparse
import collections
import json
import lzma
import os
import pathlib
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor

import normal

ROOT = pathlib.Path(__file__).resolve().parents[2]
SCHEMA = "packside.snapshot/1"
LONGEST_RUN_S = 180

# Ways to a simulated unit: its own, and through a gateway of either kind.
WAYS = {"own": [], "tcp": ["--framing", "tcp"], "rtu": ["--framing", "rtu"]}
# About 20 looks, 250 looks and 600 looks on a serial line.
SHORT_S, MIDDLE_S, LONG_S = 90, 1125, 2700
# What a person says beside the look.
SAID = {
    "plugged-service": ["--plugged", "service"],
    "plugged-instead": ["--plugged", "instead-of-inverter"],
    "plugged-across": ["--plugged", "across-the-pair"],
    "lamp-blinking": ["--lamp", "fault=blinking"],
    "lamp-dark": ["--lamp", "fault=off"],
    "other-line": ["--line", "19200-8N1"],
    "ask-anyway": ["--listen-first", "0"],
}
# Scenarios that go on changing after the first minutes.
LONG = [
    "hv-commissioning", "hv-resistive-cell", "hv-weak-cell", "hv-fault-cleared-by-itself",
    "hv-fault-comes-back-after-retry", "hv-door-opened-and-closed", "hv-inverter-lost",
    "hv-inverter-restarts", "hv-reboots-again-and-again", "hv-noise-follows-power", "hv-noisy-line",
    "hv-two-units-in-turn", "hv-balancing", "hv-internal-short", "hv-charge-report-drifted",
    "hv-fuse-goes", "hv-gateway-queue-grows", "hv-adapter-pulled-out", "rack-equalising-current",
    "rack-codes-rotate",
]
# Visits of the quick set: every measured step, and every way a visit ends.
VISITED = [
    "hv-waiting", "hv-fault-behind-lamp", "hv-commissioning", "hv-resistive-cell", "hv-no-answer",
    "hv-swap-fault-follows-module", "hv-swap-fault-stays", "hv-fault-latched-until-power-cycle",
    "hv-inverter-lost", "hv-cold", "hv-two-clients", "hv-gateway", "rack-waiting", "rack-hidden-fault",
    "rack-sister-holds-terminals",
]

# Stands for the folder of a run that records.
FOLDER = "{folder}"
RECORD = f"{FOLDER}/a.visit.jsonl"
ANSWERS = ROOT / "tests/snapshots/answers.toml"
# The answers of the first of two sessions: one thing that is not in order and stays so, and one that ends it.
FIRST = {
    "nameplates = true": 'nameplates = { answer = "no", note = "modules 2 and 3 exchanged" }',
    "earth = true": 'earth = { answer = "no", note = "the strap is missing" }',
}

# One run: its name in the file, the arguments, how its output is made comparable, and what is asked
# afterwards of what it recorded (names and runs).
Run = collections.namedtuple("Run", "key arguments normalise then", defaults=[()])


class Tool:
    """A binary, and a home of its own without anybody's settings."""

    def __init__(self, binary, home):
        self.binary = str(pathlib.Path(binary).resolve())
        self.environment = {"HOME": home, "TZ": "UTC", "NO_COLOR": "1"}

    def output(self, arguments, folder=""):
        """Exit code, objects of standard output, lines of standard error."""
        command = [self.binary, *(a.replace(FOLDER, folder) for a in arguments), "--format", "json"]
        try:
            done = subprocess.run(
                command, cwd=ROOT, env=self.environment, stdin=subprocess.DEVNULL, capture_output=True,
                timeout=LONGEST_RUN_S, check=False,
            )
        except subprocess.TimeoutExpired:
            return "no end", [], []
        told, said = (text.decode(errors="replace") for text in (done.stdout, done.stderr))
        if folder:
            told, said = (normal.without_today(text.replace(folder, FOLDER)) for text in (told, said))
        objects = [as_object(line) for line in told.splitlines()]
        return done.returncode, normal.without_clock(objects) if folder else objects, said.splitlines()

    def one(self, run, folder=""):
        """Facts and texts of one command."""
        code, objects, said = self.output(run.arguments, folder)
        facts, texts = run.normalise(objects)
        return {"exit": code} | (facts or {}), (texts or {}) | {"said": said}

    def snapshot(self, run):
        """Facts and texts of a run, and of what is asked of its recording."""
        if not run.then:
            facts, texts = self.one(run)
            return {"facts": facts, "texts": texts}
        with tempfile.TemporaryDirectory() as folder:
            pathlib.Path(folder, "first.toml").write_text(first_answers())
            facts, texts = self.one(run, folder)
            facts["then"], texts["then"] = {}, {}
            for then in run.then:
                facts["then"][then.key], texts["then"][then.key] = self.one(then, folder)
        return {"facts": facts, "texts": texts}


def first_answers():
    """What is answered in the first of two sessions."""
    text = ANSWERS.read_text()
    for answer, other in FIRST.items():
        text = text.replace(answer, other)
    return text


def as_object(line):
    """A line of JSON; one that is none stays visible as such."""
    try:
        value = json.loads(line)
    except ValueError:
        return {"no JSON": line}
    return value if isinstance(value, dict) else {"no object": value}


def expected_moments(tool):
    """The scenarios and the moments at which they say what must follow, as the binary lists them."""
    _, (retest, *_), _ = tool.output(["retest", "shipped"])
    moments = {}
    for case in retest["cases"]:
        moments.setdefault(case["name"], []).append(case["at_ms"] / 1000)
    return moments


def looks(name, moments):
    """One look: on every way, and at every moment at which something is expected."""
    check = ["check", "--simulated", name, "--explain"]
    for way, options in WAYS.items():
        yield Run(f"check {name} {way}", check + options, normal.whole)
    for at in moments:
        yield Run(f"check {name} own at {at:g}", [*check, "--look-at", f"{at:g}"], normal.whole)


def looks_with_words(name):
    """One look beside which a person says something."""
    for said, options in SAID.items():
        arguments = ["check", "--simulated", name, "--explain", *options]
        yield Run(f"check {name} own {said}", arguments, normal.whole)


def watching(name, seconds, ways):
    """Many looks, of which every verdict and the last result are kept."""
    for way in ways:
        arguments = ["watch", "--simulated", name, "--seconds", str(seconds), *WAYS[way]]
        yield Run(f"watch {name} {way} for {seconds}", arguments, normal.watched)


def searching(name):
    """The search for the unit, and overhearing its line."""
    yield Run(f"find {name} own", ["find", "--simulated", name], normal.whole)
    yield Run(f"listen {name} own", ["listen", "--simulated", name], normal.overheard)


def recorded(folder):
    """Everything that a recording can be asked."""
    for path in sorted((ROOT / folder).glob("*.visit.jsonl")):
        name, file = path.name.removesuffix(".visit.jsonl"), str(pathlib.Path(folder, path.name))
        check = ["check", "--recording", file, "--explain"]
        yield Run(f"replay {name} check", check, normal.whole)
        for at in (5, 20, 40):
            yield Run(f"replay {name} check at {at}", [*check, "--moment", str(at)], normal.whole)
        yield Run(f"replay {name} report", ["report", file], normal.whole)
        yield Run(f"replay {name} customer", ["report", "--for", "customer", "--without-names", file], normal.whole)
        yield Run(f"replay {name} verify", ["report", "--verify", file], normal.whole)
        yield Run(f"replay {name} watch", ["watch", "--recording", file], normal.watched)
        yield Run(f"replay {name} listen", ["listen", "--recording", file], normal.overheard)
    yield Run(f"retest {pathlib.Path(folder).name}", ["retest", str(folder)], normal.whole)


def asked_of_record():
    """What a recording just made is asked."""
    yield Run("verify", ["report", "--verify", RECORD], normal.whole)
    yield Run("check", ["check", "--recording", RECORD, "--explain"], normal.whole)
    yield Run("report", ["report", RECORD], normal.whole)


def visits(name, in_two):
    """A visit with the same answers for every unit; `in_two`: stopped in the middle, and gone on with."""
    visit = ["visit", "--simulated", name, "--record", RECORD, "--answers"]
    if not in_two:
        yield Run(f"visit {name} own", [*visit, str(ANSWERS)], normal.whole, [*asked_of_record()])
        return
    go_on = Run("go on", [*visit, str(ANSWERS), "--continue"], normal.whole)
    first = [*visit, f"{FOLDER}/first.toml"]
    yield Run(f"visit {name} own in two sessions", first, normal.whole, [go_on, *asked_of_record()])


def recorded_watching(name):
    """Some looks, recorded: a recording must say the same as was seen live."""
    watch = ["watch", "--simulated", name, "--seconds", "30", "--record", RECORD]
    again = Run("watch", ["watch", "--recording", RECORD], normal.watched)
    yield Run(f"watch {name} own recorded", watch, normal.watched, [again, *asked_of_record()])


def quick_runs(moments, folders):
    """What is run after every large step."""
    for name, at in moments.items():
        yield from looks(name, at)
        yield from watching(name, SHORT_S, ["own"])
        yield from searching(name)
    for name in VISITED:
        yield from visits(name, in_two=False)
        yield from visits(name, in_two=True)
    for folder in folders:
        yield from recorded(folder)
    yield Run("retest shipped", ["retest", "shipped"], normal.whole)
    yield Run("demo", ["demo"], normal.whole)


def full_runs(moments, folders):
    """All of it, the long ones first so that none is left over at the end."""
    for name in LONG:
        yield from watching(name, LONG_S, ["own"])
        yield from watching(name, MIDDLE_S, ["rtu"])
    for name in moments:
        yield from watching(name, MIDDLE_S, ["own", "tcp"])
    yield from quick_runs(moments, folders)
    for name in moments:
        yield from watching(name, SHORT_S, ["tcp", "rtu"])
        yield from looks_with_words(name)
        yield from recorded_watching(name)
        if name not in VISITED:
            yield from visits(name, in_two=False)
            yield from visits(name, in_two=True)


def take(tool, runs):
    """Runs them two at a time; results in the order of the runs."""
    with ThreadPoolExecutor(2) as pool:
        done = {}
        for number, (run, result) in enumerate(zip(runs, pool.map(tool.snapshot, runs)), 1):
            done[run.key] = result
            if number % 100 == 0:
                print(f"  {number} of {len(runs)}", file=sys.stderr)
    return done


def write(path, snapshot):
    """As JSON, one run a line; packed where the name ends in .xz."""
    runs = (f"{json.dumps(key)}: {json.dumps(run, ensure_ascii=False)}" for key, run in snapshot["runs"].items())
    head = f'{{"schema": "{SCHEMA}", "set": "{snapshot["set"]}", "runs": {{\n'
    data = (head + ",\n".join(runs) + "\n}}\n").encode()
    pathlib.Path(path).write_bytes(lzma.compress(data) if str(path).endswith(".xz") else data)


def arguments():
    parser = argparse.ArgumentParser(description="Takes a snapshot of what a packside binary says.")
    parser.add_argument("--quick", action="store_true", help="the small set, for after every large step")
    parser.add_argument(
        "--recordings", action="append", default=[], metavar="FOLDER", help="recordings besides tests/visits"
    )
    parser.add_argument("binary", metavar="BIN")
    parser.add_argument("out", metavar="OUT")
    return parser.parse_args()


def main():
    given, began = arguments(), time.monotonic()
    os.nice(10)
    with tempfile.TemporaryDirectory() as home:
        tool = Tool(given.binary, home)
        folders = ["tests/visits", *(str(pathlib.Path(f).resolve()) for f in given.recordings)]
        make = quick_runs if given.quick else full_runs
        runs = list(make(expected_moments(tool), folders))
        done = take(tool, runs)
    write(given.out, {"set": "quick" if given.quick else "full", "runs": done})
    print(f"{len(done)} runs in {time.monotonic() - began:.0f} s: {given.out}", file=sys.stderr)


if __name__ == "__main__":
    main()
