#!/usr/bin/env python3
"""Runs the cases against a binary and says where it differs from what a technician would have to be told.

    tests/units/run.py [BINARY] [--only PATTERN] [--jobs N] [--list] [--show]

In: the tables in cases_*.py, known.toml. Out: a table of differences, a summary, exit 1 where something is dangerous
or a case fails that is not listed in known.toml.
Does not: read the tool's sources, or leave anything running.
"""
import argparse
import asyncio
import json
import os
import re
import signal
import sys
import tempfile
import time
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.dont_write_bytecode = True
sys.path.insert(0, str(HERE))
from case import ALL, CLEAN, EXIT, first_root, kind_of, roots  # noqa: E402
import wire  # noqa: E402

for table in sorted(HERE.glob("cases_*.py")):
    __import__(table.stem)


class Options:
    """What this binary calls its consents. One word for two of them is what older ones have."""

    def __init__(self, binary):
        import subprocess
        said = subprocess.run([binary, "check", "--help"], capture_output=True, text=True).stdout
        said += subprocess.run([binary, "watch", "--help"], capture_output=True, text=True).stdout
        self.wake = "--may-wake" if "--may-wake" in said else "--ask-anyway"
        self.beside = "--beside-others" if "--beside-others" in said else "--ask-anyway"
        self.time_out = "--time-out" in said


async def run(case, binary, options, folder):
    world = link = None
    command = [binary] + (["profile", "check"] if case.command == "map" else [case.command])
    own_map = "\n" in case.map
    map_file = Path(folder) / "map.toml"
    if own_map:
        map_file.write_text(case.map)
    if case.command == "map":
        command += [str(map_file)]
    else:
        world = case.world()
        link = wire.LINKS[case.link](world)
        command += await link.start()
        command += ["--profile", str(map_file) if own_map else case.map]
        consents = ([options.wake] if case.wake else []) + ([options.beside] if case.beside else [])
        command += sorted(set(consents))
    args = list(case.args)
    if "--time-out" in args and not options.time_out:
        at = args.index("--time-out")
        del args[at:at + 2]
    command += args
    if case.seconds:
        command += ["--seconds", str(case.seconds)]
    command += ["--format", "json", "--color", "never"]
    # What whoever runs this has set for himself is not for the program.
    ours = {name: value for name, value in os.environ.items() if not name.startswith("PACKSIDE_")}
    environment = dict(ours, HOME=folder, XDG_STATE_HOME=folder, XDG_CONFIG_HOME=folder, XDG_DATA_HOME=folder,
                       PACKSIDE_CONFIG=folder, NO_COLOR="1")
    process = await asyncio.create_subprocess_exec(
        *command, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
        env=environment, limit=1 << 26)
    shown, lines, result = [], [], {}

    async def read():
        async for line in process.stdout:
            at = world.now() if world else 0.0
            lines.append(line.decode("utf-8", "replace"))
            try:
                item = json.loads(line)
            except ValueError:
                continue
            if case.command != "watch":
                continue
            kind = None
            if item.get("type") == "change" and item.get("about") == "verdict":
                kind = item.get("id")
            elif item.get("type") == "look":
                kind = item.get("verdict", {}).get("kind")
            elif item.get("type") == "end":
                result.update(item.get("result") or {})
            if kind:
                shown.append((at, kind))

    began = time.monotonic()
    try:
        errors = asyncio.get_running_loop().create_task(process.stderr.read())
        await asyncio.wait_for(asyncio.gather(read(), process.wait()), 150)
        said_aside = (await errors).decode("utf-8", "replace")
    except asyncio.TimeoutError:
        process.send_signal(signal.SIGKILL)
        await process.wait()
        said_aside = "did not end in 150 s"
    finally:
        if link:
            await link.stop()
    if case.command == "map":
        result = {"_text": "".join(lines) + said_aside}
    elif case.command != "watch":
        try:
            result = json.loads("".join(lines))
        except ValueError:
            result = {}
    result["_asked"] = world.asked if world else 0
    result["_aside"] = said_aside
    result["_course"] = shown
    result["_log"], result["_foreign"] = (world.log, world.foreign) if world else ([], [])
    if case.then:
        result["_kept"] = [str(path.name) for path in Path(folder).rglob("*.jsonl")]
        result["_then"] = await again([binary, *case.then, "--format", "json", "--color", "never"], environment)
    result["_broken"] = world.broken if world else None
    return Outcome(case, process.returncode, result, shown, said_aside, time.monotonic() - began, command, world)


