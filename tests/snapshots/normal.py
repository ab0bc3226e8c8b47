"""One output of packside as data that can be compared: facts apart from texts, long lists as digests.

Input: the JSON that a command printed, as objects. Output: `facts` and `texts`, both plain JSON.
Facts are ids, numbers and places. Texts are sentences for people, kept under the same paths.

Does not: run anything, or decide what may differ (see compare.py).

Invariants: the same output gives the same result; nothing but versions and fingerprints is left out.
"""

import hashlib
import json
import re

# Fields that hold sentences, wherever they stand.
TEXT_FIELDS = {
    "against", "caution", "do", "for", "hint", "meaning", "message", "note", "question", "reasons",
    "remark", "story", "summary", "text", "told", "value_name", "when", "why",
}
# Versions and fingerprints of texts: a changed comment in a register map is no other verdict.
LEFT_OUT = {"tool", "sha256", "fingerprint"}
# Longer rows of numbers are kept as digests.
LONGEST_ROW = 8
DATE = re.compile(r"\b20\d\d-\d\d-\d\d[ T]\d\d:\d\d:\d\d(\.\d+)?(Z| ?[+-]\d\d:\d\d)?")
FINGERPRINT = re.compile(r"\bfingerprint [0-9a-f]{16}\b")


def digest(value):
    """Twelve hex digits of anything that JSON can hold."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def without_today(text):
    """A text without the dates and fingerprints of a recording made just now."""
    return FINGERPRINT.sub("fingerprint", DATE.sub("DATE", text))


def without_clock(value):
    """Objects without what a unit's clock says, which a recording compares with the time of day."""
    if isinstance(value, list):
        kept = [item for item in value if not (isinstance(item, dict) and item.get("role") == "unit_clock")]
        return [without_clock(item) for item in kept]
    if isinstance(value, dict):
        return {key: without_clock(item) for key, item in value.items() if key != "unit_clock_error_s"}
    return value


def split(value, name=None):
    """A value as (facts, texts); either is None where there is nothing of it."""
    if _is_text(value, name):
        return (len(value) if isinstance(value, list) else None), value or None
    if isinstance(value, dict):
        return _split_fields(value)
    if isinstance(value, list):
        return _split_items(value)
    # The last bits of a share may come out otherwise where a sum is taken in another order.
    return (round(value, 6) + 0.0 if isinstance(value, float) else value), None


def _is_text(value, name):
    if isinstance(value, list):
        return name in TEXT_FIELDS and all(isinstance(item, str) for item in value)
    return isinstance(value, str) and (name in TEXT_FIELDS or value.count(" ") >= 2)


def _is_row(value):
    return all(_is_row(item) for item in value) if isinstance(value, list) else isinstance(value, (int, float))


def _split_fields(fields):
    facts, texts = {}, {}
    for key, value in fields.items():
        if key in LEFT_OUT:
            continue
        if key == "findings" and isinstance(value, list):
            fact, text = _split_findings(value)
            facts["order_of_findings"] = list(fact)
            facts["roots"] = [place for place, finding in fact.items() if finding.get("root")]
        elif key == "readings" and isinstance(value, list):
            fact, text = _split_readings(value)
        else:
            fact, text = split(value, key)
        if text is not None:
            texts[key] = text
        if fact is not None or (text is None and key not in TEXT_FIELDS):
            facts[key] = fact
    return facts, texts or None


def _split_items(items):
    if len(items) > LONGEST_ROW and _is_row(items):
        return f"{len(items)}:{digest(items)}", None
    parts = [split(item) for item in items]
    texts = {_label(n, item): text for n, (item, (_, text)) in enumerate(zip(items, parts)) if text}
    return [facts for facts, _ in parts], texts or None


def _split_findings(findings):
    """By what makes a finding the same one; a second one of the same key gets a number."""
    facts, texts = {}, {}
    for finding in findings:
        key, n = finding_key(finding), 1
        while f"{key} #{n}" in facts or (n == 1 and key in facts):
            n += 1
        key = key if n == 1 else f"{key} #{n}"
        facts[key], texts[key] = _split_fields(finding)
    return facts, texts or None


def _label(number, item):
    """Where an item of a list stands: its number, and its id where it has one."""
    name = item.get("id") or item.get("step") if isinstance(item, dict) else None
    return f"{number} {name}" if name else str(number)


def finding_key(finding):
    """What makes a finding the same one: id, place and source."""
    where = finding.get("where") or {}
    place = "".join(
        f" {letter}{where[part]}"
        for part, letter in (("pack", "u"), ("module", "m"), ("cell", "c"))
        if where.get(part) is not None
    )
    return f"{finding['id']}{place} {finding.get('source')} {finding.get('severity')}"


def _split_readings(readings):
    """A count and digests: one for each unit and kind of point, one for all ages."""
    groups, ages, texts = {}, [], {}
    for reading in readings:
        facts, text = _split_fields({k: v for k, v in reading.items() if k != "age_ms"})
        point = str(reading.get("point"))
        groups.setdefault(f"u{reading.get('unit')} {point.split('[')[0]}", []).append(facts)
        ages.append(reading.get("age_ms"))
        if text:
            texts[f"u{reading.get('unit')} {point}"] = text
    facts = {
        "count": len(readings),
        "groups": {name: f"{len(group)}:{digest(group)}" for name, group in groups.items()},
        "ages": digest(ages),
    }
    return facts, texts or None


def watched(lines):
    """The lines of `watch`: how the verdict went, what changed, and the last result in full."""
    looks = [line for line in lines if line.get("type") == "look"]
    changes = [{k: v for k, v in line.items() if k != "type"} for line in lines if line.get("type") == "change"]
    rest = [line for line in lines if line.get("type") not in ("look", "change")]
    facts, texts = split({"changes": changes, "lines": rest})
    facts["looks"] = {"count": len(looks), "times": digest([look["at_ms"] for look in looks])}
    facts["course"] = _course(looks)
    facts["numbers"] = _numbers(looks)
    texts = texts or {}
    summaries = [look["verdict"].get("summary") for look in looks]
    texts["summaries"] = [s for n, s in enumerate(summaries) if n == 0 or summaries[n - 1] != s]
    return facts, texts


def _course(looks):
    """Verdict and first step where they differ from those of the look before, with the number of the look."""
    course, before = [], None
    for number, look in enumerate(looks, 1):
        now = (look["verdict"]["kind"], look["verdict"].get("next"))
        if now != before:
            course.append(f"{number} {now[0]} {now[1]}")
        before = now
    return course


def _numbers(looks):
    """A digest of the whole course of each number."""
    courses = {}
    for look in looks:
        for number in look.get("numbers", []):
            courses.setdefault(f"u{number['unit']} {number['name']}", []).append(number["value"])
    return {name: f"{len(values)}:{digest(values)}" for name, values in courses.items()}


def overheard(lines):
    """The lines of `listen`: a count and a digest of the exchanges, and everything else."""
    exchanges = [line for line in lines if line.get("type") == "exchange"]
    rest = [line for line in lines if line.get("type") != "exchange"]
    facts, texts = split({"lines": rest})
    facts["exchanges"] = f"{len(exchanges)}:{digest(exchanges)}"
    return facts, texts


def whole(lines):
    """The one object that the other commands print."""
    return split(lines[0] if len(lines) == 1 else {"lines": lines})
