"""Recordings taken apart and sealed again, so that what is wrong in them gets past the hash.

The rule (kind: derived, from the documented format): every line is a JSON object whose last member `h` is the
first 16 hex digits of SHA-256 over the hash of the line before and the line without it.
"""

import hashlib
import json

BEFORE, BEHIND, DIGITS = b',"h":"', b'"}', 16


def lines_of(path):
    """Every line without its hash."""
    cut = len(BEFORE) + DIGITS + len(BEHIND)
    return [line[:-cut] + b"}" for line in path.read_bytes().splitlines()]


def sealed(lines):
    """A file with a chain that fits."""
    before, out = b"", []
    for line in lines:
        before = hashlib.sha256(before + line).hexdigest()[:DIGITS].encode()
        out.append(line[:-1] + BEFORE + before + BEHIND + b"\n")
    return b"".join(out)


def whole(lines):
    """The same with a right count in its seal, where it has one."""
    lines = list(lines)
    if lines and lines[-1].startswith(b'{"type":"seal"'):
        lines[-1] = b'{"type":"seal","lines":%d}' % (len(lines) - 1)
    return sealed(lines)


def texts_of(value, path=()):
    """Where a text stands in an object: every path, also within lists and members."""
    if isinstance(value, str):
        yield path
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from texts_of(inner, (*path, key))
    elif isinstance(value, list):
        for key, inner in enumerate(value):
            yield from texts_of(inner, (*path, key))


def leaves_of(value, path=()):
    """Where anything stands in an object that is no object itself."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if inner is None:
        yield path
    else:
        for key, below in inner:
            yield from leaves_of(below, (*path, key))


def with_value(line, path, value):
    """The line with another value at this place."""
    whole_line = json.loads(line)
    place = whole_line
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return json.dumps(whole_line, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")


def kinds_of(lines):
    """The first line of each type, by its number."""
    found = {}
    for number, line in enumerate(lines):
        kind = json.loads(line)["type"]
        found.setdefault(kind, number)
    return found