async def again(command, environment):
    """A second command in the same place, after the unit is gone."""
    process = await asyncio.create_subprocess_exec(
        *command, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env=environment)
    try:
        said, _ = await asyncio.wait_for(process.communicate(), 60)
        return json.loads(said)
    except (asyncio.TimeoutError, ValueError):
        if process.returncode is None:
            process.kill()
        return {}


class Outcome:
    def __init__(self, case, code, result, shown, aside, took, command, world):
        self.case, self.code, self.result, self.shown, self.aside, self.took = case, code, result, shown, aside, took
        self.command = command
        self.kind = kind_of(result)
        if self.kind is None:
            self.kind = {2: "usage", 3: "bus-problem", 4: "refused"}.get(code, f"exit {code}")
        self.differs, self.dangerous = [], False
        self.kind_right = self.root_right = True
        if case.command == "map":
            self.judge_map()
        else:
            self.judge()
        if case.command in ("check", "watch"):
            self.check_manners(world)
        if result["_broken"]:
            self.kind_right = False
            self.differs.append("THE BENCH ITSELF BROKE: " + result["_broken"])

    def judge_map(self):
        self.kind = "refused" if self.code else "accepted"
        self.kind_right = self.kind in self.case.kinds
        if not self.kind_right:
            self.differs.append(f"map {self.kind}, expected {'/'.join(sorted(self.case.kinds))}")
        self.check_words()

    def judge(self):
        case = self.case
        hides = case.truth in ("fault", "open")
        if case.kinds and self.kind not in case.kinds:
            self.kind_right = False
            self.differs.append(f"{self.kind}, expected {'/'.join(sorted(case.kinds))}")
            self.dangerous = hides and self.kind in CLEAN
        for start, end, kinds in case.during:
            wrong = [(at, kind) for at, kind in self.shown if start <= at <= end and kind not in kinds]
            if wrong:
                self.kind_right = False
                self.differs.append(f"shows {wrong[0][1]} at {wrong[0][0]:.1f} s, expected {'/'.join(sorted(kinds))} from {start} to {end} s")
                self.dangerous |= hides and any(kind in CLEAN for _, kind in wrong)
        for until, kinds in case.reach:
            if not any(at <= until and kind in kinds for at, kind in self.shown):
                self.kind_right = False
                self.differs.append(f"{'/'.join(sorted(kinds))} not shown up to {until} s (shown: {self.course()})")
        if case.root is not None:
            first = first_root(self.result)
            self.root_right = first is None if case.root == () else first in case.root
            if not self.root_right:
                self.differs.append(f"first root {first}, expected {'/'.join(case.root) or 'none'}")
        if self.kind in EXIT and self.code != EXIT[self.kind]:
            self.differs.append(f"exit {self.code} with {self.kind}")
        self.check_words()

    def check_manners(self, world):
        """What was sent to the unit, in every case: only what its map allows, and gently."""
        rack = "generic-lv-rack" in self.case.map
        # How such a unit is looked for, before anything is known of it, is a matter of `find`.
        looked_for = self.case.map == "sunspec"
        allowed = (3, 0x11, 0x2B) if looked_for else (3, 4) if rack else (3, 4, 8)
        for _, unit, asked in world.log:
            pdu = bytes.fromhex(asked)
            if pdu[0] not in allowed:
                self.differs.append(f"function {pdu[0]:02X} was sent, which the map does not name")
                break
            if pdu[0] == 4 and not rack and int.from_bytes(pdu[1:3]) + int.from_bytes(pdu[3:5]) > 400:
                self.differs.append("the event log was read, which forgets what was read")
                break
        if self.case.link == "tcp" and not looked_for:
            times = [at for at, _, _ in world.log]
            if any(times[i + 7] - times[i] < 5 for i in range(len(times) - 7)):
                self.differs.append("more than seven questions in five seconds over Modbus TCP, where another client can't be heard")

    def check_words(self):
        for label, holds in self.case.checks:
            try:
                good = holds(self.result)
            except (KeyError, TypeError, AttributeError, IndexError):
                good = False
            if not good:
                self.differs.append(label)

    def course(self):
        steps = []
        for at, kind in self.shown:
            if not steps or steps[-1][1] != kind:
                steps.append((round(at, 1), kind))
        return ", ".join(f"{at} {kind}" for at, kind in steps)

    @property
    def undecided_though_read(self):
        return self.kind == "undecided" and not self.kind_right and self.case.kinds <= CLEAN and self.result.get("verdict", {}).get("gate_filled", True)


