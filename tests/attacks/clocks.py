"""The wall clock is set while the program runs: by an hour, back, to before 1970, over and over.

The clock of this computer is left alone: a library of a few lines, built with the C compiler of the system and loaded
before the program, moves what the program is told. Without a compiler these attacks are left out, and that is said.

What must hold (kind: derived, from SECURITY): a verdict as without it, the recording sealed, the moment named in the
report, and no age claimed across it.
"""

import json
import os
import shutil
import signal
import subprocess
import threading

from .base import INTERRUPTED, PROFILE, UNDECIDED, VERDICTS, WAITING, Group
from .ports import ANSWERS
from .servers import Server, at_its_pace, silent

GROUP = Group("clock")
COMPILER = shutil.which("cc")

# Adds the seconds that stand in a file to the wall clock, and to no other (published: POSIX, clock_gettime).
SHIM = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
int clock_gettime(clockid_t which, struct timespec *now) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int done = real(which, now);
    if (which == CLOCK_REALTIME && done == 0) {
        const char *path = getenv("ATTACK_CLOCK");
        FILE *file = path ? fopen(path, "re") : NULL;
        long long by = 0;
        if (file) {
            if (fscanf(file, "%lld", &by) == 1) now->tv_sec += by;
            fclose(file);
        }
    }
    return done;
}
"""
BUILT, LOCK = {}, threading.Lock()


def shim(t):
    """The library, built once for all."""
    with LOCK:
        if "path" not in BUILT:
            source = t.bench.scratch / "clock.c"
            source.write_text(SHIM)
            path = t.bench.scratch / "clock.so"
            subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", path, source, "-ldl"], check=True, timeout=60)
            BUILT["path"] = path
    return BUILT["path"]


def started(t, command, record):
    pty = command == "listen"
    server = t.keep(Server(silent if command == "find" else at_its_pace(0.2), pty=pty))
    where = ["--serial", server.address, "--line", "9600-8N1"] if pty else ["--gateway", server.address]
    more = {
        "check": ["--profile", PROFILE],
        "watch": ["--profile", PROFILE, "--seconds", "6"],
        "visit": ["--profile", PROFILE, "--answers", t.file("answers.toml", ANSWERS)],
        "find": ["--listen-first", "0"],
        "listen": ["--seconds", "6"],
    }[command]
    consents = [] if command == "listen" else t.consents(command)
    return [command, *where, *more, *consents, "--record", record]


def jumps_in(thing):
    """All jumps of clocks that an object of the report names, wherever they stand."""
    if isinstance(thing, dict):
        for key, inner in thing.items():
            yield from inner if key == "clock_jumps" else jumps_in(inner)
    elif isinstance(thing, list):
        for inner in thing:
            yield from jumps_in(inner)


def set_clock(command, steps):
    def attack(t):
        record, clock = t.folder / "a.visit.jsonl", t.file("clock", "0")
        run = t.keep(
            t.spawn(started(t, command, record), LD_PRELOAD=os.fspath(shim(t)), ATTACK_CLOCK=os.fspath(clock))
        )
        for at, by in steps:
            if run.until(at):
                break
            fresh = t.file("clock.new", str(by))
            os.replace(fresh, clock)
        waits = command in ("find", "visit")
        exits = VERDICTS | ({INTERRUPTED} if waits else set())
        if waits:
            run.until(8)
            run.send(signal.SIGINT)
        ran = t.judge(run.end(40), {WAITING, UNDECIDED} if command in ("check", "watch") else exits)
        told = t.opens(record, sealed=True)
        if told is None or told.code != 0:
            return
        jumps = list(jumps_in(json.loads(told.out)))
        t.expect(jumps, f"report: expected the clock that was set to be named, found no word of it after exit {ran.code}")

    return attack


HOW = {
    "ahead": ("an hour ahead", [(0.8, 3600)]),
    "back": ("an hour back", [(0.8, -3600)]),
    "before-1970": ("to before 1970", [(0.8, -2_200_000_000)]),
    "beyond": ("to the year 9000", [(0.8, 220_000_000_000)]),
    "to-and-fro": ("eleven times, to and fro", [(0.6 + n * 0.15, 0 if n % 2 else 86_400) for n in range(11)]),
}
if COMPILER:
    for command in ("check", "watch", "visit", "find", "listen"):
        for name, (does, steps) in HOW.items():
            GROUP.add(
                f"{command}-{name}",
                f"{command}: the wall clock is set {does}",
                "a verdict as without it, recording sealed, the moment stands in the report",
                set_clock(command, steps),
                slow=name in ("beyond", "to-and-fro") or command in ("find", "listen") and name != "ahead",
                weight=12,
            )
