"""What a case is, and the checks that an expectation is made of.

In: the parsed result of a run. Out: which expectations do not hold.
Does not: start anything, or know how the tool comes to what it says.
Invariants: the expectation of a case stands in its table before it is run; `field` is the reason for it.
"""
import re
from dataclasses import dataclass

CLEAN = {"normal", "awaiting-inverter", "inverter-lost", "not-ready"}
EXIT = {"normal": 0, "fault": 1, "bus-problem": 3, "awaiting-inverter": 5, "undecided": 6, "inverter-lost": 8, "not-ready": 9, "refused": 4}
ALL = []


@dataclass
class Case:
    name: str                       # map, then what is special
    field: str                      # the sentence of the trade that it comes from
    does: str                       # what the unit, or the line, does
    world: object                   # () -> World
    kinds: set                      # verdicts that are right
    truth: str = "sound"            # sound, fault (something is broken), open (a danger or a doubt that must not be hidden), line
    root: tuple = None              # first root: any of these; () none may be there; None not looked at
    checks: tuple = ()              # more that must hold, see below
    link: str = "tcp"
    map: str = "generic-hv-stack"   # name, or text of a map of its own
    command: str = "check"          # check, watch, map (looks at the map file alone), listen
    seconds: int = None             # watch: how long
    args: tuple = ()
    wake: bool = None               # consent that asking may wake the unit; default: what the map wants
    beside: bool = False            # consent to ask beside somebody who asks
    during: tuple = ()              # watch: (from, to, kinds) of every verdict shown in that time of the unit
    reach: tuple = ()               # watch: (until, kinds): shown at some time up to then
    then: tuple = ()                # a second command after it, in the same place; its result is `_then`
    long: int = 0                   # check: about how long it takes, where that is long
    point: str = ""                 # number of the point or rule it stands for
    argue: str = ""                 # where several verdicts can be defended: why


def case(name, **values):
    kinds = values.pop("kinds")
    made = Case(name=name, kinds={kinds} if isinstance(kinds, str) else set(kinds), **values)
    if isinstance(made.root, str):
        made.root = (made.root,)
    if any(other.name == name for other in ALL):
        raise ValueError(f"two cases are called {name}")
    if made.wake is None:
        made.wake = "generic-lv-rack" in made.map
    ALL.append(made)
    return made


# ---- the result, taken apart
def texts(node, skip=("readings", "bus", "causes", "profile", "link", "numbers")):
    if isinstance(node, str):
        yield node
    elif isinstance(node, list):
        for item in node:
            yield from texts(item, skip)
    elif isinstance(node, dict):
        for key, item in node.items():
            if key not in skip:
                yield from texts(item, skip)


def all_said(result):
    return "\n".join(texts(result))


def first_lines(result):
    """What a person reads first: the cautions, the sentence, two reasons, the first step."""
    verdict = result.get("verdict", {})
    parts = [verdict.get("summary", "")] + verdict.get("why", [])[:2]
    for place in (result, verdict):
        for key in place:
            if "caution" in key or "danger" in key:
                parts += list(texts(place[key]))
    steps = verdict.get("next", [])
    if steps:
        parts += [steps[0].get("id", ""), steps[0].get("text", "")]
    return "\n".join(str(part) for part in parts)


def headline_says(pattern):
    return (f"the sentence says /{pattern}/", lambda r: re.search(pattern, r["verdict"]["summary"], re.I) is not None)


def first_root(result):
    for finding in result.get("findings", []):
        if finding.get("root"):
            return finding.get("id")
    return None


def roots(result):
    return [f.get("id") for f in result.get("findings", []) if f.get("root")]


def kind_of(result):
    return result.get("verdict", {}).get("kind")


# ---- checks: each gives (what must hold, a function of the result)
def says(pattern):
    return (f"says /{pattern}/", lambda r: re.search(pattern, all_said(r), re.I) is not None)


def never_says(pattern):
    return (f"never says /{pattern}/", lambda r: re.search(pattern, all_said(r), re.I) is None)


def first_says(pattern):
    return (f"first lines say /{pattern}/", lambda r: re.search(pattern, first_lines(r), re.I) is not None)


