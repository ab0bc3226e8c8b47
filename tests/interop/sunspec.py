"""Batteries that describe themselves (SunSpec), read without a map: random images value by value, images with a
verdict that must follow, and hostile chains. pysunspec2 makes the images, a plain server serves them.

    sunspec.py TOOL [--images N] [--only random|verdicts|hostile]
"""
import argparse
import json
import pathlib
import struct
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

from sunspec_images import a_string, bank, build, chain, common, definition, random_image, strings
from sunspec_server import Image, Server

HERE = pathlib.Path(__file__).parent
AT_ONCE = 128
PER_PORT = 200


def look(tool, port, unit, *more, time_out=180):
    command = [
        tool, "check", "--gateway", f"127.0.0.1:{port}", "--unit", str(unit), "--listen-first", "0", "--may-wake", "--no-keep",
        "--format", "json", *more,
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=time_out, check=False)
    try:
        return json.loads(done.stdout or "{}"), done.returncode, done.stderr
    except json.JSONDecodeError:
        return {}, done.returncode, done.stdout + done.stderr


# ---- random images

def scaled(raw, power):
    return raw * 10.0**power


def expected(point, value, powers):
    """What must be read: ("absent",), ("none",) or ("value", it)."""
    kind = point["type"]
    power = 0
    if "sf" in point:
        power = powers.get(point["sf"])
        if power is None:
            return ("absent",)
    if value is None or (kind == "string" and value == ""):
        return ("none",)
    if kind == "bitfield32" and value & 0x80000000:
        return ("none",)
    if kind in ("string", "bitfield32", "enum16"):
        return ("value", value)
    return ("value", scaled(value, power))


def all_expected(models, start):
    """By register: model, name, what must be read."""
    found = {}
    for model, at, fixed, inner in models:
        group = definition(model)
        powers = {p["name"]: fixed[p["name"]] for p in group["points"] if p["type"] == "sunssf"}
        offset = 0
        for point in group["points"]:
            if offset >= 2 and point["type"] != "pad":
                found[start + at + offset] = (model, point["name"], expected(point, fixed[point["name"]], powers))
            offset += point["size"]
        for block in inner:
            for point in group["groups"][0]["points"]:
                if point["type"] != "pad":
                    found[start + at + offset] = (model, point["name"], expected(point, block[point["name"]], powers))
                offset += point["size"]
    return found


def same(value, wanted):
    if isinstance(wanted, str):
        return value == wanted
    return isinstance(value, (int, float)) and abs(value - wanted) <= 1e-9 * max(1.0, abs(wanted))


def compare(result, models, start):
    """Every difference between what was read and what stands in the image, and how many values were compared."""
    readings = {r["register"]: r for r in result.get("readings", []) if r["role"] != "map_mark"}
    wanted = all_expected(models, start)
    differences, compared = [], 0
    for register, (model, name, (what, *value)) in wanted.items():
        reading = readings.pop(register, None)
        place = f"{register} ({model} {name})"
        if name in ("Hb", "CtrlHb"):
            continue
        compared += 1
        if what == "absent" or (what == "none" and reading is None):
            # Beside modules whose scale is implemented one without has no value.
            if reading is not None and reading["value"] is not None:
                differences.append(f"{place}: expected none, found {reading['value']}")
        elif reading is None:
            differences.append(f"{place}: expected {value or 'not available'}, it was not read")
        elif what == "none":
            if reading["value"] is not None:
                differences.append(f"{place}: expected not available, found {reading['value']}")
        elif not same(reading["value"], value[0]):
            differences.append(f"{place}: expected {value[0]}, found {reading['value']} ({reading['quality']})")
    differences += [f"{register}: read, and stands in no model: {r['point']}" for register, r in readings.items()]
    return differences, compared


def one_random(job):
    tool, port, unit, seed, start, models = job
    result, code, said = look(tool, port, unit)
    if "readings" not in result:
        return seed, [f"no result (exit {code}): {said[-400:]}"], 0
    differences, compared = compare(result, models, start)
    return seed, differences, compared


