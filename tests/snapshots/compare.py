"""Compares two snapshots of take.py: what differs, grouped by kind of difference.

    python3 tests/snapshots/compare.py A B [--texts] [--most N]

Exit code 1 where anything differs that intended.toml beside this file does not list. Texts are compared
only with --texts. Where one snapshot is of the quick set and the other of the full one, the runs of both
are compared. Runs and fields that only B has are named, and are no difference.

Does not: run anything, or know what a field means beyond how its kind is called.
"""

import argparse
import collections
import fnmatch
import json
import lzma
import pathlib
import sys
import tomllib

INTENDED = pathlib.Path(__file__).with_name("intended.toml")
WIDEST = 160
# Said behind the kind where only the order differs.
IN_ORDER = ", their order"

# How a difference is called, by the end of where it stands; the first that fits.
KINDS = [
    ("then.verify.*", "report --verify"),
    ("*exit", "exit code"),
    ("*verdict.kind", "verdict kind"),
    ("*course*", "verdict kind or first step over time"),
    ("*verdict.basis", "verdict basis"),
    ("*verdict.confidence", "verdict confidence"),
    ("*verdict.gate_filled", "gate"),
    ("*verdict.without_roots", "verdict without roots"),
    ("*roots", "roots"),
    ("*order_of_findings", "findings and their order"),
    ("*findings.*.since_ms", "since when of a finding"),
    ("*findings.*.disposition", "disposition"),
    ("*findings.*", "fields of a finding"),
    ("*verdict.next*", "next steps"),
    ("*verdict.open*", "open points"),
    ("*verdict.causes*.probability", "share of a cause"),
    ("*verdict.considered*.probability", "share of a cause"),
    ("*verdict.causes*.for", "number of reasons"),
    ("*verdict.causes*.against", "number of reasons"),
    ("*verdict.considered*.for", "number of reasons"),
    ("*verdict.considered*.against", "number of reasons"),
    ("*verdict.causes*", "causes"),
    ("*verdict.considered*", "causes"),
    ("*not_tested*", "not tested"),
    ("*readings.ages", "ages of readings"),
    ("*readings.*", "readings"),
    ("*bus.*", "counts of the bus"),
    ("*identity.*", "identity"),
    ("*moment_ms", "moment of the verdict"),
    ("*at_ms", "moment of the verdict"),
    ("*looks.*", "number and times of looks"),
    ("*numbers.*", "numbers over time"),
    ("*changes*", "changes told"),
    ("cases*", "expectations"),
]
# Objects whose fields are data: a new one is a difference, not a new kind of field.
DATA = {"findings", "groups", "numbers", "exceptions_by_code"}

Difference = collections.namedtuple("Difference", "run where kind before after")


def kind_of(where):
    fitting = (kind for pattern, kind in KINDS if fnmatch.fnmatchcase(where, pattern))
    return next(fitting, f"other: {where.split('.')[0]}")


def name_of(item):
    """What an item of a list is recognised by."""
    if not isinstance(item, dict):
        return short(item)
    names = [str(item[key]) for key in ("about", "id", "step", "name", "type", "unit") if key in item]
    return " ".join(names) or short(item)


def short(value):
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= WIDEST else text[: WIDEST - 3] + "..."


def differences(before, after, where="", new=None):
    """Pairs of what differs, with where it stands. Fields that only `after` has are added to `new`."""
    if isinstance(before, dict) and isinstance(after, dict):
        is_data = where.rsplit(".", 1)[-1] in DATA
        for key in [*before, *(key for key in after if key not in before)]:
            inside = f"{where}.{key}" if where else key
            if key in before and key in after:
                yield from differences(before[key], after[key], inside, new)
            elif key in before or is_data or new is None:
                yield inside, before.get(key, "nothing"), after.get(key, "nothing")
            else:
                new.add(inside)
    elif isinstance(before, list) and isinstance(after, list):
        yield from list_differences(before, after, where, new)
    elif before != after:
        yield where, before, after


