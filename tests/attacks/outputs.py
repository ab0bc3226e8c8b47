"""Where something is written: never over a recording, never half, never through a link onto something else."""

import contextlib
import os
import subprocess

from .base import ANY, LOCAL, USAGE, Group
from .servers import Server, polite

GROUP = Group("output")
PRECIOUS = b"years of measurements\n"


# How each output is asked for. `{}` is the path.
WAYS = {
    "page": lambda t, path: ["report", t.folder / "source.visit.jsonl", "-o", path],
    "junit": lambda t, path: ["retest", t.folder / "cases", "--junit", path],
    "record-check": lambda t, path: ["check", "--simulated", "hv-waiting", "--record", path],
    "record-find": lambda t, path: ["find", "--simulated", "hv-waiting", "--record", path],
    "record-watch": lambda t, path: ["watch", "--simulated", "hv-waiting", "--seconds", "5", "--record", path],
    "record-listen": lambda t, path: ["listen", "--simulated", "hv-running", "--seconds", "5", "--record", path],
    "record-visit": lambda t, path: [
        "visit",
        "--simulated",
        "hv-waiting",
        "--answers",
        t.folder / "answers.toml",
        "--record",
        path,
    ],
}


def prepare(t):
    recording = t.bench.visits[0].read_bytes()
    t.file("source.visit.jsonl", recording)
    t.file("cases/a.visit.jsonl", recording)
    t.file("answers.toml", 'format = 1\n[answers]\nwho = "A. Invented"\n')
    return recording


def keeps(target, way, exits):
    """The file behind the path is the same before and after."""

    def attack(t):
        recording = prepare(t)
        path, real, content = target(t, recording)
        t.tool(*WAYS[way](t, path), exits=exits)
        found = real.read_bytes() if real.exists() else b""
        t.expect(found == content, f"{real.name}: expected as it was, found it changed")
        t.expect(
            not [p.name for p in t.folder.iterdir() if p.suffix in (".tmp", ".part", ".new")],
            "expected nothing left beside it, found a half file",
        )

    return attack


def a_recording(t, recording):
    return (path := t.file("old.visit.jsonl", recording)), path, recording


def recording_by_another_name(t, recording):
    return (path := t.file("old.html", recording)), path, recording


def link_to_recording(t, recording):
    real = t.file("old.visit.jsonl", recording)
    (t.folder / "page.html").symlink_to(real)
    return t.folder / "page.html", real, recording


def hard_link_to_recording(t, recording):
    real = t.file("old.visit.jsonl", recording)
    os.link(real, t.folder / "page.html")
    return t.folder / "page.html", real, recording


def link_through_a_folder(t, recording):
    real = t.file("visits/old.visit.jsonl", recording)
    (t.folder / "here").symlink_to(real.parent)
    return t.folder / "here/old.visit.jsonl", real, recording


def cut_recording(t, recording):
    return (path := t.file("old.visit.jsonl", recording[:30_000])), path, recording[:30_000]


def broken_recording(t, recording):
    content = recording[:60_000] + b"?" + recording[60_001:]
    return (path := t.file("old.visit.jsonl", content)), path, content


def recording_from_mail(t, recording):
    content = b"\xef\xbb\xbf" + recording.replace(b"\n", b"\r\n")
    return (path := t.file("old.txt", content)), path, content


def something_else(t, _):
    return (path := t.file("notes.txt", PRECIOUS)), path, PRECIOUS


def link_to_something_else(t, _):
    real = t.file("notes.txt", PRECIOUS)
    (t.folder / "page.html").symlink_to(real)
    return t.folder / "page.html", real, PRECIOUS


def its_own_source(t, recording):
    path = t.folder / "source.visit.jsonl"
    return path, path, recording


TARGETS = (
    a_recording,
    recording_by_another_name,
    link_to_recording,
    hard_link_to_recording,
    link_through_a_folder,
    cut_recording,
    broken_recording,
    recording_from_mail,
    something_else,
    link_to_something_else,
    its_own_source,
)
for target in TARGETS:
    for way in WAYS:
        name = target.__name__.replace("_", "-")
        GROUP.add(
            f"{way}-over-{name}",
            f"{way} written over: {name.replace('-', ' ')}",
            "2 or 4, the file is as it was",
            keeps(target, way, {USAGE, LOCAL}),
            slow=way in ("record-find", "record-watch", "record-listen") and target not in (a_recording, something_else),
        )


