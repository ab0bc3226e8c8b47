"""What is handed out: the Debian package in a clean root, the manual, the completions in the shells that are here,
sizes and times of the program, crates and their licences. Every line says what was seen; any difference fails.

    python3 tests/packages/run.py PROGRAMS [--dist | --sizes]
        --dist: the programs are as handed out, their sizes and times count; --sizes: only those, and they do not
"""
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib

import deb

ROOT = deb.ROOT
LEFT_OUT = []


# Starts a program and prints its processor time (ms) and its peak memory (MB); nothing below its own 9 MB can be seen.
COST = """
import os, sys
nowhere = [(os.POSIX_SPAWN_OPEN, fd, "/dev/null", os.O_RDWR, 0) for fd in (1, 2)]
child = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ, file_actions=nowhere)
_, _, used = os.wait4(child, 0)
print([(used.ru_utime + used.ru_stime) * 1000, used.ru_maxrss / 1024])
"""


def run(*command, **more):
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False, **more)
    return done


def package(programs):
    """Built, installed into a clean root, run there, removed; nothing is left."""
    if not all(map(shutil.which, ("dpkg-deb", "strip", "objdump"))):
        LEFT_OUT.append("the Debian package: dpkg-deb and binutils are needed")
        return []
    found = []
    with tempfile.TemporaryDirectory() as folder:
        file = deb.build(programs, folder)
        root = pathlib.Path(folder) / "root"
        for part in ("info", "updates", "triggers", "parts"):
            (root / "var/lib/dpkg" / part).mkdir(parents=True)
        for part in ("status", "available"):
            (root / "var/lib/dpkg" / part).touch()
        # The libraries that it depends on are those of this computer, not of the empty root.
        dpkg = ["dpkg", f"--root={root}", "--force-depends", "--force-not-root", "--log=/dev/null"]
        done = run(*dpkg, "--install", file)
        if done.returncode:
            return [f"dpkg --install: {done.stderr}"]
        expected = [
            "usr/bin/packside", "usr/bin/packside-simulator", "usr/share/man/man1/packside.1.gz",
            "usr/share/man/man1/packside-check.1.gz", "usr/lib/udev/rules.d/60-packside.rules",
            "usr/share/doc/packside/copyright", "usr/share/packside/schema/check.json", *deb.COMPLETIONS.values(),
        ]
        found += [f"not installed: {path}" for path in expected if not (root / path).is_file()]
        done = run(root / "usr/bin/packside", "check", "--simulated", "hv-waiting", "--format", "json")
        if done.returncode != 5:
            found.append(f"installed: expected exit 5, found {done.returncode}: {done.stderr}")
        rule = (root / "usr/lib/udev/rules.d/60-packside.rules").read_text()
        if 'GROUP="dialout"' not in rule:
            found.append("the rule names no group")
        done = run(*dpkg, "--purge", "packside")
        left = [path for path in root.rglob("*") if path.is_file() and "var/lib/dpkg" not in str(path)]
        if done.returncode or left:
            found.append(f"dpkg --purge: {done.stderr} left: {left}")
    return found


def manual(tool):
    """Every page is understood without a warning and holds the options of `--help`."""
    if not shutil.which("groff"):
        LEFT_OUT.append("the manual: groff is needed")
        return []
    found = []
    for command in ["", *deb.COMMANDS, "profile show", "completions", "man"]:
        page = deb.said(tool, "man", *command.split())
        done = subprocess.run(["groff", "-man", "-Tutf8", "-ww"], input=page, capture_output=True, check=False)
        if done.stderr or done.returncode:
            found.append(f"man {command}: {done.stderr.decode()[:300]}")
        text = re.sub(r"\x1b\[[\d;]*m|.\x08", "", done.stdout.decode()).replace("\u2010", "-").replace("\u2212", "-")
        listed = run(tool, *command.split(), "--help").stdout
        for option in set(re.findall(r"^ {2,10}(?:-\w, )?(--[\w-]+)", listed, re.M)):
            if option not in text:
                found.append(f"man {command}: {option} is missing")
    return found


