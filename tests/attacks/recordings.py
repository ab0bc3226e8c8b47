"""Recordings that were cut, changed, mailed, or forged with a chain that fits."""

import json
import os
import random
import re

from . import forge
from .base import ANY, DIFFERS, LOCAL, USAGE, Group

GROUP = Group("recording")
READS = ANY - {USAGE}
OPENS = ANY - {USAGE, LOCAL}


def shipped(t, part="fault-behind"):
    return next(path for path in t.bench.visits if part in path.name)


def opened_each_way(t, path, exits, **rest):
    """As a page, judged again, told again: none may break."""
    t.tool("report", path, "-o", t.folder / f"page{t.number}.html", exits=exits, **rest)
    t.tool("check", "--recording", path, exits=exits, **rest)
    t.tool("watch", "--recording", path, exits=exits, **rest)
    t.tool("listen", "--recording", path, exits=exits, **rest)
    for page in t.folder.glob("page*.html"):
        t.plain(page.name, page.read_bytes())


def cut_at(share):
    # Of a header alone there is nothing to tell.
    exits = OPENS if share else READS

    def attack(t):
        content = shipped(t).read_bytes()
        header = content.index(b"\n") + 1
        at = header + int((len(content) - header - 1) * share)
        path = t.file("a.visit.jsonl", content[:at])
        ran = t.tool("report", path, "--format", "json", exits=exits)
        t.tool("check", "--recording", path, exits=exits)
        t.tool("report", "--verify", path, exits=exits)
        t.expect(ran.err.strip() or b"seal" in ran.out, "expected it to be said that the end is missing, found nothing said")

    return attack


for number in range(24):
    share = number / 23
    GROUP.add(
        f"cut-at-{number:02}",
        f"a recording cut at {share:.0%} behind its header",
        "opens with what is left, and says so",
        cut_at(share),
        slow=number % 3 == 1,
    )


def cut_in_header(at):
    def attack(t):
        path = t.file("a.visit.jsonl", shipped(t).read_bytes()[:at])
        for command in (["report", path], ["check", "--recording", path]):
            t.error_shape(t.tool(*command, exits={LOCAL}))
        t.tool("retest", t.folder, exits={LOCAL, DIFFERS})

    return attack


for at in (0, 1, 2, 17, 1000, 20000):
    GROUP.add(
        f"header-cut-at-{at}",
        f"a recording of which {at} bytes are left, within its first line",
        "4, an error that names it, no echo of its line",
        cut_in_header(at),
    )


def turned_bit(share, bit):
    def attack(t):
        content = bytearray(shipped(t).read_bytes())
        header = content.index(b"\n") + 1
        at = header + int((len(content) - header - 200) * share)
        content[at] ^= 1 << bit
        line = content[:at].count(b"\n") + 1
        path = t.file("a.visit.jsonl", bytes(content))
        ran = t.tool("report", path, "-o", t.folder / "page.html", exits=OPENS)
        t.expect(
            (f"line {line}" in ran.text) or (f"line {line + 1}" in ran.text),
            f"expected line {line} to be named, found {ascii(ran.text[-200:])}",
        )
        t.expect((t.folder / "page.html").exists(), "expected a page of what stands before the break, found none")
        t.tool("report", "--verify", path, exits={DIFFERS})
        t.tool("check", "--recording", path, exits=OPENS)

    return attack


for number in range(16):
    share, bit = (number + 0.5) / 16, number % 7
    GROUP.add(
        f"bit-turned-{number:02}",
        f"bit {bit} turned at {share:.0%} of a sealed recording",
        "opens up to the break, names its line, never passes --verify (7)",
        turned_bit(share, bit),
        slow=number % 2 == 1,
    )


def mailed(change, word):
    def attack(t):
        path = t.file("a.visit.jsonl", change(shipped(t).read_bytes()))
        ran = t.tool("report", path, "-o", t.folder / "page.html", exits=ANY)
        t.expect("line 1 was changed" not in ran.text, 'expected the cause to be named, found "line 1 was changed"')
        t.expect(re.search(word, ran.text, re.I), f"expected it to name {word!r}, found {ascii(ran.text[-160:])}")

    return attack


GROUP.add(
    "crlf",
    "a recording whose line ends a mail program has changed",
    "recognised and named: line ends",
    mailed(lambda c: c.replace(b"\n", b"\r\n"), "line.?end|CRLF|carriage return"),
)
GROUP.add(
    "byte-order-mark",
    "a recording with a byte order mark in front",
    "recognised and named: byte order mark",
    mailed(lambda c: b"\xef\xbb\xbf" + c, "byte.?order.?mark|BOM"),
)


