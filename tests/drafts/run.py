#!/usr/bin/env python3
"""Lets the tool make maps of invented units and counts what is right: python3 tests/drafts/run.py PROGRAM [--maps N] [--seed S]

    --only GOAL...   clean dirty unseen unseen-dirty rest xlsx as-read as-read-clean learn learn-rest served
    --held-out       maps from a salt of their own; what is wrong is told by kind, never map by map
    --show [N]       the worst maps, with why
    --keep FOLDER    keeps tables, images, drafts and truths there
    --figures FILE   writes the figures as JSON

See README.md. Fails on a checked claim that is wrong, on a crash, and on more wrong than the bound of a goal.
"""

import argparse
import asyncio
import collections
import json
import math
import pathlib
import re
import subprocess
import sys
import tempfile
import threading
import traceback
from concurrent.futures import ProcessPoolExecutor

import asread
import compare
from make import IMAGES, Unit
from server import Served
from words import SEEN, UNSEEN

STACK = {"pack_voltage", "terminal_voltage"}
EXTREMES = {"cell_voltage_max", "cell_voltage_min"}
WARM = {"cell_temperature", "cell_temperature_max", "cell_temperature_min"}

# goal: (dirty, half of the words, mode, how, kind of file or any).
GOALS = {
    "clean": (False, SEEN, "flowing", "table", None),
    "dirty": (True, SEEN, "flowing", "table", None),
    "unseen": (False, UNSEEN, "flowing", "table", None),
    "unseen-dirty": (True, UNSEEN, "flowing", "table", None),
    "rest": (True, SEEN, "rest", "table", None),
    "as-read": (True, SEEN, "flowing", "as-read", None),
    "as-read-clean": (False, SEEN, "flowing", "as-read", None),
    "xlsx": (True, SEEN, "flowing", "table", "xlsx"),
    "learn": (False, SEEN, "flowing", "learn", None),
    "learn-rest": (False, SEEN, "rest", "learn", None),
    "served": (True, SEEN, "flowing", "served", None),
}
# Figures of the issue: (goal, stage, roles or None, what counts, at least, most wrong).
WANTED = [
    ("clean", "try", None, ("right",), 0.98, 0.002),
    ("dirty", "try", None, ("right",), 0.94, 0.005),
    ("unseen", "try", None, ("right",), 0.95, 0.01),
    ("learn", "learn", {"cell_voltage"}, ("right",), 0.98, 0.01),
    ("learn", "learn", STACK, ("right",), 0.95, 0.01),
    ("learn", "learn", EXTREMES, ("right",), 0.95, 0.01),
    ("learn", "answer", STACK, ("right",), 0.95, 0.003),
    ("learn", "answer", {"pack_current"}, ("right",), 0.90, 0.003),
    ("learn", "answer", WARM, ("right", "narrowed"), 0.85, 0.003),
    ("learn", "learn", None, ("right",), None, 0.01),
    ("learn", "answer", None, ("right",), None, 0.003),
]
# More wrong than this fails the run. They may only sink; the goals stand above.
BOUNDS = {("clean", "try"): 0.005, ("dirty", "try"): 0.025, ("unseen", "try"): 0.02, ("learn", "learn"): 0.015, ("learn", "answer"): 0.015}


class Crash(Exception):
    pass


class Refused(Crash):
    """It says why it cannot. Right for a list that nobody could read; for a draft that the tool made itself, a defect."""


class Missing(Exception):
    """The program has no such command."""


def run(program, *arguments, may_fail=False):
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, timeout=120)
    text = done.stderr.decode("utf-8", "replace")
    if done.returncode < 0 or done.returncode == 101 or "panicked" in text:
        raise Crash("%s: exit %d: %s" % (" ".join(map(str, arguments[:3])), done.returncode, text[-400:]))
    if b"unrecognized subcommand" in done.stderr:
        raise Missing(arguments[1])
    try:
        said = json.loads(done.stdout)
    except ValueError:
        raise Crash("%s: exit %d, no JSON: %s" % (" ".join(map(str, arguments[:3])), done.returncode, (text or done.stdout.decode("utf-8", "replace"))[-400:]))
    if str(said.get("schema", "")).startswith("packside.failed"):
        raise Refused("%s refused: %s" % (" ".join(map(str, arguments[:2])), str(said.get("error", {}).get("message"))[:400]))
    return said, done.returncode


def from_table(program, table, draft):
    said, _ = run(program, "profile", "from-table", table, "--output", draft, "--replace", "--format", "json")
    return said


def tried(program, draft, images):
    said, _ = run(program, "profile", "try", draft, "--images", images, "--format", "json")
    return said