def random_images(tool, count):
    jobs, servers = [], []
    for first in range(0, count, PER_PORT):
        images, batch = {}, []
        for seed in range(first, min(first + PER_PORT, count)):
            words, start, models = random_image(seed)
            at = next(start + at for model, at, _, _ in models if model == 802)
            fixed = next(fixed for model, _, fixed, _ in models if model == 802)
            # What counts shows within a second that the unit lives; its values are not compared.
            counting = [at + 18 for _ in [0] if fixed["Hb"] is not None] + [at + 19 for _ in [0] if fixed["CtrlHb"] is not None]
            unit = seed - first + 1
            images[unit] = Image(words, start, per_read=counting)
            batch.append((unit, seed, start, models))
        server = Server(images)
        servers.append(server)
        jobs += [(tool, server.port, *one) for one in batch]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        done = list(pool.map(one_random, jobs))
    bad = [(seed, differences) for seed, differences, _ in done if differences]
    for seed, differences in bad[:10]:
        print(f"  image {seed}: {len(differences)} differences, first: {differences[0]}")
    asked = set().union(*(server.functions for server in servers))
    if not asked <= {1, 2, 3, 4, 0x11, 0x2B}:  # reads, and who it is
        bad.append((None, [f"functions sent: {asked}"]))
    print(f"  {count} random images: {sum(c for *_, c in done)} values compared, {len(bad)} images with differences")
    return bad


# ---- verdicts that must follow; written down before the tool was run on any of them

BANK_AT = 40000 + 2 + 68  # behind the mark and model 1
TICKS = BANK_AT + 18
CONTROLLER = BANK_AT + 19
STATE = BANK_AT + 22


def unit(bank_values=None, blocks=None, ticks=True, controller=True, more=None, end=None, hole=(), parts=None):
    blocks = [a_string(), a_string()] if blocks is None else blocks
    models = parts or [common(), bank(**(bank_values or {})), strings(*blocks, **(more or {}))]
    words = chain(models, struct.pack(">HH", 0xFFFF, 0) if end is None else end)
    clocked = [TICKS for _ in [0] if ticks] + [CONTROLLER for _ in [0] if controller]
    return Image(words, 40000, clocked=clocked, hole=hole)


def event(*bits):
    return {"Evt1": sum(1 << bit for bit in bits)}


