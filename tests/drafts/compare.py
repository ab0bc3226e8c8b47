"""Holds a draft against the truth, point by point. Knows both only as JSON: the truth of `maps.py`, and `packside.draft/1`."""

import struct
from collections import namedtuple

WIDTH = {"u8-low": 1, "u8-high": 1, "i8-low": 1, "i8-high": 1, "u16": 1, "i16": 1, "bits16": 1, "enum16": 1, "bcd16": 1,
         "u32": 2, "i32": 2, "f32": 2, "bits32": 2, "enum32": 2, "bcd32": 2, "u64": 4, "i64": 4, "f64": 4}
UNITS = {"": 1, "V": 1, "mV": 1e-3, "kV": 1e3, "A": 1, "mA": 1e-3, "W": 1, "kW": 1e3, "mW": 1e-3, "VA": 1, "Ah": 1, "mAh": 1e-3, "%": 1,
         "degC": 1, "°C": 1, "K": 1, "Ohm": 1, "kOhm": 1e3, "MOhm": 1e6, "mOhm": 1e-3, "uOhm": 1e-6, "kWh": 1, "Wh": 1e-3, "s": 1, "min": 60, "h": 3600,
         "ms": 1e-3, "rpm": 1}
DOCUMENT = {"addresses": "address", "table": "table", "order": "order"}   # open for all points together
ANALOGUE = {"cell_temperature", "cell_temperature_max", "cell_temperature_min"}

# What the bits of `words.BITS` say, as classes of the tool.
CLASSES = ["cell-over-voltage", "cell-under-voltage", "over-temperature", "under-temperature", "over-current", "over-current", "short-circuit",
           "insulation-low", "switch-fault", "precharge-failed", "internal-communication", "inverter-silent", "fuse-open", "sensor-fault"]
STATES = {"charging": "running", "discharging": "running"}

STACK = ("pack_voltage", "terminal_voltage")

# What came of one point of the truth, or of a claim that no truth stands behind.
Outcome = namedtuple("Outcome", "role verdict why direction grade point")