def changed(change, exits, *, verify=None):
    def attack(t):
        lines = change(t, forge.lines_of(shipped(t)))
        path = t.file("a.visit.jsonl", forge.whole(lines) if isinstance(lines, list) else lines)
        opened_each_way(t, path, exits, seconds=30)
        if verify is not None:
            t.tool("report", "--verify", path, exits=verify)

    return attack


def forged(name, does, change, exits=READS, expect="any documented exit, no panic, plain text", **rest):
    verify = rest.pop("verify", None)
    GROUP.add(name, does, expect, changed(change, exits, verify=verify), **rest)


# Kinds of line that the shipped recordings lack (kind: derived, from the format).
EXTRA = {
    "mark": b'{"type":"mark","at_ns":60000000000,"name":"m"}',
    "sighting": b'{"type":"sighting","at_ns":60000000000,"lamp":"fault","pattern":"3 flashes, pause"}',
    "photo": b'{"type":"photo","at_ns":60000000000,"step":"nameplates","file":"plate.jpg","sha256":"00"}',
    "lost": b'{"type":"lost","at_ns":60000000000,"why":"w"}',
    "clock": b'{"type":"clock","at_ns":60000000000,"utc":"2026-11-25T16:15:55.845Z"}',
}


def within(*new):
    """Lines put into the middle."""
    return lambda t, lines: [*lines[:50], *new, *lines[50:]]


def at_the_end(*new):
    """Lines put before the seal."""
    return lambda t, lines: [*lines[:-1], *new, *lines[-1:]]


def each(member, value):
    """Another value in every line that has this member."""
    mark = b'"%s":' % member.encode()

    def change(_, lines):
        other = value if callable(value) else lambda number: value
        return [forge.with_value(line, (member,), other(n)) if mark in line else line for n, line in enumerate(lines)]

    return change


def without(kind):
    return lambda t, lines: [line for line in lines if b'"type":"%s"' % kind not in line]


def in_the_header(path, value):
    return lambda t, lines: [forge.with_value(lines[0], path, value), *lines[1:]]


def in_the_file(change):
    """A change to the file as it is, whose chain then does not fit."""
    return lambda t, _: change(t, shipped(t).read_bytes())


def broken(name, does, change):
    forged(name, does, in_the_file(change), OPENS, "opens up to the break; --verify gives 7", verify={DIFFERS})


def other_order(_, content):
    lines = content.splitlines(True)
    return b"".join([*lines[:100], lines[101], lines[100], *lines[102:]])


def one_less(_, content):
    lines = content.splitlines(True)
    return b"".join(lines[:100] + lines[101:])


