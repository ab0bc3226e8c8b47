"""Files that are none, or not what they should be, given wherever a file is taken."""

import json
import os
import re
import socket

from .base import ANY, LOCAL, PROFILE, USAGE, Group

GROUP = Group("file")

# Where a file is taken: words before it, words after it.
TAKES = {
    "recording": (["check", "--recording"], []),
    "report": (["report"], []),
    "listen-recording": (["listen", "--recording"], []),
    "profile": (["check", "--simulated", "hv-waiting", "--profile"], []),
    "profile-check": (["profile", "check"], []),
    "profile-show": (["profile", "show"], []),
    "scenario": (["check", "--simulated"], []),
    "trace": (["lamp", "--trace"], []),
    "answers": (["visit", "--simulated", "hv-waiting", "--answers"], []),
    "raw": (["listen", "--raw"], []),
}
# What `listen --raw` takes is any bytes at all, and what is asked by name may be a name.
LENIENT = {"raw"}
SUFFIX = {"profile": ".toml", "profile-check": ".toml", "profile-show": ".toml", "scenario": ".toml"}


def fifo(path):
    os.mkfifo(path)


def folder(path):
    path.mkdir()


def dangling(path):
    path.symlink_to("nowhere")


def loop(path):
    path.symlink_to(path.name)


def device(name):
    def make(path):
        path.symlink_to(name)

    return make


def socket_file(path):
    with socket.socket(socket.AF_UNIX) as end:
        # A path of a socket has room for about a hundred bytes.
        place = os.open(path.parent, os.O_RDONLY)
        end.bind(f"/proc/self/fd/{place}/{path.name}")
        os.close(place)


def content(data):
    def make(path):
        path.write_bytes(data() if callable(data) else data)

    return make


def large(byte, megabytes):
    def make(path):
        with open(path, "wb") as file:
            for _ in range(megabytes):
                file.write(byte * (1 << 20))

    return make


HOSTILE = b'\x1b]0;taken\x07\x1b[2J\xe2\x80\xaetluaf\xe2\x81\xa6 = "\x9b31m"\n'
KINDS = {  # name: does, how, slow, lasts
    "fifo": ("a FIFO that nobody writes to", fifo, False),
    "folder": ("a folder", folder, False),
    "dangling-link": ("a link to nothing", dangling, False),
    "link-to-itself": ("a link to itself", loop, False),
    "dev-zero": ("a link to /dev/zero, which never ends", device("/dev/zero"), False),
    "dev-null": ("a link to /dev/null", device("/dev/null"), False),
    "dev-tty": ("a link to /dev/tty, without a terminal", device("/dev/tty"), True),
    "socket": ("a socket", socket_file, False),
    "process-memory": ("a link to /proc/self/mem", device("/proc/self/mem"), True),
    "empty": ("nothing in it", content(b""), False),
    "zeros": ("1 MB of zero bytes", large(b"\0", 1), False),
    "one-line-1-MB": ("one line of 1 MB", large(b"a", 1), False),
    "one-line-200-MB": ("one line of 200 MB", large(b"a", 200), True),
    "lines-100-kB": ("lines of 100 kB", content((b"x" * 100_000 + b"\n") * 8), False),
    "hostile-text": ("escape sequences and direction changes", content(HOSTILE * 3), False),
    "not-utf-8": ("bytes that are no UTF-8", content(bytes(range(128, 256)) * 8), False),
    "utf-16": ("UTF-16 with its mark", content("format = 1\n".encode("utf-16") * 4), False),
    "brackets": ("100,000 opening brackets", content(b"a = " + b"[" * 100_000), False),
    "tables": ("a name of 20,000 parts", content(b"[" + b"a." * 20_000 + b"a]\n"), False),
    "many-keys": ("100,000 unknown keys", content(lambda: b"".join(b"k%d = %d\n" % (n, n) for n in range(100_000))), True),
    "many-mistakes": ("20,000 lines that make no sense", content(b"?!\n" * 20_000), False),
}


def given(take, kind, make):
    def attack(t):
        path = t.folder / (kind + SUFFIX.get(take, ".txt"))
        make(path)
        before, after = TAKES[take]
        exits = ANY if take in LENIENT else {LOCAL, USAGE}
        # Whatever may come through a pipe is worth a wait, as long as it can be ended.
        endless = take == "raw" and kind in ("dev-zero", "fifo")
        ran = t.tool(
            *before,
            path,
            *after,
            exits=exits | ({130} if endless else set()),
            interrupt=endless,
            seconds=8,
            megabytes=128,
            most=32 * 1024,
        )
        if exits == {LOCAL, USAGE} and ran.code == LOCAL and take != "profile-check":
            t.error_shape(ran)

    return attack


