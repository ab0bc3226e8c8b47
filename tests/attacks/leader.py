"""Leads a session on a terminal of its own and starts one program in it, as a shell would: in the foreground,
in a process group of its own, able to be stopped. Tells what becomes of it, one line each, in a file.

    leader.py TERMINAL FILE PROGRAM ARGUMENT...
"""

import fcntl
import os
import signal
import sys
import termios


def main():
    os.setsid()
    terminal = os.open(sys.argv[1], os.O_RDWR)
    told = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    fcntl.ioctl(terminal, termios.TIOCSCTTY, 0)
    # As a shell does: it must be able to give the terminal away and take it back from the background.
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)
    # The terminal may be pulled: this process has to see the end all the same.
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    child = os.fork()
    if child == 0:
        os.setpgid(0, 0)
        os.tcsetpgrp(terminal, os.getpid())
        for number in (
            signal.SIGTTOU,
            signal.SIGHUP,
            signal.SIGINT,
            signal.SIGTERM,
            signal.SIGPIPE,
            signal.SIGTSTP,
            signal.SIGQUIT,
        ):
            signal.signal(number, signal.SIG_DFL)
        for end in (0, 1, 2):
            os.dup2(terminal, end)
        os.execv(sys.argv[3], sys.argv[3:])
    try:
        os.setpgid(child, child)
    except OSError:
        pass
    os.close(terminal)
    tell(told, f"started {child}")
    while True:
        pid, status, usage = os.wait4(child, os.WUNTRACED)
        if os.WIFSTOPPED(status):
            tell(told, f"stopped {os.WSTOPSIG(status)}")
        else:
            tell(told, f"ended {os.waitstatus_to_exitcode(status)} {usage.ru_maxrss}")
            return


def tell(told, line):
    os.write(told, line.encode() + b"\n")


main()
