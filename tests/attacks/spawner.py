"""Starts programs for the suite, and tells what became of them.

Why not the suite itself: the most memory that a process ever held includes, on Linux, what the one it was forked from
held at that moment, and the suite holds more than the program may. This one stays small.

In: a JSON line each, `[number, program and arguments, folder, environment, stdin, stdout, stderr]`, files by name.
Out: `[number, "started", pid]`, then `[number, "ended", status, kilobytes]`. Ends when its input ends.
"""

import json
import os
import select
import signal
import sys

running = {}


def say(*words):
    os.write(1, json.dumps(words).encode() + b"\n")


def start(number, words, folder, environment, *ends):
    pid = os.fork()
    if pid == 0:
        try:
            # Whatever this suite was started by may ignore some of them, which a program inherits.
            for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGPIPE, signal.SIGTSTP, signal.SIGQUIT):
                signal.signal(name, signal.SIG_DFL)
            os.chdir(folder)
            flags = (os.O_RDONLY, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            for end, (path, flag) in enumerate(zip(ends, flags)):
                fd = os.open(path, flag, 0o644)
                os.dup2(fd, end)
                if fd > 2:
                    os.close(fd)
            words = [word.encode("utf-8", "surrogateescape") for word in words]
            os.execve(words[0], words, environment)
        finally:
            os._exit(127)
    running[pid] = number
    say(number, "started", pid)


def reap():
    while running:
        pid, status, usage = os.wait4(-1, os.WNOHANG)
        if not pid:
            return
        say(running.pop(pid), "ended", os.waitstatus_to_exitcode(status), usage.ru_maxrss)


def main():
    ours, theirs = os.pipe()
    for end in (ours, theirs):
        os.set_blocking(end, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(theirs, warn_on_full_buffer=False)
    # What interrupts the suite is the suite's to deal with.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    waiting = b""
    while True:
        readable, _, _ = select.select([0, ours], [], [])
        if ours in readable:
            os.read(ours, 4096)
        reap()
        if 0 in readable:
            data = os.read(0, 1 << 20)
            if not data:
                break
            *lines, waiting = (waiting + data).split(b"\n")
            for line in lines:
                start(*json.loads(line))
    for pid in running:
        os.kill(pid, signal.SIGKILL)


if __name__ == "__main__":
    sys.exit(main())