def replaced(target):
    def attack(t):
        recording = prepare(t)
        path, real, content = target(t, recording)
        t.tool("report", t.folder / "source.visit.jsonl", "--replace", "-o", path, exits={USAGE, LOCAL})
        t.expect(real.read_bytes() == content, f"{real.name}: expected as it was, found it changed")

    return attack


for target in TARGETS[:7]:
    name = target.__name__.replace("_", "-")
    GROUP.add(
        f"replace-over-{name}",
        f"report --replace over: {name.replace('-', ' ')}",
        "refused: not even --replace writes over a recording",
        replaced(target),
    )

CANNOT = {
    "dev-full": lambda t: "/dev/full",
    "folder": lambda t: t.folder,
    "missing-folder": lambda t: t.folder / "no/such/folder/x",
    "below-a-file": lambda t: t.file("file", b"x") / "x",
    "dangling-far-link": lambda t: link(t, "/proc/nothing/x"),
    "proc": lambda t: "/proc/version",
    "empty-name": lambda t: "",
    "name-too-long": lambda t: t.folder / ("n" * 300),
    "link-to-itself": lambda t: link(t, "here"),
    "fifo": lambda t: pipe(t),
}


def link(t, target):
    (t.folder / "here").symlink_to(target)
    return t.folder / "here"


def pipe(t):
    os.mkfifo(t.folder / "pipe")
    return t.folder / "pipe"


def cannot(way, make):
    def attack(t):
        prepare(t)
        path = make(t)
        # A link that leads nowhere may as well be replaced.
        nowhere = (t.folder / "here").is_symlink()
        ran = t.tool(*WAYS[way](t, path), exits=ANY if nowhere else {LOCAL, USAGE}, seconds=15)
        t.expect(nowhere or b"error: " in ran.err, "expected an error, found none")

    return attack


for way in WAYS:
    for name, make in CANNOT.items():
        GROUP.add(
            f"{way}-into-{name}",
            f"{way} written into {name.replace('-', ' ')}",
            "2 or 4 with an error in 15 s, no word of success",
            cannot(way, make),
            slow=way in ("record-find", "record-watch", "record-listen"),
        )


@GROUP.attack("stdout-full", "every command's stdout is /dev/full", "ends with a documented code, no panic")
def _(t):
    prepare(t)
    for words in (
        ["check", "--simulated", "hv-waiting"],
        ["report", "source.visit.jsonl"],
        ["profile", "show", "generic-hv-stack"],
        ["lamp", "--seen", "steady"],
        ["find", "--simulated", "hv-waiting"],
        ["demo"],
        ["--help"],
        ["retest", "cases"],
    ):
        with open("/dev/full", "wb") as full:
            done = subprocess.run(
                [t.bench.tool, *words],
                stdout=full,
                stderr=subprocess.PIPE,
                stdin=subprocess.DEVNULL,
                cwd=t.folder,
                env=t.environment(),
                timeout=30,
                check=False,
            )
        t.expect(
            done.returncode in ANY and b"panicked" not in done.stderr,
            f"{words[0]}: expected a documented code, found {done.returncode}",
        )


@GROUP.attack("stdout-closed", "the reader of stdout goes away at once", "the verdict's own code, no panic")
def _(t):
    prepare(t)
    for words, code in (
        (["check", "--simulated", "hv-waiting"], 5),
        (["report", "source.visit.jsonl"], 0),
        (["profile", "show", "generic-hv-stack"], 0),
        (["listen", "--simulated", "hv-running", "--format", "json"], 0),
        (["watch", "--simulated", "hv-waiting", "--format", "json"], 5),
    ):
        ours, theirs = os.pipe()
        os.close(ours)
        done = subprocess.run(
            [t.bench.tool, *words],
            stdout=theirs,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            cwd=t.folder,
            env=t.environment(),
            timeout=30,
            check=False,
        )
        os.close(theirs)
        t.expect(
            done.returncode == code and b"panicked" not in done.stderr, f"{words[0]}: expected {code}, found {done.returncode}"
        )