def learnt(program, images, draft):
    said, _ = run(program, "profile", "learn", images, "--output", draft, "--replace", "--format", "json")
    if subprocess.run([program, "profile", "check", str(draft)], capture_output=True).stderr.count(b" mistake"):
        raise Crash("profile check: the learnt draft has mistakes")
    asked = subprocess.run([program, "profile", "answer", str(draft), "--print-answers"], capture_output=True, timeout=120)
    said["questions"] = asked.stdout.decode()
    return said


def answered(program, draft, answers):
    said, _ = run(program, "profile", "answer", draft, "--answers", answers, "--accept", "--format", "json")
    return said


def answers(unit, draft):
    """What a person at this unit would say at the moment of the last image: what a screen and a thermometer show."""
    scan = unit.map.pack.at((IMAGES - 1) * unit.period)
    said = {"charge": "%.0f" % scan.charge, "room": "%.0f" % (unit.map.pack.warm - 3)}
    if abs(scan.current) >= 2:
        said["amperes"] = "%.1f" % scan.current
    said["volts"] = "%.1f" % scan.pack
    for point in unit.map.points:
        if point.key == "uptime":
            said["powered-up"] = "%.0f" % (point.value(scan, 0, (IMAGES - 1) * unit.period) / 60)
        if point.key == "terminal_voltage":
            for claim in draft["points"]:
                if point.places[0] in claim["places"] and any(r.get("role") == "terminal_voltage" for r in claim["rivals"]):
                    said["dead-voltage"] = '"%s"' % claim["id"]
    known = set(re.findall(r"^# ([a-z-]+) = ", draft.get("questions", ""), re.M))
    return "format = 1\n[answers]\n" + "".join("%s = %s\n" % one for one in said.items() if one[0] in known)


def served(program, salt, number):
    """A unit over Modbus TCP: the list becomes a draft, and the unit itself is asked. Only reads may reach it."""
    unit = Unit(salt, number)
    truth = json.loads(json.dumps(unit.map.truth()))
    result = {"number": number, "goal": "served", "stages": {}, "about": None, "crash": None, "missing": [], "battery": truth["battery"]["kind"], "registers": truth["registers"]}
    at = Served(unit)
    loop = asyncio.new_event_loop()
    listening = loop.run_until_complete(at.start())
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    try:
        with tempfile.TemporaryDirectory() as place:
            place = pathlib.Path(place)
            table = unit.table(True, SEEN)
            result["about"] = table.about()
            (place / ("list." + table.suffix)).write_bytes(table.text)
            images = [unit.map.image(0)]
            hold(result, "table", truth, from_table(program, place / ("list." + table.suffix), place / "draft.toml"), images, None)
            gateway = "127.0.0.1:%d" % listening.sockets[0].getsockname()[1]
            after, _ = run(program, "profile", "try", place / "draft.toml", "--gateway", gateway, "--unit", "1", "--may-wake", "--no-keep", "--format", "json")
            hold(result, "try", truth, after, images, False)
            if at.functions - {3, 4}:
                result["crash"] = "asked with functions %s" % sorted(at.functions)
    except Missing as missing:
        result["missing"].append(str(missing))
    except (Crash, subprocess.TimeoutExpired) as crash:
        result["crash"] = str(crash)
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        listening.close()
    return result