for take in TAKES:
    for kind, (does, make, slow) in KINDS.items():
        rare = take in ("listen-recording", "profile-show", "profile") and kind not in ("fifo", "dev-zero", "hostile-text")
        rare = (
            rare
            or kind in ("dangling-link", "link-to-itself", "socket", "zeros", "utf-16", "empty", "dev-null")
            and take != "recording"
        )
        GROUP.add(
            f"{take}-{kind}",
            f"{' '.join(TAKES[take][0])} FILE, the file being {does}",
            (
                "4 in 8 s and 128 MB, an error that says where, nothing echoed whole"
                if take not in LENIENT
                else "any documented exit in 8 s and 128 MB"
            ),
            given(take, kind, make),
            slow=slow or rare,
            weight=4 if "200" in kind else 1,
        )


# ---- maps


def shipped_map(t):
    return (t.bench.root / "profiles/maps" / (PROFILE + ".toml")).read_text()


def changed_map(change, exits, seconds=8):
    def attack(t):
        path = t.file("own.toml", change(shipped_map(t)))
        bounds = {"seconds": seconds, "megabytes": 128}
        ran = t.tool("profile", "check", path, exits=exits, most=64 * 1024, **bounds)
        if ran.code == LOCAL:
            t.expect(ran.out.strip() or ran.err.strip(), "expected the mistakes to be told, found nothing said")
        refused = exits == {LOCAL}
        t.tool("check", "--simulated", "hv-waiting", "--profile", path, exits=exits if refused else ANY, **bounds)
        t.tool("profile", "show", path, exits=exits if refused else {0, LOCAL}, most=1 << 20, **bounds)

    return attack


def with_id(name):
    return lambda text: text.replace('id = "generic-hv-stack"', f"id = {name}", 1)


IDS = {
    "a-million-characters": '"' + "x" * 1_000_000 + '"',
    "climbs": '"../../etc/passwd"',
    "absolute": '"/etc/passwd"',
    "empty": '""',
    "blank": '" "',
    "escape": '"\\u001b[2Jx"',
    "bell": '"x\\u0007"',
    "direction": '"x\\u202ey"',
    "isolate": '"\\u2066x"',
    "newline": '"a\\nb"',
    "zero": '"a\\u0000b"',
    "dots": '".."',
    "backslash": '"a\\\\b"',
    "dash-first": '"--help"',
    "spaces": '"a b"',
    "quote": '"a\\"b"',
    "percent": '"%s%n"',
}
for name, value in IDS.items():
    GROUP.add(
        f"map-id-{name}",
        f"a map whose id is {value[:40]}",
        "4: refused, plainly said, nothing echoed whole",
        changed_map(with_id(value), {LOCAL}),
        slow=name in ("blank", "percent", "quote"),
    )

TEXTS = {
    "title": "Generic high-voltage stack, 2 to 6 modules in series (invented)",
    "document": "Invented register list for the demo, chapter 2",
    "author": "the packside founders",
    "notes": "Control unit at the base. Every register is made up.",
    "meaning": "a cell is above its limit",
    "do": None,
    "name": "Clock of the control unit",
    "state-name": "waiting for inverter",
    "unit": "Ah",
    "revision": "C",
}


def hostile_map(was, becomes):
    def attack(t):
        text = shipped_map(t)
        # Advice is reworded more often than anything else: the first that stands there.
        there = was or re.search('^do = "(.*)"$', text, re.M).group(1)
        t.expect(f'"{there}"' in text, f"the shipped map lacks {there!r}")
        path = t.file("own.toml", text.replace(f'"{there}"', f'"{becomes}"', 1))
        for command in (
            ["profile", "check", path],
            ["profile", "show", path],
            ["profile", "explain", path, "cell-high"],
            ["check", "--simulated", "hv-waiting", "--profile", path, "--explain"],
            ["check", "--simulated", "hv-cell-high-no-flag", "--profile", path, "--format", "json"],
            ["visit", "--simulated", "hv-waiting", "--profile", path, "--print-answers"],
            ["lamp", "--seen", "steady", "--profile", path],
        ):
            t.tool(*command)
        record = t.folder / "a.visit.jsonl"
        t.tool("check", "--simulated", "hv-fault-behind-lamp", "--profile", path, "--record", record)
        if record.exists():
            t.tool("report", record, "-o", t.folder / "p.html")
            page = t.folder / "p.html"
            if page.exists():
                t.plain("page", page.read_bytes())
                t.expect(b"<img src" not in page.read_bytes(), "page: expected no foreign element, found one")
        t.tool("retest", t.folder, "--junit", t.folder / "j.xml", exits=ANY)

    return attack