class Lag:
    """How late the units themselves were. A starved machine answers late, and what then differs proves nothing."""

    LIMIT = 0.12

    def __init__(self):
        self.late = []

    async def watch(self):
        while True:
            before = time.monotonic()
            await asyncio.sleep(0.02)
            over = time.monotonic() - before - 0.02
            if over > self.LIMIT:
                self.late.append(before)

    def since(self, began):
        return any(at >= began - 0.5 for at in self.late)


async def run_all(chosen, binary, jobs, known):
    options = Options(binary)
    gate, done = asyncio.Semaphore(jobs), []
    lag = Lag()
    watcher = asyncio.get_running_loop().create_task(lag.watch())
    starts = asyncio.Lock()
    # The longest first, so that none is left alone at the end.
    order = sorted(chosen, key=lambda c: -(c.seconds or c.long))

    async def one(case):
        for attempt in range(2):
            async with gate:
                async with starts:
                    await asyncio.sleep(0.03)
                began = time.monotonic()
                with tempfile.TemporaryDirectory() as folder:
                    outcome = await run(case, binary, options, folder)
            outcome.again = attempt
            if not outcome.differs or case.name in known or not lag.since(began):
                break
        done.append(outcome)
        if sys.stderr.isatty():
            print(f"\r{len(done)} of {len(order)}", end="", file=sys.stderr)

    await asyncio.gather(*(one(case) for case in order))
    watcher.cancel()
    if sys.stderr.isatty():
        print("\r" + " " * 20 + "\r", end="", file=sys.stderr)
    place = {case.name: n for n, case in enumerate(ALL)}
    return sorted(done, key=lambda o: place[o.case.name])


def some(ids, most=6):
    return (", ".join(ids[:most]) + (f" and {len(ids) - most} more" if len(ids) > most else "")) or "none"


def share(part, whole):
    return f"{100 * part / whole:.1f} % ({part} of {whole})" if whole else "none"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("binary", nargs="?", default=str(HERE.parent.parent / "target/release/packside"))
    parser.add_argument("--only", default="", help="pattern for names and points")
    parser.add_argument("--jobs", type=int, default=96, help="how many at a time; they mostly wait (96)")
    parser.add_argument("--list", action="store_true", help="print the cases and their sentences, run nothing")
    parser.add_argument("--shrink", action="store_true", help="take out of known.toml what holds now")
    parser.add_argument("--points", action="store_true", help="run what shows the thirteen points (points.toml), and print before and now")
    parser.add_argument("--show", action="store_true", help="print what was said in each case")
    given = parser.parse_args()
    entries = tomllib.loads((HERE / "index.toml").read_text())["entry"]
    points = tomllib.loads((HERE / "points.toml").read_text())["point"]
    named = {name for entry in entries for name in entry["cases"]} | {point["case"] for point in points}
    nowhere = named - {c.name for c in ALL}
    if nowhere or any(not entry["cases"] for entry in entries):
        sys.exit(f"index.toml, points.toml: expected the names of cases, found {sorted(nowhere) or 'an entry without any'}")
    chosen = [c for c in ALL if re.search(given.only, f"{c.name} {c.point}")]
    if given.points:
        chosen = [c for c in chosen if any(point["case"] == c.name for point in points)]
    if given.list:
        for c in chosen:
            print(f"{c.name} [{c.point}] {'/'.join(sorted(c.kinds))}\n    {c.does}\n    {c.field}")
        print(f"{len(chosen)} cases, {sum(c.command == 'watch' for c in chosen)} of them watched")
        return 0
    known_file = HERE / "known.toml"
    known = {k["case"]: k for k in tomllib.loads(known_file.read_text()).get("known", [])} if known_file.exists() else {}
    began = time.monotonic()
    done = asyncio.run(run_all(chosen, given.binary, given.jobs, known))
    code = report(done, known, time.monotonic() - began, given.show)
    if given.points:
        before_and_now(points, done)
    if given.shrink:
        shrink(known_file, known, {o.case.name for o in done if not o.differs})
    return code


