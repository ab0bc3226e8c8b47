"""Every option that `--help` names, with values nobody should type; found there, so that a new one is attacked at once."""

import re
import subprocess

from .base import ANY, INTERRUPTED, USAGE, Group

GROUP = Group("argument")

VALUES = (
    "",
    " ",
    "-1",
    "0",
    "1e400",
    "nan",
    "inf",
    "-inf",
    "99999999999999999999999",
    "4294967296",
    "18446744073709551615",
    "0x10",
    "\uff11\uff12",
    "1;2",
    "\x1b[31mx",
    "\u202e1",
    "1\n2",
    "a" * 70_000,
    "%s%n",
    "'; echo x",
    "-",
    "@/etc/passwd",
    "true",
    "\ud83d\ude00".encode("utf-16", "surrogatepass").decode("utf-16"),
)
# Nothing beyond this computer is ever looked up.
HOSTS = (
    "",
    " ",
    ":502",
    "127.0.0.1:",
    "127.0.0.1:-1",
    "127.0.0.1:0",
    "127.0.0.1:65536",
    "127.0.0.1:99999999999999",
    "[::1",
    "[::1]:99999",
    "[]:1",
    "127.0.0.1:1:2",
    "127.0.0.1:1\r\n",
    "\x1b[31m:1",
    "127.0.0.1:nan",
    "/dev/null:1",
    "127.0.0.1 :1",
    "a" * 70_000 + ":1",
)
# No number: refused before anything else is done (kind: derived, from what a second and an address are).
NO_NUMBER = ("nan", "inf", "-inf", "-1", "", " ", "1;2", "%s%n", "1\n2", "true", "\x1b[31mx")
PLACES = {"--serial", "--gateway", "--simulated", "--recording", "--at", "--raw"}
SIMULATED = ["--simulated", "hv-waiting"]
# What each command needs beside the option under attack.
NEEDS = {
    "find": SIMULATED,
    "check": SIMULATED,
    "watch": [*SIMULATED, "--seconds", "2"],
    "visit": SIMULATED,
    "listen": ["--simulated", "hv-running", "--seconds", "2"],
    "lamp": ["--seen", "steady"],
    "report": ["VISIT"],
    "retest": ["CASES"],
    "demo": [],
    "profile list": [],
    "profile show": ["generic-hv-stack"],
    "profile check": ["MAP"],
    "profile explain": ["generic-hv-stack", "cell-high"],
}
OPTION = re.compile(r"^ {2,10}(?:-\w, )?(--[\w-]+)(?: <([^>]*)>| \[<([^>]*)>\])?", re.M)

# Options as of now (kind: derived, from `--help`). What `--help` names besides is attacked in `new-options`.
KNOWN = {
    "find": "serial line gateway framing simulated recording at only format resume color save plugged listen-first config record",
    "check": "serial line gateway framing simulated recording at profile unit only format plugged color "
    "listen-first explain lamp look-at moment record config",
    "watch": "serial line gateway framing simulated recording at seconds profile unit format only color plugged "
    "listen-first from record session config",
    "listen": "serial line gateway framing simulated recording at raw seconds profile format plugged color from "
    "record session config",
    "visit": "serial line gateway framing simulated at profile unit only format plugged color listen-first lamp "
    "record config answers",
    "lamp": "seen trace profile lamp format color",
    "report": "output for format color",
    "retest": "profile junit config format color",
    "demo": "format color",
    "profile show": "config format color",
    "profile check": "config format color",
}


def options_in(text):
    """Options that take a value, and the name of that value."""
    return {m[1]: m[2] or m[3] for m in OPTION.finditer(text) if m[2] or m[3]}


def words_for(t, command, option):
    needs = NEEDS.get(command, [])
    if option in PLACES:
        needs = [w for i, w in enumerate(needs) if w not in PLACES and (i == 0 or needs[i - 1] not in PLACES)]
    if option in ("--seconds", "--seen"):
        needs = [w for i, w in enumerate(needs) if w != option and (i == 0 or needs[i - 1] != option)]
    if option == "--trace":
        needs = []
    if option in ("--moment", "--session"):
        needs = ["--recording", "VISIT"]
    places = {
        "VISIT": t.bench.visits[0],
        "CASES": t.folder / "cases",
        "MAP": t.bench.root / "profiles/maps/generic-hv-stack.toml",
    }
    return [*command.split(), *[places.get(word, word) for word in needs]]