for name, was in TEXTS.items():
    GROUP.add(
        f"map-text-{name}",
        f"a map whose {name} is full of escape sequences, direction changes and tags",
        "plain text in every output",
        hostile_map(was, "\\u001b]0;taken\\u0007\\u001b[2J\\u202etluaf\\u2066\\u009b31m<img src=x>\\r\\u0008"),
        weight=3,
    )

MAPS = {
    "twenty-thousand-mistakes": (
        "20,000 points with a mistake each",
        lambda s: s
        + "".join(
            f'\n[[point]]\nid = "x{n}"\nrole = "invented"\ntable = "nowhere"\naddress = -1\ntype = "u99"\n' for n in range(20_000)
        ),
        {LOCAL},
    ),
    "twenty-thousand-points": (
        "20,000 points at one address",
        lambda s: s
        + "".join(
            f'\n[[point]]\nid = "x{n}"\nrole = "other"\ntable = "input"\naddress = 28\ntype = "u16"\n' for n in range(20_000)
        ),
        {0, LOCAL},
    ),
    "twenty-thousand-flags": (
        "20,000 flags of one bit",
        lambda s: s
        + "".join(
            f'\n[[flag]]\nid = "f{n}"\npoint = "alarm_1"\nbit = 0\nclass = "cell-imbalance"\nseverity = "alarm"\n'
            f'lies_in = "module"\nclears = "self"\n'
            f'meaning = "m"\ndo = "d"\n'
            for n in range(20_000)
        ),
        {LOCAL},
    ),
    "repeat-of-billions": (
        "a point that repeats four billion times",
        lambda s: s.replace("repeat = { count = 30,", "repeat = { count = 4000000000,"),
        {LOCAL},
    ),
    "repeat-of-65535": (
        "a point that repeats 65,535 times",
        lambda s: s.replace("repeat = { count = 30,", "repeat = { count = 65535,"),
        {LOCAL},
    ),
    "members-of-255": ("255 modules of 48 registers", lambda s: s.replace("at_most = 6", "at_most = 255"), {LOCAL}),
    "address-past-the-end": ("an address of 65,536", lambda s: s.replace("address = 28\n", "address = 65536\n"), {LOCAL}),
    "address-negative": ("an address of -1", lambda s: s.replace("address = 28\n", "address = -1\n"), {LOCAL}),
    "span-of-everything": ("a span of all registers", lambda s: s.replace("to = 29\n", "to = 65535\n"), {0, LOCAL}),
    "span-backwards": (
        "a span that ends before it begins",
        lambda s: s.replace("from = 0\nto = 29", "from = 29\nto = 0"),
        {LOCAL},
    ),
    "scale-nan": ("a scale that is no number", lambda s: s.replace("scale = 0.1", "scale = nan", 1), {LOCAL}),
    "scale-infinite": ("an infinite scale", lambda s: s.replace("scale = 0.1", "scale = inf", 1), {LOCAL}),
    "scale-zero": ("a scale of 0", lambda s: s.replace("scale = 0.001", "scale = 0.0", 1), {LOCAL}),
    "limit-nan": ("a limit that is no number", lambda s: s.replace("alarm_below = 2.8", "alarm_below = nan"), {LOCAL}),
    "limit-infinite": ("an infinite limit", lambda s: s.replace("alarm_above = 3.65", "alarm_above = inf"), {LOCAL}),
    "offset-1e308": ("an offset of 1e308", lambda s: s.replace("offset = -40", "offset = 1e308"), {0, LOCAL}),
    "time-out-0": ("a time-out of 0", lambda s: s.replace("time_out_ms = 600", "time_out_ms = 0"), {LOCAL}),
    "time-out-of-days": ("a time-out of 50 days", lambda s: s.replace("time_out_ms = 600", "time_out_ms = 4294967295"), {LOCAL}),
    "writes": (
        "a map that says its unit understands 06 and 16",
        lambda s: s.replace("functions = [3, 4, 8]", "functions = [3, 4, 6, 16]"),
        {LOCAL},
    ),
    "same-id-twice": ("every id twice", lambda s: s + s[s.index("[[point]]") : s.index("# ---- modules")], {LOCAL}),
    "comment-of-20-MB": ("a remark of 20 MB", lambda s: s + "#" + "x" * 20_000_000, {0, LOCAL}),
    "string-of-20-MB": ("notes of 20 MB", lambda s: s.replace("Control unit at the base.", "N" * 20_000_000), {LOCAL}),
    "format-2000": ("format 2000", lambda s: s.replace("format = 1", "format = 2000", 1), {LOCAL}),
    "crlf": ("line ends of another system", lambda s: s.replace("\n", "\r\n"), {0}),
    "byte-order-mark": ("a byte order mark in front", lambda s: "\ufeff" + s, {0, LOCAL}),
    "empty-lists": ("no span at all", lambda s: s.replace("[[span]]", "[[clears_when_read]]"), {LOCAL}),
}
for name, (does, change, exits) in MAPS.items():
    GROUP.add(
        f"map-{name}",
        f"a map with {does}",
        ("4, said at its place" if exits == {LOCAL} else "taken or refused") + ", in 8 s and 128 MB",
        changed_map(change, exits),
        weight=4 if "twenty" in name or "20" in name else 1,
    )