def first_step(pattern):
    def holds(r):
        steps = r.get("verdict", {}).get("next", [])
        return bool(steps) and re.search(pattern, steps[0].get("id", "") + " " + steps[0].get("text", ""), re.I) is not None
    return (f"first step is /{pattern}/", holds)


def first_step_is_not(pattern):
    label, holds = first_step(pattern)
    return (f"first step is not /{pattern}/", lambda r: not holds(r))


def no_step(pattern):
    def holds(r):
        return not any(re.search(pattern, s.get("id", "") + " " + s.get("text", ""), re.I) for s in r.get("verdict", {}).get("next", []))
    return (f"no step /{pattern}/", holds)


def step_needs(pattern, *needs):
    """No step that matches is labelled with less than it needs."""
    def holds(r):
        return all(s.get("needs") in needs for s in r.get("verdict", {}).get("next", []) if re.search(pattern, s.get("text", ""), re.I))
    return (f"a step /{pattern}/ needs {' or '.join(needs)}", holds)


def a_step(pattern, needs):
    """There is such a step, and this is what it is called."""
    def holds(r):
        return any(s.get("needs") == needs for s in r["verdict"]["next"] if re.search(pattern, s.get("text", ""), re.I))
    return (f"a step /{pattern}/ with {needs}", holds)


def step_needs_more_than(pattern, needs):
    """No step that matches is called as harmless as this."""
    def holds(r):
        return all(s.get("needs") != needs for s in r.get("verdict", {}).get("next", []) if re.search(pattern, s.get("text", ""), re.I))
    return (f"a step /{pattern}/ needs more than {needs}", holds)


def step_says_too(pattern, too):
    """Every step that matches says this as well."""
    def holds(r):
        told = [s.get("text", "") for s in r.get("verdict", {}).get("next", [])]
        return all(re.search(too, text, re.I) for text in told if re.search(pattern, text, re.I))
    return (f"a step /{pattern}/ says /{too}/ too", holds)


def untested(pattern):
    return (f"not tested: /{pattern}/", lambda r: any(re.search(pattern, " ".join(texts(n)), re.I) for n in r.get("not_tested", [])))


def any_root(*ids):
    return (f"a root {' or '.join(ids)}", lambda r: any(i in roots(r) for i in ids))


def no_root(*ids):
    return (f"no root {' or '.join(ids)}", lambda r: not any(i in roots(r) for i in ids))


def not_proven():
    return ("no root is proven", lambda r: not any(f.get("root") and f.get("sure") == "proven" for f in r.get("findings", [])))


def finding(pattern):
    return (f"a finding /{pattern}/", lambda r: any(re.search(pattern, " ".join(texts(f)), re.I) for f in r.get("findings", [])))


def verdict_changes_at_most(count):
    def holds(r):
        kinds = [kind for _, kind in r.get("_course", [])]
        return sum(a != b for a, b in zip(kinds, kinds[1:])) <= count
    return (f"the verdict changes at most {count} times", holds)


def paced(seconds):
    """So long from one answer to the next question, whoever is asked."""
    def holds(r):
        times = [at for at, _, _ in r["_log"]]
        return len(times) > 3 and all(after - before >= seconds for before, after in zip(times, times[1:]))
    return (f"at least {seconds} s between two questions", holds)


def told_after(since, address, kinds, within):
    """One of these verdicts is shown at most so long after the first question from `since` on that reads this input register (any question without one)."""
    def holds(r):
        def reads(pdu):
            return pdu[0] == 4 and int.from_bytes(pdu[1:3]) <= address < int.from_bytes(pdu[1:3]) + int.from_bytes(pdu[3:5])
        asked = [at for at, _, pdu in r["_log"] if at >= since and (address is None or reads(bytes.fromhex(pdu)))]
        shown = [at for at, kind in r["_course"] if at >= since and kind in kinds]
        return bool(asked and shown) and shown[0] - asked[0] <= within
    return (f"{'/'.join(sorted(kinds))} at most {within} s after the first question that could show it", holds)



# ---- words that many cases share
ZERO_AMPS = r"\b0 A\b|zero (current|amp)|(stop|no) (the )?(charg|current|discharg)|charg\w* (to|at) zero|set \w+ to zero"
KEEP_AWAY = r"keep away|stay away|leave|fire service|nobody near"
POWER_CYCLE = r"does-it-return|power cycle|restart (it|once|the)"