def tried(t, command, option, kind):
    """One option with every value."""
    t.file("cases/a.visit.jsonl", t.bench.visits[0].read_bytes())
    for value in HOSTS if option == "--gateway" else VALUES:
        number = kind in ("SECONDS", "N", "MS") and value in NO_NUMBER
        t.tool(
            *words_for(t, command, option),
            f"{option}={value}".encode("utf-8", "surrogateescape"),
            exits={USAGE} if number else ANY | {INTERRUPTED},
            seconds=4,
            interrupt=True,
            most=16 * 1024,
        )


def hostile_values(command, option):
    def attack(t):
        kinds = options_in(t.bench.help(*command.split()))
        # One that is gone is an unknown one: refused like any other.
        tried(t, command, option, kinds.get(option))

    return attack


for command, names in KNOWN.items():
    for name in names.split():
        # An option means the same everywhere: one command stands for the others.
        common = command == "check" or name not in KNOWN["check"].split() or name == "record" and command == "visit"
        GROUP.add(
            f"{command.replace(' ', '-')}-{name}",
            f"{command} --{name} with {len(VALUES)} values nobody should type",
            "a documented exit for each, 2 for what is no number; plain text",
            hostile_values(command, f"--{name}"),
            slow=not common,
            weight=6,
        )


@GROUP.attack(
    "new-options", "every option in --help that this suite does not know by name", "a documented exit for each value", weight=10
)
def _(t):
    for command in NEEDS:
        known = {f"--{name}" for name in KNOWN.get(command, "").split()}
        for option, kind in options_in(t.bench.help(*command.split())).items():
            if option not in known:
                tried(t, command, option, kind)


@GROUP.attack("options-without-values", "every option that takes a value, without one", "2", weight=30)
def _(t):
    for command in NEEDS:
        for option in options_in(t.bench.help(*command.split())):
            if option != "--explain":
                t.tool(*command.split(), option, exits={USAGE})


@GROUP.attack("options-twice", "every option twice", "a documented exit, no panic", weight=40, slow=True)
def _(t):
    t.file("cases/a.visit.jsonl", t.bench.visits[0].read_bytes())
    for command in NEEDS:
        for option in options_in(t.bench.help(*command.split())):
            if option not in PLACES | {"--serial", "--record", "--save"}:
                t.tool(
                    *words_for(t, command, option), option, "1", option, "1", exits=ANY | {INTERRUPTED}, seconds=5, interrupt=True
                )


@GROUP.attack("unknown-commands", "commands that do not exist", "2, plain text, nothing echoed whole")
def _(t):
    for word in (
        "",
        " ",
        "chek",
        "CHECK",
        "-",
        "--",
        "---",
        "-x",
        "\x1b[2J",
        "\u202e",
        "a" * 100_000,
        "write",
        "set",
        "0",
        "check check",
        "../check",
    ):
        ran = t.tool(word, exits={USAGE}, most=4096)
        t.expect(ran.err.strip() or ran.out.strip(), "expected words, found none")


@GROUP.attack("write-words", "words that would change a unit", "2: there is no such command or option")
def _(t):
    for words in (
        ["write"],
        ["set"],
        ["reset"],
        ["check", "--write", "1"],
        ["check", "--simulated", "hv-waiting", "--set", "1=2"],
        ["check", "--function", "6"],
        ["find", "--function", "16"],
    ):
        t.tool(*words, exits={USAGE})


@GROUP.attack("places-that-exclude-each-other", "every two places at once", "2, said")
def _(t):
    places = {
        "--serial": "/dev/null",
        "--gateway": "127.0.0.1:1",
        "--simulated": "hv-waiting",
        "--recording": str(t.bench.visits[0]),
        "--at": "cellar",
    }
    for first in places:
        for second in places:
            if first < second:
                t.tool("check", first, places[first], second, places[second], "--profile", "generic-hv-stack", exits={USAGE})


@GROUP.attack("many-arguments", "20,000 arguments", "2 in time")
def _(t):
    t.tool("check", *["x"] * 20_000, exits={USAGE}, most=16 * 1024)
    t.tool("profile", "check", *["nowhere.toml"] * 5_000, exits={4}, most=MANY, seconds=20)
    t.tool("check", "--simulated", "hv-waiting", *["--lamp", "fault=blinking"] * 5_000, exits=ANY, seconds=20)