broken("lines-exchanged", "two lines exchanged", other_order)
broken("line-left-out", "one line left out", one_less)
broken("two-files-in-one", "another recording appended", lambda t, c: c + shipped(t, "rack-hidden").read_bytes())
broken("zero-bytes-within", "4 kB of zeros in the middle, as after a power cut", lambda t, c: c[:60000] + bytes(4096) + c[64096:])
# From here on the chain fits.
forged("line-after-the-seal", "a line behind the seal", lambda t, lines: [*lines, EXTRA["mark"]])
forged("two-seals", "a seal within the file", within(b'{"type":"seal","lines":50}'))
forged("no-session", "no session line", without(b"session"))
forged("nothing-but-header", "nothing behind the header", lambda t, lines: lines[:1])
forged("header-twice", "the header twice", lambda t, lines: lines[:1] + lines)
forged("unknown-types", "1,000 lines of a type that does not exist", at_the_end(*[b'{"type":"invented","at_ns":1}'] * 1000))
forged("time-backwards", "times that run backwards", each("at_ns", lambda n: 10**12 - n * 10**6))
forged("time-at-the-end-of-numbers", "times near 2^64 ns", each("at_ns", lambda n: 2**64 - 800 + n))
forged("years-of-silence", "years between two lines", each("at_ns", lambda n: n * 4 * 10**17 % 2**63))
forged("exchange-numbers-alike", "every question has the same number", each("exchange", 1))
forged("answers-without-questions", "no question left, only answers", without(b"asked"))
forged("questions-without-answers", "no answer left, only questions", without(b"in"))
forged("ask-that-writes", "every question would write (06)", each("pdu", "0600010002"))
forged("every-answer-empty", "every chunk empty", each("bytes", ""))
forged("bytes-no-hex", "chunks that are no hex", each("bytes", "zz"))
forged(
    "deep-line", "a line nested 100,000 deep", within(b'{"type":"mark","at_ns":1,"name":' + b"[" * 10**5 + b"]" * 10**5 + b"}")
)
forged("numbers-too-large", "a number of 400 digits", within(b'{"type":"deadline","at_ns":' + b"9" * 400 + b',"exchange":1}'))
forged("numbers-that-are-none", "NaN where a number stands", within(b'{"type":"deadline","at_ns":NaN,"exchange":1}'))
forged("long-name", "a mark with a name of 1 MB", at_the_end(b'{"type":"mark","at_ns":1,"name":"' + b"n" * 10**6 + b'"}'))
MARKS = [b'{"type":"mark","at_ns":%d,"name":"m%d"}' % (n, n) for n in range(50_000)]
forged("many-marks", "50,000 marks", at_the_end(*MARKS), slow=True, weight=10)
forged("many-sessions", "2,000 sessions", lambda t, lines: [lines[0], *lines[1:4] * 2000, lines[-1]], weight=5)
forged("map-is-nonsense", "a header whose map is no map", in_the_header(("profile", "text"), "\0[[["))
forged("map-of-another-hash", "a header whose map has another hash", in_the_header(("profile", "sha256"), "0" * 64))
forged(
    "map-id-climbs", "a header whose map is called ../../etc/passwd", in_the_header(("profile", "id"), "../../../../etc/passwd")
)
forged("schema-of-the-future", "schema packside.visit/99", in_the_header(("schema",), "packside.visit/99"), {LOCAL}, "4, said")
forged(
    "line-of-20-MB",
    "one line of 20 MB",
    lambda t, lines: within(b'{"type":"in","at_ns":1,"bytes":"' + b"00" * 10**7 + b'"}')(t, lines),
    expect="within its memory (200 MB) and time",
    slow=True,
    weight=60,
)


def big_chunks(count):
    """Noise in chunks of 100 kB."""

    def change(_, lines):
        chunk = random.Random(18).randbytes(100_000).hex().encode()
        return lines[:60] + [b'{"type":"in","at_ns":%d,"bytes":"%s"}' % (7 * 10**9 + n * 10**6, chunk) for n in range(count)]

    return change


forged(
    "chunks-of-100-kB",
    "200 chunks of 100 kB of noise, the chain fits",
    big_chunks(200),
    expect="within its memory (200 MB) and time",
    weight=10,
)
forged(
    "many-chunks-of-100-kB",
    "700 chunks of 100 kB of noise, the chain fits",
    big_chunks(700),
    expect="within its memory (200 MB) and time",
    slow=True,
    weight=60,
)

# Every text of every kind of line, found by walking them.
HOSTILE = "\x1b]0;taken\x07\x1b[2J\u009b31m\u202etluaf\u2066x\r\n\x08\x7f<script>alert(1)</script>\"'&"
KINDS = ("header", "session", "opened", "answer", "unit", "shown", "asked", "in", "mark", "sighting", "photo", "lost", "clock")


def hostile_texts(kind, value):
    def attack(t):
        lines = forge.lines_of(shipped(t))
        if kind in EXTRA:
            lines = lines[:-1] + [EXTRA[kind]] + lines[-1:]
        number = max(n for n, line in enumerate(lines) if json.loads(line)["type"] == kind)
        paths = [p for p in forge.texts_of(json.loads(lines[number])) if p[-1] not in ("type", "text")]
        for at, path in enumerate(paths):
            changed_lines = lines[:number] + [forge.with_value(lines[number], path, value)] + lines[number + 1 :]
            file = t.file(f"{at}.visit.jsonl", forge.whole(changed_lines))
            opened_each_way(t, file, READS)
            t.tool("report", file, "--for", "customer", exits=READS)
            t.tool("report", "--verify", file, exits=READS)
            file.unlink()
        for page in t.folder.glob("page*.html"):
            t.expect(b"<script>alert" not in page.read_bytes(), "page: expected no foreign element, found one")

    return attack


for kind in KINDS:
    GROUP.add(
        f"hostile-text-{kind}",
        f"every text of a {kind} line becomes escape sequences, direction changes and tags, the chain fits",
        "plain text in every output, no element in the page",
        hostile_texts(kind, HOSTILE),
        weight=6,
    )
    GROUP.add(
        f"long-text-{kind}",
        f"every text of a {kind} line becomes 200 kB long, the chain fits",
        "nothing echoed whole, in memory and time",
        hostile_texts(kind, "Ab" * 100_000),
        slow=kind in ("asked", "in", "session", "clock"),
        weight=6,
    )