def before_and_now(points, done):
    """The table of points.toml beside what this program gives: a case holds or does not."""
    given = {o.case.name: o for o in done}
    print("\n| point | was | case | before | now |\n| ---: | --- | --- | --- | --- |")
    for point in points:
        if outcome := given.get(point["case"]):
            now = f"{outcome.kind}, {'does not hold' if outcome.differs else 'holds'}"
            print(f"| {point['number']} | {point['was']} | {point['case']} | {point['before']} | {now} |")


def shrink(file, known, held):
    head = file.read_text().split("[[known]]")[0]
    kept = [k for name, k in known.items() if name not in held]
    file.write_text(head + "\n".join(
        f'[[known]]\ncase = {json.dumps(k["case"], ensure_ascii=False)}\nreason = {json.dumps(k["reason"], ensure_ascii=False)}\n' + ("open = true\n" if k.get("open") else "") for k in kept))


def report(done, known, took, show):
    bad_known = [name for name in known if not any(c.name == name for c in ALL)]
    for outcome in done:
        case = outcome.case
        if show:
            said = outcome.result.get("verdict", {})
            print(f"\n#### {case.name}: {outcome.kind} exit {outcome.code} {outcome.took:.1f} s, {outcome.result['_asked']} asked, roots {roots(outcome.result)}")
            print("   ", " ".join(outcome.command[1:]))
            if outcome.shown:
                print("    course:", outcome.course())
            print("   ", said.get("summary"))
            for why in said.get("why", []):
                print("    why:", why)
            for doubt in said.get("open", []):
                print("    open:", json.dumps(doubt, ensure_ascii=False))
            for step in said.get("next", [])[:4]:
                print(f"    next: [{step.get('needs')}] {step.get('id')}: {step.get('text')}")
            print("    untested:", ", ".join(n.get("id", "") for n in outcome.result.get("not_tested", [])))
            if not said:
                print("    aside:", outcome.aside[-600:], outcome.result.get("_text", "")[-600:])
        if outcome.differs:
            mark = "DANGEROUS" if outcome.dangerous else "known" if case.name in known else "differs"
            print(f"\n{mark}  {case.name}  [{case.point}]")
            print(f"  does      {case.does}")
            print(f"  expected  {'/'.join(sorted(case.kinds))}" + (f", first root {'/'.join(case.root) or 'none'}" if case.root is not None else ""))
            print(f"  given     {outcome.kind}, roots {some(roots(outcome.result))}" + (f"; course {outcome.course()}" if outcome.shown else ""))
            for difference in outcome.differs:
                print(f"  - {difference}")
            print(f"  because   {case.field}")
            if case.name in known:
                print(f"  known     {known[case.name]['reason']}")
    with_root = [o for o in done if o.case.root is not None]
    dangerous = [o for o in done if o.dangerous]
    unlisted = [o for o in done if o.differs and o.case.name not in known]
    held = [o.case.name for o in done if not o.differs and o.case.name in known]
    print(f"\ncases               {len(done)}, {sum(o.case.command == 'watch' for o in done)} of them watched, in {took:.0f} s")
    print(f"dangerous           {len(dangerous)}")
    print(f"right kind          {share(sum(o.kind_right for o in done), len(done))}")
    print(f"first root          {share(sum(o.root_right for o in with_root), len(with_root))}")
    print(f"undecided, all read {sum(o.undecided_though_read for o in done)}")
    print(f"all as expected     {share(sum(not o.differs for o in done), len(done))}")
    print(f"run again           {sum(o.again > 0 for o in done)} (this machine was late with the units' answers)")
    print(f"known to differ     {sum(bool(o.differs) and o.case.name in known for o in done)}")
    for name in held:
        print(f"known.toml lists {name}, which holds now: take it out (--shrink)")
    for name in bad_known:
        print(f"known.toml lists {name}, which is no case")
    wrongly_known = [o for o in dangerous if o.case.name in known and not known[o.case.name].get("open")]
    if dangerous:
        print("dangerous:", ", ".join(o.case.name for o in dangerous))
    failed = [o for o in dangerous if o.case.name not in known] + wrongly_known + unlisted
    return 1 if failed or bad_known else 0


if __name__ == "__main__":
    sys.exit(main())