OPEN = {"StrSt": 1, "StrConSt": 0}
VERDICTS = [
    # name, image, verdict, a root that must be named
    ("waiting in standby", lambda: unit(controller=False), "awaiting-inverter", None),
    ("waiting, disconnected", lambda: unit({"State": 1}, [a_string(**OPEN), a_string(**OPEN)], controller=False), "awaiting-inverter", None),
    ("waiting, initializing", lambda: unit({"State": 2}, [a_string(**OPEN), a_string(**OPEN)], controller=False), "awaiting-inverter", None),
    ("normal in standby", lambda: unit(), "normal", None),
    ("normal, discharging", lambda: unit({"State": 3, "ChaSt": 3, "A": 120, "W": 626}), "normal", None),
    ("normal, charging", lambda: unit({"State": 3, "ChaSt": 4, "A": -120, "W": -626}), "normal", None),
    ("only warnings", lambda: unit(event(2, 12)), "normal", None),
    ("bit 0 is the battery's own link", lambda: unit(event(0), controller=False), "fault", "internal-communication"),
    ("state fault", lambda: unit({"State": 99}), "fault", "other-fault"),
    ("over-temperature", lambda: unit(event(1)), "fault", "over-temperature"),
    ("ground fault", lambda: unit(event(22)), "fault", "insulation-low"),
    ("contactor error while it waits", lambda: unit(event(20), controller=False), "fault", "switch-fault"),
    ("over-voltage of string 2", lambda: unit(blocks=[a_string(), a_string(StrEvt1=1 << 9)]), "fault", "pack-over-voltage"),
    ("fuse open", lambda: unit(blocks=[a_string(), a_string(StrConFail=5, **OPEN)]), "fault", "fuse-open"),
    ("pre-charge failed", lambda: unit(blocks=[a_string(), a_string(StrConFail=7, **OPEN)]), "fault", "precharge-failed"),
    ("string fault", lambda: unit(blocks=[a_string(StrConFail=8, **OPEN), a_string()]), "fault", "other-fault"),
    ("earth fault at connect", lambda: unit(blocks=[a_string(StrConFail=2, **OPEN), a_string()]), "fault", "insulation-low"),
    ("contactor failed at connect", lambda: unit(blocks=[a_string(StrConFail=6, **OPEN), a_string()]), "fault", "switch-fault"),
    ("disabled by a fault", lambda: unit(blocks=[a_string(StrDisRsn=1, StrSt=0), a_string()]), "fault", "other-fault"),
    ("cell below all that lithium bears", lambda: unit({"CellVMin": 1800, "CellVAvg": 3200}), "fault", "cell-below-minimum"),
    ("cell above all that lithium bears", lambda: unit({"CellVMax": 4310}), "fault", "cell-over-voltage"),
    ("button pushed", lambda: unit(blocks=[a_string(StrConFail=1, **OPEN), a_string()]), "not-ready", "off-button"),
    ("disabled for maintenance", lambda: unit(blocks=[a_string(StrDisRsn=2, StrSt=0), a_string()]), "not-ready", "maintenance"),
    ("disabled from outside", lambda: unit(blocks=[a_string(StrDisRsn=3, StrSt=0), a_string()]), "not-ready", "disabled"),
    ("set to local control", lambda: unit({"LocRemCtl": 1}), "not-ready", "maintenance"),
    ("door open", lambda: unit(event(23)), "not-ready", "door-open"),
    ("too cold", lambda: unit(event(3)), "not-ready", "under-temperature"),
    ("outside the voltage window", lambda: unit(blocks=[a_string(StrConFail=3, **OPEN), a_string()]), "undecided", None),
    ("contactor open and no reason", lambda: unit(blocks=[a_string(**OPEN), a_string()]), "undecided", None),
    ("no controller heartbeat", lambda: unit({"CtrlHb": None}, controller=False), "undecided", None),
    ("no heartbeat of its own", lambda: unit({"Hb": None}, ticks=False), "undecided", None),
    ("its heartbeat stands still", lambda: unit(ticks=False), "undecided", None),
    ("controller still, battery in use", lambda: unit({"State": 3, "A": 120, "ChaSt": 3}, controller=False), "undecided", None),
    ("controller talks, battery disconnected", lambda: unit({"State": 1}, [a_string(**OPEN), a_string(**OPEN)]), "undecided", None),
    ("event word not implemented", lambda: unit({"Evt1": None}), "undecided", None),
    ("top bit of the event word", lambda: unit({"Evt1": 0x80000002}), "undecided", None),
    ("state cannot be read", lambda: unit(hole=[STATE]), "undecided", None),
    ("event word cannot be read", lambda: unit(hole=[BANK_AT + 26, BANK_AT + 27]), "undecided", None),
    ("vendor bit of unknown meaning", lambda: unit({"EvtVnd1": 4}), "undecided", None),
    ("lead acid", lambda: unit({"Typ": 1}), "undecided", None),
    ("chain without an end", lambda: unit(end=b""), "undecided", None),
    ("no model of the strings", lambda: unit(parts=[common(), bank()]), "undecided", None),
]


def golden():
    """The image that was made and re-read with pysunspec2 before the tool knew of such units."""
    text = (HERE.parent.parent / "profiles" / "tests" / "it" / "sunspec_40000.hex").read_text()
    data = bytes.fromhex("".join(text.split()))
    return Image(struct.unpack(f">{len(data) // 2}H", data), 40000)


def one_verdict(job):
    tool, port, unit_address, (name, _, verdict, root) = job
    result, code, said = look(tool, port, unit_address)
    found = result.get("verdict", {}).get("kind", f"exit {code}: {said[-300:]}")
    roots = [f["id"] for f in result.get("findings", []) if f.get("root")]
    if found != verdict:
        why = result.get("verdict", {}).get("why")
        return f"{name}: expected {verdict}, found {found}: {why}"
    if root is not None and root not in roots:
        return f"{name}: expected the root {root}, found {roots}"
    return None


