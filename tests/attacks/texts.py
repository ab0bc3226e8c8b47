"""Hostile words in the place of names: what a unit says of itself, and what somebody types."""

from .base import ANY, BUS, LOCAL, PROFILE, UNDECIDED, USAGE, WAITING, Group
from .servers import Server, Unit, polite

GROUP = Group("text")

# Kind: invented, but for what a terminal makes of them (published: ECMA-48; UAX 9).
BYTES = {
    "escape": b"\x1b[2J\x1b[31mX",
    "title": b"\x1b]0;taken\x07",
    "bell": b"A\x07B",
    "back": b"A\x08\x08\x08B",
    "return": b"AB\rFAULT",
    "lines": b"A\n\nerror: B",
    "direction": b"\xe2\x80\xaetluaf",
    "isolate": b"\xe2\x81\xa6x\xe2\x81\xa9",
    "mark": b"\xd8\x9cA\xe2\x80\x8f",
    "eight-bit-control": b"\x9b31mX",
    "utf-8-control": b"\xc2\x9b31mX",
    "not-utf-8": b"\xff\xfe\xfd\xfc",
    "zeros": b"A\0B\0C",
    "delete": b"A\x7f\x7fB",
    "shift": b"\x0eABC\x0f",
    "tag": b"<img src=x>",
    "quote": b"\"'><b>&amp;",
    "braces": b"{}{0}%s%n",
    "device": b"\x1bP1$r\x1b\\",
    "keys": b"\x1b[6n\x1b[c",
    "path": b"../../etc/x",
    "blank": b" " * 16,
    "combining": "a\u0301\u0301\u0301\u0301\u0301".encode(),
}
# Where a unit says something of itself.
PLACES = ("serial", "model", "firmware", "module")


def on_the_wire(place, data):
    def attack(t):
        server = t.keep(Server(polite, Unit(**{place: data})))
        record = t.folder / "a.visit.jsonl"
        words = ["check", "--gateway", server.address, "--profile", PROFILE, *t.consents("check")]
        t.tool(*words, "--record", record, exits={WAITING, UNDECIDED})
        t.tool(*words, "--format", "json", exits={WAITING, UNDECIDED})
        t.tool(*words, "--color", "always", colour=True, exits={WAITING, UNDECIDED})
        t.opens(record, sealed=True)
        t.tool("report", record, "-o", t.folder / "page.html")
        page = t.folder / "page.html"
        if t.expect(page.exists(), "expected a page, found none"):
            t.plain("page", page.read_bytes())
            t.expect(b"<img src=x" not in page.read_bytes(), "page: expected no foreign element, found one")
        t.tool("retest", t.folder, "--junit", t.folder / "j.xml", exits=ANY)
        if (t.folder / "j.xml").exists():
            t.plain("junit", (t.folder / "j.xml").read_bytes())

    return attack


for place in PLACES:
    for name, data in BYTES.items():
        common = (
            name
            in {
                "serial": ("escape", "title", "lines", "direction", "zeros", "tag", "blank"),
                "module": ("escape", "isolate"),
                "model": ("eight-bit-control", "quote"),
                "firmware": ("return", "not-utf-8"),
            }[place]
        )
        GROUP.add(
            f"unit-{place}-{name}",
            f"a unit whose {place} is {data!r}",
            "a verdict; plain text on screen, in JSON, page and JUnit",
            on_the_wire(place, data),
            slow=not common,
            weight=12,
        )


def identity(way, data):
    def attack(t):
        said = (data * 6)[:70] or b"-"
        server = t.keep(Server(polite, Unit(mark=4711, objects=(said, said, said)), pty=way == "pty"))
        where = ["--serial", server.address, "--line", "9600-8N1"] if way == "pty" else ["--gateway", server.address]
        words = ["find", *where, "--listen-first", "0", *t.consents("find"), "--only", "1"]
        t.tool(*words, exits={0}, seconds=20, interrupt=True)
        t.tool(*words, "--format", "json", exits={0}, seconds=20, interrupt=True)

    return attack


for way in ("tcp", "pty"):
    for name, data in BYTES.items():
        common = (way == "pty") == (name in ("title", "direction", "keys", "zeros"))
        GROUP.add(
            f"identity-{way}-{name}",
            f"find over {way}: a unit whose identity (2B and 11) repeats {data!r}",
            "0, found; plain text on screen and in JSON",
            identity(way, data),
            slow=not common,
            weight=8,
        )