def list_differences(before, after, where, new):
    """Item by item where the same ones stand in the same order, else what came and went."""
    names = [[name_of(item) for item in items] for items in (before, after)]
    if names[0] == names[1]:
        for name, one, other in zip(names[0], before, after):
            yield from differences(one, other, f"{where}.{name}", new)
    elif sorted(names[0]) == sorted(names[1]):
        yield f"{where}.order", ", ".join(names[0]), ", ".join(names[1])
    elif not any(isinstance(item, dict) for item in before + after) and len(before) == len(after):
        for number, (one, other) in enumerate(zip(before, after)):
            yield from differences(one, other, f"{where}.{number}", new)
    else:
        one, other = (collections.Counter(side) for side in names)
        only = [", ".join(side.elements()) for side in (one - other, other - one)]
        yield where, f"only here: {only[0]}", f"only here: {only[1]}"


def of_run(run, before, after, with_texts, new):
    """All differences of one run."""
    for where, one, other in differences(before["facts"], after["facts"], new=new):
        kind = kind_of(where.removesuffix(".order")) + (IN_ORDER if where.endswith(".order") else "")
        yield Difference(run, where, kind, one, other)
    if with_texts:
        for where, one, other in differences(before["texts"], after["texts"]):
            yield Difference(run, where, "texts", one, other)


def read(path):
    data = pathlib.Path(path).read_bytes()
    return json.loads(lzma.decompress(data) if str(path).endswith(".xz") else data)


def intended_of(entries, difference):
    """The entry that lists a difference, if one does."""
    def fits(entry):
        return all(
            fnmatch.fnmatchcase(value, entry.get(field, "*"))
            for field, value in (("run", difference.run), ("what", difference.kind), ("where", difference.where))
        )
    return next((entry for entry in entries if fits(entry)), None)


def show(title, group, most):
    """One kind of difference, the first of it in full."""
    runs = len({difference.run for difference in group})
    print(f"\n{title}: {len(group)} in {runs} runs")
    for difference in group[:most]:
        print(f"  {difference.run}  [{difference.where}]")
        print(f"    before: {short(difference.before)}\n    after:  {short(difference.after)}")
    if len(group) > most:
        print(f"  ... and {len(group) - most} more (--most {len(group)})")


def show_all(found, intended, most):
    order = [name for _, kind in KINDS for name in (kind, kind + IN_ORDER)]
    groups = collections.defaultdict(list)
    for difference in found:
        groups[difference.kind].append(difference)
    for kind in sorted(groups, key=lambda kind: order.index(kind) if kind in order else len(order)):
        show(kind, groups[kind], most)
    for why, group in intended.items():
        show(f"INTENDED ({why})", group, min(most, 3))


def arguments():
    parser = argparse.ArgumentParser(description="Compares two snapshots of take.py.")
    parser.add_argument("before", metavar="A")
    parser.add_argument("after", metavar="B")
    parser.add_argument("--texts", action="store_true", help="compare sentences too")
    parser.add_argument("--most", type=int, default=8, metavar="N", help="so many of each kind are shown")
    return parser.parse_args()


def compared(before, after, given, new):
    """The differences that are none of those intended, and those that are, by why."""
    entries = tomllib.loads(INTENDED.read_text()).get("intended", []) if INTENDED.exists() else []
    found, intended = [], collections.defaultdict(list)
    for run in before["runs"].keys() & after["runs"].keys():
        for difference in of_run(run, before["runs"][run], after["runs"][run], given.texts, new):
            entry = intended_of(entries, difference)
            (intended[entry["why"]] if entry else found).append(difference)
    found.sort(key=lambda difference: difference.run)
    return found, intended


def main():
    given, new = arguments(), set()
    before, after = read(given.before), read(given.after)
    found, intended = compared(before, after, given, new)
    same_set = before["set"] == after["set"]
    gone = [run for run in before["runs"] if run not in after["runs"]] if same_set else []
    found += [Difference(run, "", "run is missing", "was there", "is not") for run in gone]
    show_all(found, intended, given.most)
    added = [run for run in after["runs"] if run not in before["runs"]] if same_set else []
    if added:
        print(f"\nnew runs, not compared: {len(added)}, for example {added[0]}")
    if new:
        fields = sorted({".".join(where.split(".")[-2:]) for where in new})
        print(f"\nnew fields, not compared: {', '.join(fields[:20])}")
    runs = len(before["runs"].keys() & after["runs"].keys())
    listed = sum(map(len, intended.values()))
    differ = len({difference.run for difference in found})
    print(f"\n{runs} runs compared: {differ} differ ({len(found)} differences), {listed} differences intended")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