def one_map(job):
    """Everything of one map: [(stage, outcomes, base)], what the table was like, and troubles."""
    program, salt, number, goal, folder, stages = job
    dirty, half, mode, how, kind = GOALS[goal]
    unit = Unit(salt, number, mode)
    result = {"number": number, "goal": goal, "stages": {}, "about": None, "crash": None, "missing": []}
    with tempfile.TemporaryDirectory() as temporary:
        place = pathlib.Path(folder) / ("%s-%s" % (goal, number)) if folder else pathlib.Path(temporary)
        place.mkdir(parents=True, exist_ok=True)
        truth = json.loads(json.dumps(unit.map.truth()))
        result["battery"], result["registers"] = truth["battery"]["kind"], truth["registers"]
        count = IMAGES if how == "learn" else 1
        (place / "images.jsonl").write_text(unit.images(count))
        (place / "truth.json").write_text(json.dumps(truth, ensure_ascii=False, indent=1))
        moments = [unit.flowing_moment()] if count == 1 else [0, IMAGES // 2 * unit.period]
        images = [unit.map.image(moment) for moment in moments]
        try:
            if how == "as-read":
                writer = unit.writer(dirty, half)
                result["about"] = writer.about()
                (place / "draft.toml").write_text(asread.draft(unit.map, writer))
                after = tried(program, place / "draft.toml", place / "images.jsonl")
                keep(place, "tried.json", after)
                hold(result, "try", truth, after, images, False)
            elif how == "table":
                table = unit.table(dirty, half, file=kind)
                result["about"] = table.about()
                file = place / ("list." + table.suffix)
                file.write_bytes(table.text)
                try:
                    draft = from_table(program, file, place / "draft.toml")
                except Refused as refused:
                    result["refused"] = str(refused)
                    for stage in ("table", "try"):  # nothing is claimed: all stays open
                        hold(result, stage, truth, {"points": []}, images, None)
                    return result
                keep(place, "draft.json", draft)
                hold(result, "table", truth, draft, images, None)
                if "try" in stages:
                    after = tried(program, place / "draft.toml", place / "images.jsonl")
                    keep(place, "tried.json", after)
                    hold(result, "try", truth, after, images, False)
            else:
                draft = learnt(program, place / "images.jsonl", place / "draft.toml")
                keep(place, "draft.json", draft)
                hold(result, "learn", truth, draft, images, True)
                (place / "answers.toml").write_text(answers(unit, draft))
                after = answered(program, place / "draft.toml", place / "answers.toml")
                keep(place, "answered.json", after)
                hold(result, "answer", truth, after, images, True)
        except Missing as missing:
            result["missing"].append(str(missing))
        except (Crash, subprocess.TimeoutExpired) as crash:
            result["crash"] = str(crash)
        except Exception:
            result["crash"] = "bench: " + traceback.format_exc()[-700:]
    return result


def keep(place, name, said):
    (place / name).write_text(json.dumps(said, ensure_ascii=False, indent=1))


def hold(result, stage, truth, draft, images, learnt):
    held = compare.Held(truth, draft, images, learnt)
    outcomes = [(o.role, o.verdict, o.why, o.direction, o.grade, o.point.get("id", "")) for o in held.outcomes()]
    lost = held.lost(result["about"]["lines"]) if stage == "table" and draft["points"] else []
    result["stages"][stage] = {"outcomes": outcomes, "base": held.base(), "lost": lost, "flags": held.flags(), "states": held.states()}


def interval(hits, of):
    """Wilson, 95 %."""
    if not of:
        return 0.0, 1.0
    z, share = 1.959964, hits / of
    middle, width = share + z * z / (2 * of), z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return max(0.0, (middle - width) / (1 + z * z / of)), min(1.0, (middle + width) / (1 + z * z / of))


def share(hits, of):
    low, high = interval(hits, of)
    return "%6.2f %% [%.2f, %.2f]" % (100 * hits / of if of else 0, 100 * low, 100 * high)


def collected(results, goal, stage):
    return [(r, o) for r in results if r["goal"] == goal for o in r["stages"].get(stage, {}).get("outcomes", [])]


def print_goals(results, figures):
    print("\n%-14s %-7s %-44s %-28s %-26s %s" % ("goal", "stage", "of", "right (or narrowed)", "wrong", "wanted"))
    for goal, stage, roles, counts, least, most in WANTED:
        found = [o for _, o in collected(results, goal, stage) if roles is None or o[0] in roles]
        if not found:
            continue
        right, wrong = sum(o[1] in counts for o in found), sum(o[1] == "wrong" for o in found)
        met = (least is None or right / len(found) >= least) and wrong / len(found) <= most
        name = "all roles" if roles is None else ", ".join(sorted(roles))
        wanted = ("" if least is None else ">= %g %%, " % (100 * least)) + "<= %g %% wrong" % (100 * most)
        print("%-14s %-7s %-44s %-28s %-26s %s: %s" % (goal, stage, "%s (%d)" % (name[:34], len(found)), share(right, len(found)), share(wrong, len(found)), wanted, "met" if met else "MISSED"))
        figures.append({"goal": goal, "stage": stage, "of": name, "points": len(found), "right": right, "wrong": wrong, "met": met})


def print_stages(results, figures):
    print("\n%-14s %-7s %7s  %-28s %-26s %8s %8s   %s" % ("goal", "stage", "points", "right", "wrong", "narrowed", "open", "direction right/open/wrong"))
    for goal in GOALS:
        for stage in ("table", "try", "learn", "answer"):
            found = [o for _, o in collected(results, goal, stage)]
            if not found:
                continue
            by = collections.Counter(o[1] for o in found)
            ways = collections.Counter(o[3] for o in found if o[3])
            checked = sum((o[1] == "wrong" or o[3] == "wrong") and o[4] == "checked" for o in found)
            print("%-14s %-7s %7d  %-28s %-26s %8.2f %8.2f   %d/%d/%d%s" % (
                goal, stage, len(found), share(by["right"], len(found)), share(by["wrong"], len(found)), 100 * by["narrowed"] / len(found), 100 * by["open"] / len(found),
                ways["right"], ways["open"], ways["wrong"], "   CHECKED AND WRONG: %d" % checked if checked else ""))
            figures.append({"goal": goal, "stage": stage, "points": len(found), **by, "directions": dict(ways), "checked and wrong": checked})
    for goal in GOALS:
        for stage in ("table", "try"):
            bases = collections.Counter(r["stages"][stage]["base"] for r in results if r["goal"] == goal and stage in r["stages"])
            told = sum(bases[k] for k in ("right", "wrong", "open"))
            if told:
                print("address base   %-14s %-6s %s  wrong %d, open %d of %d" % (goal, stage, share(bases["right"], told), bases["wrong"], bases["open"], told))
                figures.append({"goal": goal, "stage": stage, "base": {str(k): v for k, v in bases.items()}})


def print_meanings(results, figures):
    """What bits and values of states were taken for: counted apart from the roles."""
    for goal in GOALS:
        for stage in ("table", "try"):
            for what in ("flags", "states"):
                found = [one for r in results if r["goal"] == goal for one in r["stages"].get(stage, {}).get(what, [])]
                at = 1 if what == "flags" else 0
                by = collections.Counter(one[at] for one in found)
                if found:
                    print("%-14s %-14s %-5s %6d  right %s  wrong %s" % (what, goal, stage, len(found), share(by["right"], len(found)), share(by["wrong"], len(found))))
                    taken = collections.Counter(one[at + 1:] for one in found if one[at] == "wrong")
                    for (true, said), count in taken.most_common(5):
                        print("      %4d  %s taken for %s" % (count, true, said))
                    figures.append({"goal": goal, "stage": stage, "what": what, **by})


def print_lost(results, figures):
    for goal in GOALS:
        lost = collections.Counter(q for r in results if r["goal"] == goal and "table" in r["stages"] for q in r["stages"]["table"]["lost"])
        if lost:
            print("rows lost      %-14s %d: neither a point nor named as unread: %s" % (goal, sum(lost.values()), ", ".join("%s %d" % one for one in lost.most_common(8))))
        figures.append({"goal": goal, "lost": sum(lost.values())})


def print_roles(results, goal, stage):
    table = {}
    for _, o in collected(results, goal, stage):
        table.setdefault(o[0], collections.Counter())[o[1]] += 1
    if not table:
        return
    print("\n%s, %s, by role (maps with it, right, wrong, narrowed, open)" % (goal, stage))
    for role, by in sorted(table.items(), key=lambda one: -sum(one[1].values())):
        of = sum(by.values())
        print("  %-24s %6d  %-28s %6.2f %6.2f %6.2f" % (role, of, share(by["right"], of), *(100 * by[k] / of for k in ("wrong", "narrowed", "open"))))


def blamed(result, outcome):
    """What the table says wrongly of a point, if it does."""
    about = result["about"]
    if not about:
        return ""
    return "+".join(sorted(set(about["wrong"].get(outcome[5], []) + about["wrong"].get("*", []))))


def print_troubles(results, goal, stage, verdicts, most=30):
    kinds = collections.Counter()
    for result, outcome in collected(results, goal, stage):
        if outcome[1] in verdicts:
            kinds[outcome[1], outcome[0], outcome[2], blamed(result, outcome), outcome[4]] += 1
        if outcome[3] == "wrong":
            kinds["wrong", outcome[0], "direction", blamed(result, outcome), outcome[4]] += 1
    if kinds:
        print("\n%s, %s: what is not right, by kind (verdict, role, why, said wrongly by the list, grade)" % (goal, stage))
    for (verdict, role, why, said, grade), count in kinds.most_common(most):
        print("  %4d  %-8s %-22s %-44s %-24s %s" % (count, verdict, role, why, said or "-", grade or "-"))


def print_by_table(results, goal, stage):
    """Shares by language, layout, defect: where to look first."""
    groups = {}
    for result, outcome in collected(results, goal, stage):
        about = result["about"]
        if not about:
            continue
        keys = [about["language"], about["numbering"], about["scale_style"]] + about["defects"]
        for key in keys:
            groups.setdefault(key, collections.Counter())[outcome[1]] += 1
    if groups:
        print("\n%s, %s, by language, numbering, style of scale, defect: right, wrong" % (goal, stage))
        for key, by in groups.items():
            of = sum(by.values())
            print("  %-12s %6d  %6.2f %6.2f" % (key, of, 100 * by["right"] / of, 100 * by["wrong"] / of))


def print_worst(results, most):
    def badness(result):
        last = list(result["stages"].values())[-1]["outcomes"] if result["stages"] else []
        return sum(10 * (o[1] == "wrong") + (o[1] != "right") for o in last)
    for result in sorted(results, key=badness, reverse=True)[:most]:
        if not result["stages"]:
            continue
        stage, last = list(result["stages"].items())[-1]
        print("\nmap %s, %s, %s: %s, %d registers, %s" % (result["number"], result["goal"], stage, result["battery"], result["registers"], result["about"]))
        for role, verdict, why, direction, grade, point in last["outcomes"]:
            if verdict != "right":
                print("    %-9s %-24s %s (%s)" % (verdict, role, why, grade))


def main():
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("program")
    wanted.add_argument("--maps", type=int, default=20)
    wanted.add_argument("--seed", default="open")
    wanted.add_argument("--only", nargs="*", default=["clean", "dirty", "unseen", "learn"])
    wanted.add_argument("--held-out", action="store_true")
    wanted.add_argument("--show", type=int, nargs="?", const=5, default=0)
    wanted.add_argument("--roles", action="store_true")
    wanted.add_argument("--kinds", action="store_true", help="what is not right, by kind")
    wanted.add_argument("--keep")
    wanted.add_argument("--figures")
    wanted.add_argument("--jobs", type=int, default=2)
    given = wanted.parse_args()
    salt = "held out, third shelf" if given.held_out else given.seed
    if given.held_out and (given.show or given.keep):
        raise SystemExit("held-out maps are not shown one by one")
    program = str(pathlib.Path(given.program).resolve())
    jobs = [(program, salt, number, goal, given.keep, ["try"]) for goal in given.only if goal != "served" for number in range(given.maps)]
    with ProcessPoolExecutor(given.jobs) as pool:
        results = list(pool.map(one_map, jobs, chunksize=4))
    if "served" in given.only:
        results += [served(program, salt, number) for number in range(min(given.maps, 2 if given.maps <= 20 else 5))]
    sys.exit(report(given, results))


def kind_of_crash(text):
    """Without paths, places and numbers, so that equal troubles count together."""
    text = re.sub(r"/tmp/\S*/", "", text)
    return " ".join(re.sub(r"\d+", "#", text).split())[:260]


def report(given, results):
    figures, bad = [], 0
    missing = sorted({m for r in results for m in r["missing"]})
    if missing:
        print("not in this program yet: %s" % ", ".join(missing))
    print_stages(results, figures)
    print_goals(results, figures)
    print_lost(results, figures)
    print_meanings(results, figures)
    for goal in given.only:
        for stage in ("table", "try", "learn", "answer"):
            if given.roles:
                print_roles(results, goal, stage)
            if given.kinds:
                print_troubles(results, goal, stage, ("wrong",) if stage == "table" else ("wrong", "open", "narrowed"))
                print_by_table(results, goal, stage)
    if given.show:
        print_worst(results, given.show)
    crashes = collections.Counter(kind_of_crash(r["crash"]) for r in results if r["crash"])
    if not given.held_out:
        first = {}
        for r in results:
            if r["crash"]:
                first.setdefault(kind_of_crash(r["crash"]), "map %s, %s" % (r["number"], r["goal"]))
        crashes = collections.Counter({"%s (first: %s)" % (kind, first[kind]): count for kind, count in crashes.items()})
    refused = collections.Counter("%s: %s" % (r["goal"], kind_of_crash(r["refused"])) for r in results if r.get("refused"))
    for why, count in refused.most_common(10):
        print("refused (%d): %s" % (count, why))
    for crash, count in crashes.most_common(15):
        print("CRASH (%d): %s" % (count, crash))
    checked = sum(f.get("checked and wrong", 0) for f in figures)
    for figure in figures:
        bound = BOUNDS.get((figure["goal"], figure["stage"])) if "directions" in figure else None
        if bound is not None and figure.get("wrong", 0) > bound * figure["points"]:
            print("WRONG above the bound of %g %%: %s, %s" % (100 * bound, figure["goal"], figure["stage"]))
            bad += 1
    if given.figures:
        pathlib.Path(given.figures).write_text(json.dumps({"maps": given.maps, "held out": given.held_out, "figures": figures, "crashes": sum(crashes.values())}, indent=1))
    bad += checked + sum(crashes.values())
    print("\n%d maps a goal; checked and wrong %d, crashes %d" % (given.maps, checked, sum(crashes.values())))
    return 1 if bad else 0


if __name__ == "__main__":
    main()