TYPED = {
    "escape": "\x1b[2J\x1b[31mX",
    "title": "\x1b]0;taken\x07",
    "direction": "\u202etluaf",
    "isolate": "\u2066x\u2069",
    "eight-bit-control": "\u009b31mX",
    "not-utf-8": "\udcff\udc9b31m",
    "return": "A\rB",
    "lines": "a\nerror: b",
    "long": "n" * 100_000,
    "braces": "{}%s",
    "empty": "",
    "combining": "a" + "\u0301" * 5000,
    "path": "../../../etc/passwd",
}
# Where somebody types something that may come back in an error; `@` is where.
ECHOES = {
    "command": ["@"],
    "option": ["--@"],
    "value": ["check", "--@=1"],
    "profile": ["check", "--simulated", "hv-waiting", "--profile", "@"],
    "scenario": ["check", "--simulated", "@"],
    "serial": ["check", "--serial", "@", "--profile", PROFILE],
    "gateway": ["check", "--gateway", "@", "--profile", PROFILE],
    "line": ["check", "--serial", "/dev/null", "--line", "@"],
    "place": ["check", "--at", "@"],
    "recording": ["check", "--recording", "@"],
    "report": ["report", "@"],
    "retest": ["retest", "@"],
    "show": ["profile", "show", "@"],
    "explain-map": ["profile", "explain", PROFILE, "@"],
    "explain": ["check", "--explain=@"],
    "seen": ["lamp", "--seen", "@"],
    "lamp": ["lamp", "--seen", "steady", "--profile", PROFILE, "--lamp", "@"],
    "trace": ["lamp", "--trace", "@"],
    "sighting": ["check", "--simulated", "hv-waiting", "--lamp", "@"],
    "answers": ["visit", "--simulated", "hv-waiting", "--answers", "@"],
    "save": ["find", "--simulated", "hv-waiting", "--save", "@"],
    "config": ["profile", "list", "--config", "@"],
    "format": ["check", "--format", "@"],
    "raw": ["listen", "--raw", "@"],
    "record": ["check", "--simulated", "hv-waiting", "--record", "@"],
    "output": ["report", "VISIT", "-o", "@"],
    "junit": ["retest", "CASES", "--junit", "@"],
    "moment": ["check", "--recording", "VISIT", "--moment", "@"],
}


def echoed(template):
    def attack(t):
        visit = t.bench.visits[0]
        cases = t.file("cases/a.visit.jsonl", visit.read_bytes()).parent
        for value in TYPED.values():
            known = {"VISIT": str(visit), "CASES": str(cases)}
            words = [known.get(word) or word.replace("@", value) for word in template]
            t.tool(*[word.encode("utf-8", "surrogateescape") for word in words], exits=ANY, seconds=20, most=16 * 1024)

    return attack


for name, template in ECHOES.items():
    GROUP.add(
        f"typed-{name}",
        f"hostile words at @: {' '.join(template)}",
        "plain text, at most 16 kB on stderr, never echoed whole",
        echoed(template),
        weight=30,
    )


@GROUP.attack("echoes-with-colour", "hostile words echoed with --color always", "no control byte but the program's own colours")
def _(t):
    for value in ("\x1b[2JX", "\x1b]0;t\x07", "\x1b[31mRED"):
        for words in (["check", "--simulated", value], ["report", value], ["lamp", "--seen", value], ["profile", "show", value]):
            ran = t.tool(*words, "--color", "always", colour=True, exits={USAGE, LOCAL})
            t.expect(b"\x1b[31mRED" not in ran.out + ran.err, "expected no colour of others, found one")


@GROUP.attack("identity-full", "find: an identity of the greatest length the standard allows", "0, found", weight=5)
def _(t):
    server = t.keep(Server(polite, Unit(mark=4711, objects=(b"A" * 74, b"B" * 74, b"C" * 74))))
    t.tool(
        "find",
        "--gateway",
        server.address,
        "--listen-first",
        "0",
        *t.consents("find"),
        "--only",
        "1",
        exits={0, BUS},
        seconds=20,
        interrupt=True,
    )