MANY = 512 * 1024


@GROUP.attack("nothing-given", "every command without anything, without a terminal", "2, 3 or 4 with words, never a wait")
def _(t):
    for command in NEEDS:
        t.tool(*command.split(), exits=ANY, seconds=20)
    t.tool(exits=ANY, seconds=10)


@GROUP.attack("help-everywhere", "--help beside nonsense, in every command", "0 or 2, plain text")
def _(t):
    for command in NEEDS:
        t.tool(*command.split(), "--help", exits={0})
        t.tool(*command.split(), "-h", exits={0})
        t.tool(*command.split(), "--nonsense", "--help", exits={0, USAGE})


def environment(values):
    def attack(t):
        for value in values:
            # An own map folder that is none may be refused, anything else changes nothing.
            refused = {USAGE, 4} if "PACKSIDE_CONFIG" in value else set()
            t.tool("check", "--simulated", "hv-waiting", exits={5} | refused, env=value, colour=True)
            t.tool("find", "--simulated", "hv-waiting", "--color", "always", exits={0} | refused, env=value, colour=True)
            t.tool("--help", exits={0}, env=value, colour=True)

    return attack


ENVIRONMENT = {
    "columns": [{"COLUMNS": v} for v in ("0", "1", "-5", "999999999999", "x", "")],
    "colour": [{"NO_COLOR": v, "CLICOLOR_FORCE": "1", "FORCE_COLOR": "1"} for v in ("", "1", "\x1b[2J")],
    "log": [{"PACKSIDE_LOG": v} for v in ("", "off", "\x1b[2J", "x=y=z,,", "a" * 50_000)],
    "locale": [{"LC_ALL": v, "LANG": v} for v in ("C", "tr_TR.UTF-8", "xx", "", "\x1b[2J")],
    "terminal": [{"TERM": v} for v in ("dumb", "", "\x1b[2J", "x" * 5000)],
    "zone": [{"TZ": v} for v in ("../../etc/passwd", "\x1b[2J", "UTC-99", "x" * 5000)],
    "config": [{"PACKSIDE_CONFIG": v} for v in ("", "/dev/null", "/proc", "\x1b[2J", "x" * 5000)],
    "backtrace": [{"RUST_BACKTRACE": "full", "RUST_LOG": "trace"}],
}
for name, values in ENVIRONMENT.items():
    GROUP.add(
        f"environment-{name}",
        f"hostile {', '.join(values[0])} in the environment",
        "the verdict as without it, plain text",
        environment(values),
    )


def simulator(option, values):
    """The served simulator is a program of its own: it must not break either."""

    def attack(t):
        for value in values:
            words = (
                [t.bench.simulator, "run", "hv-waiting", "--tcp", "127.0.0.1:0", f"{option}={value}"]
                if option != "--tcp"
                else [t.bench.simulator, "run", "hv-waiting", f"--tcp={value}"]
            )
            try:
                done = subprocess.run(
                    words,
                    capture_output=True,
                    stdin=subprocess.DEVNULL,
                    timeout=1.0,
                    cwd=t.folder,
                    env=t.environment(),
                    check=False,
                )
            except subprocess.TimeoutExpired:
                continue
            t.expect(
                done.returncode in (0, 1, 2, 3, 4) and b"panicked" not in done.stderr,
                f"{option}={ascii(value)[:20]}: expected an error, found exit {done.returncode}",
            )
            t.plain("simulator", done.stderr)

    return attack


for option in ("--start-at", "--seed", "--speed", "--line", "--answer-time", "--modules", "--tcp"):
    chosen = (
        HOSTS[:14]
        if option == "--tcp"
        else (
            "",
            "-1",
            "0",
            "nan",
            "inf",
            "1e400",
            "99999999999999999999999",
            "4294967296",
            "\x1b[31mx",
            "\u202e1",
            "9" * 5000,
            "-5s",
            "1e308s",
        )
    )
    GROUP.add(
        f"simulator{option[1:]}",
        f"packside-simulator run {option} with values nobody should type",
        "serves or refuses, no panic, plain text",
        simulator(option, chosen),
        weight=8,
        slow=option in ("--line", "--seed"),
    )