# ---- scenarios, lamps, answers, places, folders

SCENARIOS = {
    "modules-of-billions": ("modules", "4000000000"),
    "modules-negative": ("modules", "-1"),
    "seed-huge": ("seed", "1e400"),
    "at-nan": ("at", "nan"),
    "at-forever": ("at", '"99999999999999999999s"'),
    "profile-climbs": ("profile", '"../../etc/passwd"'),
}


def changed_scenario(key, value):
    def attack(t):
        text = (t.bench.root / "simulator/scenarios/hv-waiting.toml").read_text()
        lines, found = [], False
        for line in text.splitlines():
            if not found and line.split("=")[0].strip() == key:
                line, found = f"{key} = {value}", True
            lines.append(line)
        path = t.file("own.toml", "\n".join(lines if found else [f"{key} = {value}", *lines]) + "\n")
        for command in (
            ["check", "--simulated", path],
            ["retest", t.folder],
            ["visit", "--simulated", path, "--print-answers"],
            ["find", "--simulated", path],
        ):
            t.tool(*command, exits=ANY, seconds=10, megabytes=128)

    return attack


for name, (key, value) in SCENARIOS.items():
    GROUP.add(
        f"scenario-{name}",
        f"a scenario with {key} = {value}",
        "taken or refused (4), in 10 s and 128 MB",
        changed_scenario(key, value),
    )