class Reading:
    """How registers become a number, from the truth or from a draft."""

    def __init__(self, said, unit):
        self.type, self.order = said["type"], said.get("order") or "high-first"
        factor = UNITS.get(unit)
        self.known_unit = factor is not None
        factor = factor or 1
        self.scale = float(said.get("scale") or 1) * factor
        self.offset = float(said.get("offset") or 0) * factor - (273.15 if unit == "K" else 0)
        self.width = WIDTH.get(self.type)

    def number(self, words):
        if self.order == "low-first":
            words = words[::-1]
        raw = 0
        for word in words:
            raw = raw << 16 | word
        bits = 16 * len(words)
        if self.type in ("f32", "f64"):
            value = struct.unpack(">f" if bits == 32 else ">d", raw.to_bytes(bits // 8, "big"))[0]
        elif self.type.startswith("bcd"):
            digits = "%x" % raw
            value = int(digits) if digits.isdigit() else float("nan")
        elif "8" in self.type:
            raw = raw >> 8 if self.type.endswith("high") else raw & 0xFF
            value = raw - 256 if self.type[0] == "i" and raw > 127 else raw
        else:
            value = raw - (1 << bits) if self.type[0] == "i" and raw >> bits - 1 else raw
        return value * self.scale + self.offset


def same(one, other, kelvin):
    return abs(one - other) <= max(1e-6 * abs(one), 1e-9) + (0.16 if kelvin else 0)


def elements(draft_point):
    """(function, register) of each element; function None where the draft does not say."""
    function = {"holding": 3, "input": 4}.get(draft_point.get("table"))
    starts = draft_point.get("places") or []
    if not starts:
        step = draft_point.get("stride") or 1
        starts = [draft_point["register"] + i * step for i in range(draft_point.get("count") or 1)]
    return [(function, start) for start in starts]


class Held:
    """One draft against one truth. `images`: {function: {register: word}} of one moment or several."""

    def __init__(self, truth, draft, images, learnt=False):
        self.truth, self.images, self.learnt = truth["points"], images, learnt
        self.draft = draft["points"]
        self.unread, self.all = draft.get("unread", []), draft
        self.open = {DOCUMENT[key] for key in draft.get("open", []) if key in DOCUMENT}
        self.at = {}
        for point in self.truth:
            for place in point["places"]:
                for word in range(point["registers"]):
                    self.at[point["function"], place + word] = point["quantity"]

    def outcomes(self):
        found, used = [], set()
        merged = {"terminal_voltage": "pack_voltage"} if self.learnt else {}
        roles = {}
        for point in self.truth:
            if point["role"] != "other":
                roles.setdefault(point["role"], []).append(point)
        for role, points in roles.items():
            claims = [c for c in self.draft if c["role"] == role and "role" not in c.get("open", [])]
            if self.learnt and role in STACK:
                claims = [self.as_one(c) for c in self.draft if (c["role"] in STACK and "role" not in c.get("open", [])) or self.is_stack(c)]
            several = sum(len(roles_of) for name, roles_of in roles.items() if name in STACK) if self.learnt and role in STACK else len(points)
            for point in points:
                own = self.own(point, claims, several)
                used.update(id(c) for c in own)
                found.append(self.held(merged.get(role, role), point, own))
        for claim in self.draft:
            if claim["role"] in ("other", "map_mark", "scale_factor") or id(claim) in used or self.learnt and claim["role"] in STACK and self.is_there(claim, STACK) or "role" in claim.get("open", []) or claim["grade"] == "open":
                continue
            there = sorted({str(self.at.get((f, r), "nothing")) for f, r in self.known(elements(claim))})
            if self.open & {"address"} and there == ["nothing"]:
                continue
            found.append(Outcome(claim["role"], "wrong", "takes %s for it" % "+".join(there[:3]), None, claim["grade"], claim))
        return found

    def is_stack(self, claim):
        """Whether nothing is in doubt but which of both voltages of the stack it is: they are one role here."""
        rivals = claim.get("rivals", [])
        return claim.get("open") == ["role"] and bool(rivals) and all(set(r) - {"why"} == {"role"} and r["role"] in STACK for r in rivals)

    def is_there(self, claim, roles):
        """Whether all of its registers are those of such points."""
        return all(self.at.get(place) in roles for place in self.known(elements(claim)))

    def as_one(self, claim):
        return dict(claim, role="pack_voltage", open=[]) if self.is_stack(claim) else claim

    def known(self, places):
        """With the function that the images have, where the draft does not say."""
        functions = list(self.images[0])
        return [(f if f is not None else functions[0], r) for f, r in places]

    def own(self, point, claims, several):
        """The claims that mean this point."""
        places = {(point["function"], place) for place in point["places"]}
        exact = [c for c in claims if places & set(self.known(elements(c)))]
        if exact:
            return exact
        if several == 1:
            return claims
        near = {(f, r + step) for f, r in places for step in (-1, 1)}
        # What stands exactly where another point of the role is means that one.
        taken = {(other["function"], place) for other in self.truth if other["role"] == point["role"] or self.learnt and {other["role"], point["role"]} <= set(STACK) for place in other["places"]}
        return [c for c in claims if near & set(self.known(elements(c))) and not taken & set(self.known(elements(c)))]

    def held(self, role, point, own):
        if not own:
            return self.without_claim(role, point)
        doubts = set(self.open)
        for claim in own:
            doubts |= set(claim.get("open", []))
        grade = max((c["grade"] for c in own), key=["checked", "as-document-says", "narrowed", "open"].index)
        direction = self.direction(point, own, doubts)
        wrong = self.differs(point, own)
        inner = doubts - {"positive", "value"}
        if not wrong:
            doubtful = (inner - self.open) or (self.learnt is not None and inner)
            verdict = "right" if not doubtful else ("narrowed" if grade == "narrowed" else "open")
        elif wrong == {"part"}:
            verdict = "wrong" if self.learnt else "open"
        elif wrong <= doubts:
            verdict = "narrowed" if grade == "narrowed" and self.among_rivals(point, own) else "open"
            if grade == "narrowed" and verdict == "open" and not wrong & self.open:
                verdict = "wrong"
                wrong = {"no rival holds: " + "+".join(sorted(wrong))}
        else:
            verdict = "wrong"
        return Outcome(role, verdict, self.told(point, own, wrong, doubts), direction, grade, point)

    def without_claim(self, role, point):
        places = {(point["function"], place) for place in point["places"]}
        for claim in self.draft:
            if "role" in claim.get("open", []) and places & set(self.known(elements(claim))):
                if any(rival.get("role") == point["role"] for rival in claim.get("rivals", [])) or claim["role"] == point["role"]:
                    return Outcome(role, "narrowed" if claim["grade"] == "narrowed" else "open", "role in doubt", None, claim["grade"], point)
        taken = sorted({c["role"] for c in self.draft if places & set(self.known(elements(c)))})
        return Outcome(role, "open", "taken as %s" % "+".join(taken) if taken else "not there", None, None, point)

    def direction(self, point, own, doubts):
        if not point["positive"]:
            return None
        if "positive" in doubts or any(not c.get("positive") for c in own):
            return "open"
        return "right" if all(c["positive"] == point["positive"] for c in own) else "wrong"

    def differs(self, point, own):
        """Keys in which the claims differ from the truth; empty where the same numbers come of the same registers."""
        places = {(point["function"], place) for place in point["places"]}
        claimed = [place for c in own for place in elements(c)]
        wrong = set()
        if any(f not in (None, point["function"]) for f, _ in claimed):
            wrong.add("table")
        registers = {r for _, r in claimed}
        true = {r for _, r in places}
        if registers != true:
            if registers < true:
                wrong.add("part")
            elif registers > true or registers & true:
                wrong.add("count")
            else:
                wrong.add("address")
        for claim in own:
            wrong |= self.numbers_differ(point, claim)
        if len(wrong) > 1:
            wrong.discard("part")
        return wrong

    def numbers_differ(self, point, claim):
        if point["type"] == "string":
            return set() if claim["type"] == "string" else {"type"}
        if claim["type"] == "string":
            return {"type"}
        true, said = Reading(point, point["unit"]), Reading(claim, claim.get("value_unit", claim.get("unit", "")) or "")
        if not said.known_unit and point["unit"]:
            return {"unit"}
        if said.width != true.width:
            return {"type"}
        kelvin = point["role"] in ANALOGUE
        samples = self.samples(point)
        if all(same(true.number(words), said.number(words), kelvin) for words in samples):
            return set()
        blamed = set()
        if (point["type"][0] == "f") != (claim["type"][0] == "f") or (point["type"][0] == "i") != (claim["type"][0] == "i"):
            blamed.add("type")
        if true.width > 1 and true.order != said.order:
            blamed.add("order")
        if abs(true.scale / said.scale - 1) > 1e-6:
            blamed.add("unit" if point["unit"] and not (claim.get("unit") or claim.get("value_unit")) else "scale")
        if abs(true.offset - said.offset) > (0.16 if kelvin else 1e-9):
            blamed.add("offset")
        return blamed or {"type"}

    def samples(self, point):
        """Words it had, and for what may be negative a number below zero."""
        found = []
        for image in self.images:
            words = image.get(point["function"], {})
            for place in point["places"]:
                taken = [words.get(place + w) for w in range(point["registers"])]
                if None not in taken:
                    found.append(taken)
        if point["type"] in ("u16", "i16", "u32", "i32"):  # a scale shows at zero as well
            some = [0] * (point["registers"] - 1) + [1000]
            found.append(some if point["order"] != "low-first" else some[::-1])
        may_be_negative = point["positive"] or (point["role"] in ANALOGUE and point["type"][0] == "i")
        if may_be_negative and point["type"][0] == "i":
            low = [0xFFFF] * (point["registers"] - 1) + [0xFFF4]
            found.append(low if point["order"] != "low-first" else low[::-1])
        return found

    def among_rivals(self, point, own):
        for claim in own:
            for rival in claim.get("rivals", []):
                other = dict(claim)
                other.update({("register" if key == "address" else "value_unit" if key == "unit" else key): value for key, value in rival.items() if key != "why"})
                if not self.differs(point, [other]) - {"part"}:
                    return True
        return False

    def told(self, point, own, wrong, doubts):
        if not wrong:
            return ""
        text = "+".join(sorted(wrong))
        if "scale" in wrong:
            true, said = Reading(point, point["unit"]), Reading(own[0], own[0].get("value_unit", own[0].get("unit", "")) or "")
            text += " (x%g)" % float("%.3g" % (said.scale / true.scale))
        if "address" in wrong:
            text += " (%+d)" % (min(r for _, r in elements(own[0])) - point["places"][0])
        return text

    def flags(self):
        """Bits of alarm and warning words: [(role, verdict, what it is, what it was taken for)]."""
        found = []
        ids = {}
        for claim in self.draft:
            for place in self.known(elements(claim)):
                ids.setdefault(place, set()).add(claim["id"])
        said = {}
        for flag in self.all.get("flags", []):
            said.setdefault((flag["point"], flag.get("bit")), []).append(flag)
        for point in self.truth:
            here = ids.get((point["function"], point["places"][0]), set())
            for bit, index in point["bits"].items():
                flags = [f for id in here for f in said.get((id, int(bit)), [])]
                if not flags:
                    found.append((point["role"], "open", CLASSES[index], "no flag"))
                    continue
                # Where it is not known which registers they are, the tool itself drops every flag.
                sure = [f for f in flags if f["grade"] != "open" and "class" not in f.get("open", []) and not self.open & {"address", "table"}]
                wrong = [f["class"] for f in sure if f["class"] not in (CLASSES[index], "other-fault")]
                verdict = "wrong" if wrong else "right" if any(f["class"] == CLASSES[index] for f in sure) else "open"
                found.append((point["role"], verdict, CLASSES[index], ", ".join(wrong)))
        return found

    def states(self):
        """Values of the state: [(verdict, what it is, what it was taken for)]."""
        found = []
        for point in self.truth:
            if point["role"] != "state":
                continue
            claims = [c for c in self.draft if c["role"] == "state" and (point["function"], point["places"][0]) in self.known(elements(c))]
            for number, name in point["values"].items():
                kind = STATES.get(name, name)
                values = [v for c in claims for v in c.get("values", []) if int(v["is"]) == int(number)]
                said = values[0].get("state") if values else None
                found.append(("open" if said is None else "right" if said == kind else "wrong", kind, said))
        return found

    def lost(self, lines):
        """Points of which no register stands in the draft and no row under what could not be read."""
        covered = {place for c in self.draft for place in self.known(elements(c))}
        told = {row["line"] for row in self.unread}
        for claim in self.draft:
            told |= {claim.get("line")} | {one.get("line") for one in claim.get("evidence", [])}
        return [p["quantity"] for p in self.truth
                if not covered & {(p["function"], place) for place in p["places"]} and not told & set(lines.get(p["id"], []))]

    def base(self):
        """Whether the draft counts registers as the wire does: right, wrong, open; None where nothing can be told."""
        steps = []
        for point in self.truth:
            claims = [c for c in self.draft if c["role"] == point["role"] != "other" and "role" not in c.get("open", [])]
            if len(claims) == 1 and len([p for p in self.truth if p["role"] == point["role"]]) == 1:
                steps.append(min(r for _, r in elements(claims[0])) - point["places"][0])
        if not steps:
            return None
        step = max(set(steps), key=steps.count)
        if "address" in self.open:
            return "open"
        return "right" if step == 0 else "wrong"
