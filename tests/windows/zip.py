"""The portable archive for Windows: programs, licences, maps to copy, and what to read. Nothing is installed, no
rights of an administrator are needed; the folder may lie anywhere.

    python3 tests/windows/zip.py WINDOWS-PROGRAMS OUTPUT      folder with the .exe files; folder for the archive
"""
import pathlib
import re
import sys
import zipfile

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
# The same programs give the same archive.
THEN = (2026, 1, 1, 0, 0, 0)


def build(programs, output):
    """Gives the path of the archive."""
    version = re.search(r'^version = "([^"]+)"', (ROOT / "Cargo.toml").read_text(encoding="utf-8"), re.M)[1]
    name = f"packside-{version}-windows-x86_64"
    programs = pathlib.Path(programs)
    files = {path.name: path.read_bytes() for path in (programs / "packside.exe", programs / "packside-simulator.exe")}
    texts = [ROOT / name for name in ("README.md", "REFERENCE.md", "LICENSE-MIT", "LICENSE-APACHE")]
    for path in texts + sorted((ROOT / "profiles" / "maps").glob("*.toml")):
        # Old editors of Windows show a text in one line unless it has their line ends.
        text = path.read_text(encoding="utf-8").replace("\n", "\r\n").encode()
        plain = path.name + ".txt" if path.name.startswith("LICENSE") else path.name
        files[f"maps/{plain}" if path.suffix == ".toml" else plain] = text
    archive = pathlib.Path(output) / f"{name}.zip"
    archive.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for inside, content in files.items():
            entry = zipfile.ZipInfo(f"{name}/{inside}", THEN)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            packed.writestr(entry, content)
    return archive


if __name__ == "__main__":
    print(build(sys.argv[1], sys.argv[2]))