@GROUP.attack(
    "no-descriptors",
    "started with stdin, stdout and stderr closed, recording",
    "no panic; no word of the program lands in the recording",
)
def _(t):
    record = t.folder / "a.visit.jsonl"
    command = 'exec "$0" check --simulated hv-waiting --record "$1" <&- >&- 2>&-'
    done = subprocess.run(["sh", "-c", command, t.bench.tool, record], env=t.environment(), cwd=t.folder, timeout=30, check=False)
    t.expect(done.returncode in ANY, f"exit code: expected a documented one, found {done.returncode}")
    if record.exists():
        t.opens(record)


def small_disk(t, kilobytes):
    """A file system of this size, if this user may make one."""
    place = t.folder / "small"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", place], capture_output=True, check=False)
    if done.returncode:
        return None
    t.keep(Mounted(place))
    return place


def fill(place):
    """Leaves no byte free."""
    with contextlib.suppress(OSError), open(place / "filler", "wb", buffering=0) as filler:
        for size in (4096, 1):
            with contextlib.suppress(OSError):
                while filler.write(bytes(size)):
                    pass


class Mounted:
    def __init__(self, place):
        self.place = place

    def close(self):
        subprocess.run(["umount", "-l", self.place], capture_output=True, check=False)


def limited(words):
    """The same where no file system may be mounted: no file larger than this."""
    return ["sh", "-c", 'ulimit -f 32; trap "" XFSZ; exec "$@"', "sh", *words]


def disk_full(way, left):
    def attack(t):
        prepare(t)
        place = small_disk(t, max(left, 4))
        path = (place or t.folder) / "x.visit.jsonl"
        if place and left == 0:
            fill(place)
        words = [os.fspath(w) for w in [t.bench.tool, *WAYS[way](t, path)]]
        done = subprocess.run(
            words if place else limited(words),
            capture_output=True,
            stdin=subprocess.DEVNULL,
            cwd=t.folder,
            env=t.environment(),
            timeout=40,
            check=False,
        )
        t.plain("stderr", done.stderr)
        t.expect(b"panicked" not in done.stderr, "panicked")
        t.expect(done.returncode == LOCAL, f"exit code: expected 4, found {done.returncode}")
        t.expect(b"error: " in done.stderr, "expected an error, found none")
        t.expect(b"recorded, fingerprint" not in done.stderr, "expected no word of success, found one")

    return attack


for way in WAYS:
    GROUP.add(
        f"disk-full-{way}",
        f"{way} onto a file system without a free byte",
        "4, an error, no word of success",
        disk_full(way, 0),
        weight=2,
    )
    if way not in ("junit", "record-find"):  # These are small.
        GROUP.add(
            f"disk-of-16-kB-{way}",
            f"{way} onto a file system of 16 kB",
            "4, an error, no word of success",
            disk_full(way, 16),
            weight=2,
        )


@GROUP.attack(
    "disk-fills-while-watching",
    "the disk fills while a unit is watched and recorded",
    "said, and ends with 4; what is on the disk opens",
    weight=12,
)
def _(t):
    server = t.keep(Server(polite))
    place = small_disk(t, 1024)
    if place is None:
        return
    record = place / "a.visit.jsonl"
    run = t.keep(
        t.spawn(
            [
                "watch",
                "--gateway",
                server.address,
                "--profile",
                "generic-hv-stack",
                *t.consents("watch"),
                "--seconds",
                "30",
                "--record",
                record,
            ]
        )
    )
    run.until(3)
    fill(place)
    ran = t.judge(run.end(40), {LOCAL})
    t.expect(b"error: " in ran.err, "expected an error, found none")
    t.opens(record)


@GROUP.attack("record-twice", "check --record on a file that is there, without --continue", "refused, and the first is as it was")
def _(t):
    record = t.folder / "a.visit.jsonl"
    words = ["check", "--simulated", "hv-waiting", "--record", record]
    t.tool(*words, exits={5})
    before = record.read_bytes()
    ran = t.tool(*words, exits={USAGE, LOCAL})
    t.error_shape(ran, "--continue")
    t.expect(record.read_bytes() == before, "expected it as it was, found it changed")