def wrong_types(kind):
    """Every value of a line replaced by one of another type."""

    def attack(t):
        lines = forge.lines_of(shipped(t))
        if kind in EXTRA:
            lines = lines[:-1] + [EXTRA[kind]] + lines[-1:]
        number = forge.kinds_of(lines)[kind]
        for path in forge.leaves_of(json.loads(lines[number])):
            for value in (None, -1, 2**63, 1.5, True, [], {}, ""):
                file = t.file(
                    "a.visit.jsonl",
                    forge.whole(lines[:number] + [forge.with_value(lines[number], path, value)] + lines[number + 1 : 120]),
                )
                t.tool("report", file, "--format", "json", exits=READS)

    return attack


for kind in KINDS:
    GROUP.add(
        f"other-types-{kind}",
        f"every value of a {kind} line becomes null, negative, huge, a fraction, a list, empty",
        "any documented exit, no panic",
        wrong_types(kind),
        weight=25,
        slow=kind not in ("session", "answer", "in", "shown"),
    )


@GROUP.attack(
    "two-recorders", "two watches record into one file", "the second: 4, says who has it; the first: sealed and opens", weight=10
)
def _(t):
    from .servers import Server, polite
    from .base import VERDICTS

    server = t.keep(Server(polite))
    record = t.folder / "a.visit.jsonl"
    words = ["watch", "--gateway", server.address, "--profile", "generic-hv-stack", *t.consents("watch"), "--record", record]
    first = t.keep(t.spawn([*words, "--seconds", "6"]))
    first.until(1.5)
    ran = t.tool(*words, "--continue", "--seconds", "2", exits={LOCAL}, seconds=20)
    t.error_shape(ran, record.name)
    t.judge(first.end(30), VERDICTS)
    t.opens(record, sealed=True)


@GROUP.attack(
    "two-recorders-on-a-sealed-one",
    "two watches go on with one sealed visit at once",
    "what was sealed before is still there; the file opens whole",
    weight=10,
)
def _(t):
    from .servers import Server, polite

    server = t.keep(Server(polite))
    record = t.folder / "a.visit.jsonl"
    words = ["watch", "--gateway", server.address, "--profile", "generic-hv-stack", *t.consents("watch"), "--record", record]
    t.tool(*words, "--seconds", "2", seconds=20)
    before = record.read_bytes()
    runs = [t.keep(t.spawn([*words, "--continue", "--seconds", "3"])) for _ in range(2)]
    codes = [t.judge(run.end(30)).code for run in runs]
    t.expect(LOCAL in codes, f"exit codes: expected one 4 of two, found {codes}")
    t.expect(record.read_bytes().startswith(before), "expected the sealed visit untouched, found it changed")
    t.tool("report", "--verify", record, exits={0})


@GROUP.attack("record-and-read", "a recording is read a hundred times while it is written", "every read opens it", weight=10)
def _(t):
    from .servers import Server, polite
    from .base import VERDICTS

    server = t.keep(Server(polite))
    record = t.folder / "a.visit.jsonl"
    first = t.keep(
        t.spawn(
            [
                "watch",
                "--gateway",
                server.address,
                "--profile",
                "generic-hv-stack",
                *t.consents("watch"),
                "--record",
                record,
                "--seconds",
                "6",
            ]
        )
    )
    first.until(1)
    while not first.until(0):
        t.tool("report", record, "--format", "json", exits=OPENS)
    t.judge(first.end(30), VERDICTS)
    t.opens(record, sealed=True)


@GROUP.attack(
    "moved-away-while-written",
    "the recording is renamed while it is written",
    "ends in order, what was written opens under its new name",
    weight=10,
)
def _(t):
    from .servers import Server, polite

    server = t.keep(Server(polite))
    record, other = t.folder / "a.visit.jsonl", t.folder / "b.visit.jsonl"
    run = t.keep(
        t.spawn(
            [
                "watch",
                "--gateway",
                server.address,
                "--profile",
                "generic-hv-stack",
                *t.consents("watch"),
                "--record",
                record,
                "--seconds",
                "4",
            ]
        )
    )
    run.until(1.5)
    os.rename(record, other)
    t.judge(run.end(30))
    t.opens(other)