def completions(tool):
    """Each shell that is here reads its script and offers the command."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        scripts = {}
        for shell in ("bash", "zsh", "fish", "powershell", "elvish"):
            scripts[shell] = pathlib.Path(folder) / ("_packside" if shell == "zsh" else f"packside.{shell}")
            scripts[shell].write_bytes(deb.said(tool, "completions", shell))
        asked = {
            "bash": ["bash", "--norc", "-c", f'source {scripts["bash"]}; COMP_WORDS=(packside che); COMP_CWORD=1; '
                     '_packside packside che packside; echo "${COMPREPLY[@]}"'],
            "zsh": ["zsh", "-f", "-c", f"autoload -U compinit; compinit -u -D; source {scripts['zsh']}; "
                    "whence -w _packside; functions _packside_commands; functions _packside__check_commands"],
            "fish": ["fish", "--no-config", "-c", f'source {scripts["fish"]}; complete -C "packside che"'],
        }
        for shell, command in asked.items():
            if not shutil.which(shell):
                LEFT_OUT.append(f"completions: {shell} is not installed")
                continue
            done = run(*command, env={**os.environ, "HOME": folder})
            if "check" not in done.stdout or done.stderr:
                found.append(f"{shell}: expected check, found {done.stdout!r} {done.stderr!r}")
    return found


def sizes(tool, is_dist):
    """Size, start, and the memory of one look. Limits of time count on a program as it is handed out."""
    found = []

    def cost(*arguments):
        """Least processor time of several runs (ms), and peak memory (MB)."""
        # A child begins with the memory of whoever started it counted as its own: so a small one starts it.
        times = [json.loads(run(sys.executable, "-I", "-S", "-c", COST, tool, *arguments).stdout) for _ in range(9)]
        return min(times)

    size = tool.stat().st_size / 1e6
    start, _ = cost("--version")
    look, memory = cost("check", "--simulated", "hv-waiting")
    print(f"       {size:.2f} MB; start {start:.1f} ms, a look at a simulated unit {look:.1f} ms of processor, {memory:.1f} MB")
    # Kind: derived (the aims of the work order); measured beside whatever else runs here.
    for name, value, limit in (("size", size, 6.0), ("start", start, 2.0), ("look", look, 15.0), ("memory", memory, 12.0)):
        if is_dist and value > limit:
            found.append(f"{name}: expected at most {limit}, found {value:.2f}")
    version = run(tool, "--version").stdout
    if not re.fullmatch(r"packside \d+\.\d+\.\d+ \([0-9a-f]{7,}, \d{4}-\d\d-\d\d\)\n", version):
        found.append(f"--version: expected version, commit and date, found {version!r}")
    return found


def crates():
    """Licences that are allowed, and no second version that we chose, by `.cargo/deny.toml`."""
    rules = tomllib.loads((ROOT / ".cargo" / "deny.toml").read_text(encoding="utf-8"))
    allowed = set(rules["licenses"]["allow"])
    known_twice = {entry["crate"].split("@")[0] for entry in rules["bans"]["skip"]}
    done = run("cargo", "metadata", "--format-version", "1", "--locked", cwd=ROOT)
    packages = json.loads(done.stdout)["packages"]
    found, versions = [], {}
    for one in packages:
        versions.setdefault(one["name"], set()).add(one["version"])
        choices = re.split(r" OR |/", (one["license"] or "").replace("(", "").replace(")", ""))
        if not any(set(choice.strip().split(" AND ")) <= allowed for choice in choices):
            found.append(f"{one['name']}: licence {one['license']} is not among those allowed")
    twice = {name for name, all_of_it in versions.items() if len(all_of_it) > 1}
    for name in sorted(twice - known_twice):
        found.append(f"{name}: versions {sorted(versions[name])}")
    for name in sorted(known_twice - twice):
        found.append(f"{name}: only one version any more, take it off the list")
    print(f"       {len(packages)} crates, {len(twice)} of them twice")
    return found


def packed():
    """All three crates become packages, with readme and licences."""
    done = run("cargo", "package", "--workspace", "--no-verify", "--allow-dirty", cwd=ROOT)
    if done.returncode:
        return [f"cargo package: {done.stderr}"]
    found = []
    for crate in ("packside", "packside-profiles", "packside-simulator"):
        file = ROOT / "target" / "package" / f"{crate}-{deb.version()}.crate"
        inside = run("tar", "-tzf", file).stdout
        for name in ("README.md", "LICENSE-MIT", "LICENSE-APACHE", "Cargo.toml", "src/lib.rs"):
            if f"/{name}\n" not in inside:
                found.append(f"{file.name}: {name} is missing")
        print(f"       {file.name}: {file.stat().st_size / 1e3:.0f} kB, {inside.count(chr(10))} files")
    return found


def main():
    programs = pathlib.Path(sys.argv[1])
    tool = (programs / "packside").resolve()
    if "--sizes" in sys.argv:
        return bool(sizes(tool, False))
    steps = [
        ("crates", crates),
        ("cargo package", packed),
        ("Debian package", lambda: package(programs)),
        ("manual", lambda: manual(tool)),
        ("completions", lambda: completions(tool)),
        ("size, time, memory", lambda: sizes(tool, "--dist" in sys.argv)),
    ]
    failed = 0
    for name, step in steps:
        found = step()
        print(f"{'FAILED' if found else 'ok':6} {name}")
        for difference in found:
            print("       ", difference)
        failed += bool(found)
    for what in LEFT_OUT:
        print(f"left out: {what}")
    print(f"{len(steps) - failed} passed, {failed} failed, {len(LEFT_OUT)} skipped")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
