"""The Debian package, put together with dpkg-deb from a built program: binaries, manual, completions, the rule for
adapters, licences.

    python3 tests/packages/deb.py PROGRAMS OUTPUT     folder with packside and packside-simulator; folder for the .deb
"""
import gzip
import hashlib
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
COMMANDS = ["find", "check", "watch", "visit", "retest", "report", "listen", "lamp", "profile", "demo"]
# Where Debian keeps the completions of each shell.
COMPLETIONS = {
    "bash": "usr/share/bash-completion/completions/packside",
    "zsh": "usr/share/zsh/vendor-completions/_packside",
    "fish": "usr/share/fish/vendor_completions.d/packside.fish",
}
RULE = """# Serial adapters for packside. Whoever sits at this computer may open them; others need the group dialout:
#   sudo adduser NAME dialout
# An adapter with a latency timer holds short answers back by up to 16 ms; 1 ms is the least it knows.
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", GROUP="dialout", MODE="0660", TAG+="uaccess"
ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{latency_timer}=="?*", ATTR{latency_timer}="1"
"""
COPYRIGHT = """Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
Upstream-Name: packside

Files: *
Copyright: 2026 The packside contributors
License: MIT or Apache-2.0
 Both texts lie beside this file; that of Apache-2.0 is in /usr/share/common-licenses as well.
"""


def version():
    text = (ROOT / "Cargo.toml").read_text(encoding="utf-8")
    return re.search(r'^version = "([^"]+)"', text, re.M)[1]


def put(root, path, content, mode=0o644):
    target = root / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content)
    target.chmod(mode)


def said(program, *arguments):
    done = subprocess.run([program, *arguments], capture_output=True, timeout=60, check=True)
    assert done.stdout, f"{program} {arguments}: nothing was printed"
    return done.stdout


def zipped(content):
    # Without the time of today: the same program gives the same package.
    return gzip.compress(content, 9, mtime=0)


def depends(programs):
    """What the programs need, from the symbols that they name (dpkg-shlibdeps), else the C library."""
    newest = (0, 0)
    for program in programs:
        table = subprocess.run(["objdump", "-T", program], capture_output=True, text=True, check=True).stdout
        for found in re.findall(r"GLIBC_(\d+)\.(\d+)", table):
            newest = max(newest, tuple(map(int, found)))
    return f"libc6 (>= {newest[0]}.{newest[1]}), libgcc-s1"


def build(programs, output):
    """Gives the path of the package."""
    programs = pathlib.Path(programs)
    tool, simulator = programs / "packside", programs / "packside-simulator"
    with tempfile.TemporaryDirectory() as folder:
        root = pathlib.Path(folder)
        root.chmod(0o755)
        for program in (tool, simulator):
            put(root, f"usr/bin/{program.name}", program.read_bytes(), 0o755)
            subprocess.run(["strip", root / "usr/bin" / program.name], check=True)
        put(root, "usr/share/man/man1/packside.1.gz", zipped(said(tool, "man")))
        for command in COMMANDS:
            put(root, f"usr/share/man/man1/packside-{command}.1.gz", zipped(said(tool, "man", command)))
        for shell, path in COMPLETIONS.items():
            put(root, path, said(tool, "completions", shell))
        put(root, "usr/lib/udev/rules.d/60-packside.rules", RULE.encode())
        docs = "usr/share/doc/packside"
        put(root, f"{docs}/copyright", COPYRIGHT.encode())
        for name in ("LICENSE-MIT", "LICENSE-APACHE", "README.md"):
            put(root, f"{docs}/{name}.gz", zipped((ROOT / name).read_bytes()))
        for schema in (ROOT / "docs" / "schema").iterdir():
            put(root, f"usr/share/packside/schema/{schema.name}", schema.read_bytes())
        files = sorted(path for path in root.rglob("*") if path.is_file())
        sums = [f"{hashlib.md5(path.read_bytes()).hexdigest()}  {path.relative_to(root)}\n" for path in files]
        architecture = subprocess.run(["dpkg", "--print-architecture"], capture_output=True, text=True, check=True).stdout
        control = {
            "Package": "packside",
            "Version": version(),
            "Architecture": architecture.strip(),
            "Maintainer": "The packside contributors <packside@example.invalid>",
            "Installed-Size": str(sum(path.stat().st_size for path in files) // 1024),
            "Depends": depends([root / "usr/bin" / program.name for program in (tool, simulator)]),
            "Section": "utils",
            "Priority": "optional",
            "Description": "field tool for putting battery storage units into service\n"
            " Reads a battery storage unit over RS-485 or a TCP gateway and says whether it has\n"
            " a real fault or only waits for its inverter. It only reads.",
        }
        put(root, "DEBIAN/control", "".join(f"{key}: {value}\n" for key, value in control.items()).encode())
        put(root, "DEBIAN/md5sums", "".join(sums).encode())
        for path in [root, *root.rglob("*")]:
            if path.is_dir():
                path.chmod(0o755)
        name = f"packside_{control['Version']}_{control['Architecture']}.deb"
        package = pathlib.Path(output) / name
        package.parent.mkdir(parents=True, exist_ok=True)
        command = ["dpkg-deb", "--root-owner-group", "--build", "-Zxz", "-z3", root, package]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return package


if __name__ == "__main__":
    if not shutil.which("dpkg-deb"):
        sys.exit("dpkg-deb is needed")
    print(build(sys.argv[1], sys.argv[2]))