def verdicts(tool):
    cases = [*VERDICTS, ("golden image", golden, "fault", "precharge-failed")]
    server = Server({n: image() for n, (_, image, *_) in enumerate(cases, 1)})
    jobs = [(tool, server.port, n, case) for n, case in enumerate(cases, 1)]
    with ThreadPoolExecutor(len(cases)) as pool:
        wrong = [text for text in pool.map(one_verdict, jobs) if text]
    for text in wrong:
        print(f"  {text}")
    print(f"  {len(cases)} verdicts that must follow, {len(wrong)} wrong")
    return wrong


# ---- hostile chains

def hostile():
    """Name, image, exit codes that are right: an undecided look, or an error that says why there is no map."""
    def of(words, start=40000):
        return Image(words, start)

    sunspec = [0x5375, 0x6E53]
    good = chain([common(), bank(), strings(a_string())])
    short = list(good)
    short[2 + 68 + 1] = 20
    long = list(good)
    long[2 + 68 + 1] = 60000
    into = list(good)
    into[2 + 1] = 30
    inverter = chain([common(), struct.pack(">HH", 103, 50) + bytes(100)])
    rng = __import__("random").Random(7)
    yield "endless models without content", of(sunspec + [7, 0] * 12766), {4}
    yield "endless banks", of(sunspec + (chain([bank()])[2:66]) * 380), {4}
    yield "bank shorter than its points", of(short), {6, 4}
    yield "bank longer than the registers", of(long), {6, 4}
    yield "length that leads into a model", of(into), {6, 4}
    yield "nothing behind the mark", of(sunspec), {4}
    yield "mark and zeros", of(sunspec + [0] * 500), {4}
    yield "mark over and over", of(sunspec * 5000), {4, 6}
    yield "an inverter, no battery", of(inverter), {4}
    yield "strings beyond the end", of(chain([common(), bank(), build(803, {"NStr": 60000})])), {6}
    yield "a module of 60,000 registers", of(chain([common(), bank(), struct.pack(">HH", 805, 20000) + bytes(40000)])), {6, 4}
    for n in range(6):
        words = [w if rng.random() > 0.02 else rng.getrandbits(16) for w in good]
        yield f"damaged {n}", of(sunspec + words[2:]), {0, 1, 4, 5, 6, 9}


def hostile_chains(tool):
    cases = list(hostile())
    server = Server({n: image for n, (_, image, _) in enumerate(cases, 1)})
    wrong = []

    def one(job):
        n, (name, _, codes) = job
        begun = time.monotonic()
        result, code, said = look(tool, server.port, n)
        took = time.monotonic() - begun
        if code not in codes or "panicked" in said:
            return f"{name}: expected an exit of {sorted(codes)}, found {code} after {took:.0f} s: {said[-300:]}"
        return None

    with ThreadPoolExecutor(8) as pool:
        wrong += [text for text in pool.map(one, enumerate(cases, 1)) if text]
    if not server.functions <= {3, 0x11, 0x2B}:
        wrong.append(f"functions sent: {server.functions}")
    for text in wrong:
        print(f"  {text}")
    print(f"  {len(cases)} hostile chains, {len(wrong)} wrong")
    return wrong


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("tool")
    parser.add_argument("--images", type=int, default=1000)
    parser.add_argument("--only", choices=["random", "verdicts", "hostile"])
    args = parser.parse_args()
    wrong = []
    steps = {
        "verdicts": lambda: verdicts(args.tool),
        "hostile": lambda: hostile_chains(args.tool),
        "random": lambda: random_images(args.tool, args.images),
    }
    for name, step in steps.items():
        if args.only in (None, name):
            begun = time.monotonic()
            wrong += step()
            print(f"  {name}: {time.monotonic() - begun:.0f} s")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