@GROUP.attack(
    "continue-another-unit", "check --continue on the recording of another unit", "4 or 2, and the visit before is still there"
)
def _(t):
    record = t.folder / "a.visit.jsonl"
    t.tool("check", "--simulated", "hv-waiting", "--record", record, exits={5})
    before = record.read_bytes()
    t.tool("check", "--simulated", "hv-fault-behind-lamp", "--record", record, "--continue", exits={USAGE, LOCAL})
    t.expect(record.read_bytes().startswith(before), "expected the first visit untouched, found it changed")
    t.opens(record)


def goes_on(change, exits):
    def attack(t):
        record = t.folder / "a.visit.jsonl"
        t.tool("check", "--simulated", "hv-waiting", "--record", record, exits={5})
        record.write_bytes(change(record.read_bytes()))
        before = record.read_bytes()
        t.tool("check", "--simulated", "hv-waiting", "--record", record, "--continue", exits=exits)
        whole = before[: before.rindex(b"\n") + 1]
        t.expect(record.read_bytes().startswith(whole), "expected all whole lines still there, found some changed")

    return attack


GROUP.add("continue-sealed", "--continue on a sealed recording", "goes on behind it", goes_on(lambda c: c, {5}))
GROUP.add(
    "continue-cut",
    "--continue on a recording cut in the middle of a line",
    "goes on behind the last whole line",
    goes_on(lambda c: c[:-300], {5}),
)
GROUP.add(
    "continue-broken",
    "--continue on a recording with a changed line",
    "4, not a byte changed",
    goes_on(lambda c: c[:-5000] + bytes([c[-5000] ^ 1]) + c[-4999:], {LOCAL}),
)
GROUP.add(
    "continue-something-else",
    "--continue on a file that is no recording",
    "4, not a byte changed",
    goes_on(lambda _: PRECIOUS, {LOCAL}),
)


@GROUP.attack("save-climbs", "find --save with names that leave the folder", "2, and nothing is written there")
def _(t):
    for name in ("../x", "a/b", "..", ".", "/tmp/x", "a\\b", "-x", "x" * 300, "CON", ""):
        t.tool("find", "--simulated", "hv-waiting", "--config", t.folder / "c", f"--save={name}", exits={USAGE, 0, LOCAL})
    outside = [p.relative_to(t.folder).as_posix() for p in t.folder.rglob("*.toml") if p.parent != t.folder / "c/places"]
    t.expect(not outside, f"expected nothing outside the folder of places, found {outside}")


@GROUP.attack("save-over-link", "find --save where the place is a link to something else", "the something else is as it was")
def _(t):
    notes = t.file("notes.txt", PRECIOUS)
    (t.folder / "c/places").mkdir(parents=True)
    (t.folder / "c/places/cellar.toml").symlink_to(notes)
    server = t.keep(Server(polite))
    t.tool(
        "find",
        "--gateway",
        server.address,
        "--listen-first",
        "0",
        *t.consents("find"),
        "--only",
        "1",
        "--config",
        t.folder / "c",
        "--save",
        "cellar",
        exits={0, USAGE, LOCAL},
        seconds=20,
        interrupt=True,
    )
    t.expect(notes.read_bytes() == PRECIOUS, "notes.txt: expected as it was, found it changed")


@GROUP.attack(
    "home-is-a-file", "HOME, XDG folders and the working folder cannot be written", "a look works all the same, plain text"
)
def _(t):
    t.file("file", b"x")
    where = {name: str(t.folder / "file") for name in ("HOME", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME")}
    t.tool("check", "--simulated", "hv-waiting", exits={5}, env=where)
    server = t.keep(Server(polite))
    t.tool(
        "check",
        "--gateway",
        server.address,
        "--profile",
        "generic-hv-stack",
        *t.consents("check"),
        exits={5, 6, LOCAL},
        env=where,
    )


@GROUP.attack(
    "keeps-itself-not-over-others",
    "forty looks at once keep themselves in one state folder",
    "each ends with its verdict; every file kept opens",
    slow=True,
    weight=30,
)
def _(t):
    server = t.keep(Server(polite))
    runs = [
        t.keep(t.spawn(["check", "--gateway", server.address, "--profile", "generic-hv-stack", *t.consents("check")]))
        for _ in range(40)
    ]
    for run in runs:
        t.judge(run.end(60), {5, 6, 3})
    for kept in (t.folder / "home/state").rglob("*.jsonl"):
        t.opens(kept, sealed=True)