TRACES = {
    "not-a-number": b"0,1\nnan,2\n0.1,inf\n",
    "backwards": b"9,1\n8,2\n7,3\n",
    "all-alike": b"0,5\n" * 20,
    "exponents": b"1e308,1e308\n-1e308,-1e308\n",
    "million-points": b"".join(b"%d.%02d,%d\n" % (n // 100, n % 100, n % 2) for n in range(1_000_000)),
    "semicolons": b"0;1;2;3\n",
    "hostile-head": b"\x1b[2J\xe2\x80\xae,level\n0,1\n\x1b]0;x\x07,2\n",
    "no-newline": b"0,1",
    "long-number": b"0," + b"9" * 100_000 + b"\n",
    "commas": b"," * 100_000,
    "zero-steps": b"0,1\n0,0\n" * 1000,
    "lone-cr": b"0,1\r1,0\r2,1\r",
}
for name, data in TRACES.items():

    def act(t, data=data):
        t.tool("lamp", "--trace", t.file("trace.csv", data), exits={0, LOCAL, 6, 3}, seconds=10, megabytes=160, most=32 * 1024)
        t.tool("lamp", "--trace", "-", stdin=data, exits={0, LOCAL, 6, 3}, seconds=10, megabytes=160, most=32 * 1024)

    GROUP.add(
        f"trace-{name}",
        f"a brightness trace: {ascii(data[:30])}",
        "an answer or 4 in 10 s and 160 MB, plain text",
        act,
        weight=3 if len(data) > 10**6 else 1,
    )

HOSTILE_TOML = '"\\u001b]0;taken\\u0007\\u202e\\u2066\\u009bx"'
ANSWERS = {
    "hostile-words": f"format = 1\n[answers]\nwho = {HOSTILE_TOML}\nwhere = {HOSTILE_TOML}\n",
    "unknown-steps": f"format = 1\n[answers]\n{HOSTILE_TOML} = true\n",
    "long-words": 'format = 1\n[answers]\nwho = "' + "w" * 1_000_000 + '"\n',
    "numbers": "format = 1\n[answers]\nambient-temperature = nan\nstored-days = -1e308\n",
    "note": f'format = 1\n[answers]\nsite = {{ answer = "no", note = {HOSTILE_TOML} }}\n',
    "skip": f"format = 1\n[answers]\ncable = {{ skip = {HOSTILE_TOML} }}\n",
    "photos-climb": 'format = 1\n[answers]\nwho = "x"\n[photos]\nnameplates = ["../../../../etc/passwd", "/dev/zero", "nowhere"]\n',
    "photo-fifo": 'format = 1\n[answers]\nwho = "x"\n[photos]\nnameplates = ["pipe"]\n',
    "format-2": "format = 2\n[answers]\n",
    "lamps": f"format = 1\n[answers]\nlamps-alone = {HOSTILE_TOML}\n",
    "hostile-photo-name": f"format = 1\n[answers]\n[photos]\nnameplates = [{HOSTILE_TOML}]\n",
    "types": "format = 1\n[answers]\nwho = 1\nsite = [1]\nearth = 2026-11-25\n",
}
for name, text in ANSWERS.items():

    def act(t, text=text):
        os.mkfifo(t.folder / "pipe")
        record = t.folder / "a.visit.jsonl"
        ran = t.tool(
            "visit",
            "--simulated",
            "hv-commissioning",
            "--answers",
            t.file("answers.toml", text),
            "--record",
            record,
            exits=ANY,
            seconds=10,
            megabytes=128,
        )
        if ran.code not in (LOCAL, USAGE) and record.exists():
            t.tool("report", record, "-o", t.folder / "p.html", exits=ANY - {LOCAL, USAGE})
            t.plain("page", (t.folder / "p.html").read_bytes())

    GROUP.add(
        f"answers-{name}",
        f"an answers file: {ascii(text[:60])}",
        "taken or refused in 10 s, plain text, a page if recorded",
        act,
        weight=2,
    )

PLACES = {
    "hostile-gateway": f"format = 1\nunit = 1\ngateway = {HOSTILE_TOML}\n",
    "hostile-serial": f"format = 1\nunit = 1\nserial = {HOSTILE_TOML}\n",
    "unit-999": 'format = 1\nunit = 999\ngateway = "127.0.0.1:1"\n',
    "both": 'format = 1\nunit = 1\ngateway = "127.0.0.1:1"\nserial = "/dev/null"\n',
    "neither": "format = 1\nunit = 1\n",
    "profile-climbs": 'format = 1\nunit = 1\ngateway = "127.0.0.1:1"\nprofile = "../../../etc/passwd"\n',
    "format-9": 'format = 9\nunit = 1\ngateway = "127.0.0.1:1"\n',
    "nonsense": "\x1b[2J\u202e",
    "empty": "",
    "line-nonsense": f'format = 1\nunit = 1\nserial = "/dev/null"\nline = {HOSTILE_TOML}\n',
}
for name, text in PLACES.items():

    def act(t, text=text):
        t.file("config/places/cellar.toml", text)
        for command in ("check", "find", "watch", "listen"):
            more = [] if command == "listen" else ["--listen-first", "0", *t.consents(command)]
            more += ["--seconds", "1"] if command in ("watch", "listen") else []
            t.tool(command, "--at", "cellar", "--config", t.folder / "config", *more, exits={USAGE, LOCAL, 3}, seconds=20)

    GROUP.add(f"place-{name}", f"a saved place that says {ascii(text[:60])}", "2, 3 or 4, plain text", act)

for name in ("fifo", "folder", "dangling-link", "dev-zero", "one-line-1-MB", "hostile-text"):

    def act(t, make=KINDS[name][1]):
        (t.folder / "config/places").mkdir(parents=True)
        (t.folder / "config/profiles").mkdir()
        make(t.folder / "config/places/cellar.toml")
        make(t.folder / "config/profiles/own.toml")
        t.tool(
            "check", "--at", "cellar", "--config", t.folder / "config", exits={LOCAL}, seconds=8, megabytes=128, most=32 * 1024
        )
        t.tool("profile", "list", "--config", t.folder / "config", exits={0, LOCAL}, seconds=8, megabytes=128, most=32 * 1024)
        t.tool(
            "check",
            "--simulated",
            "hv-waiting",
            "--config",
            t.folder / "config",
            exits={5},
            seconds=8,
            megabytes=128,
            most=32 * 1024,
        )

    GROUP.add(
        f"config-{name}",
        f"a config folder whose files are each {KINDS[name][0]}",
        "4 where it is asked for, the shipped maps work all the same",
        act,
    )

NAMES = {
    "escape": b"\x1b]0;taken\x07.visit.jsonl",
    "direction": "\u202etluaf\u2066.visit.jsonl".encode(),
    "not-utf-8": b"\xff\xfe\x9b31m.visit.jsonl",
    "newline": b"a\nerror: b.visit.jsonl",
    "dash": b"--help.visit.jsonl",
    "quote": b"a'b\"c.visit.jsonl",
    "longest": b"n" * 243 + b".visit.jsonl",
}
for name, raw in NAMES.items():

    def act(t, raw=raw):
        place = t.folder / "r"
        place.mkdir()
        path = os.path.join(os.fsencode(place), raw)
        with open(path, "wb") as file:
            file.write(t.bench.visits[0].read_bytes())
        for command in (["report"], ["report", "--verify"], ["check", "--recording"], ["report", "--format", "json"]):
            t.tool(*command, path, exits=ANY - {LOCAL} if raw[:1] != b"\xff" else ANY)
        t.tool("retest", place, "--junit", t.folder / "j.xml", exits=ANY)
        if (t.folder / "j.xml").exists():
            t.plain("junit", (t.folder / "j.xml").read_bytes())
        record = os.path.join(os.fsencode(place), b"new" + raw)[: len(os.fsencode(place)) + 250]
        t.tool("check", "--simulated", "hv-waiting", "--record", record, exits={5, USAGE, LOCAL})

    GROUP.add(
        f"name-{name}", f"recordings called {raw[:40]!r}", "works or is refused; plain text everywhere, JUnit included", act
    )


# What a program that reads the output gets where there is trouble (kind: derived, from the documented command line).
JSON_ERRORS = {
    "check-recording": ["check", "--recording", "FILE"],
    "check-scenario": ["check", "--simulated", "FILE"],
    "check-map": ["check", "--simulated", "hv-waiting", "--profile", "FILE"],
    "check-port": ["check", "--serial", "/dev/null", "--profile", PROFILE],
    "check-gateway": ["check", "--gateway", "127.0.0.1:1", "--profile", PROFILE],
    "watch-recording": ["watch", "--recording", "FILE"],
    "watch-gateway": ["watch", "--gateway", "127.0.0.1:1", "--profile", PROFILE, "--seconds", "2"],
    "listen-recording": ["listen", "--recording", "FILE"],
    "listen-port": ["listen", "--serial", "/dev/null"],
    "find-port": ["find", "--serial", "/dev/null", "--listen-first", "0"],
    "find-gateway": ["find", "--gateway", "127.0.0.1:1", "--listen-first", "0"],
    "report": ["report", "FILE"],
    "retest": ["retest", "FILE"],
    "profile-check": ["profile", "check", "FILE"],
    "lamp": ["lamp", "--trace", "FILE"],
    "visit": ["visit", "--simulated", "hv-waiting", "--answers", "FILE"],
}


def json_error(words):
    def attack(t):
        path = t.file("x\u202e\x07.toml", HOSTILE)
        consents = t.consents(words[0]) if {"--serial", "--gateway"} & set(words) and words[0] != "listen" else []
        words_here = [path if word == "FILE" else word for word in words]
        # What is no port at all was given by mistake: nothing of this computer is missing, busy or forbidden.
        exits = {USAGE} if "--serial" in words else {3, LOCAL}
        ran = t.tool(*words_here, "--format", "json", *consents, exits=exits, seconds=15, interrupt=True)
        try:
            objects = [json.loads(line) for line in ran.out.decode().splitlines() if line.strip()]
        except ValueError as error:
            t.expect(False, f"stdout: expected JSON, found {error}")
        else:
            t.expect(objects and all(isinstance(thing, dict) for thing in objects), "stdout: expected an object, found none")

    return attack


for name, words in JSON_ERRORS.items():
    GROUP.add(
        f"json-{name}",
        f"{' '.join(words)} --format json, where FILE is hostile",
        "2 where it is no port, else 3 or 4; one JSON object a line on stdout",
        json_error(words),
    )
