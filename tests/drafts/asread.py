"""The draft that somebody makes who reads a list without a mistake: what it says, with its errors, and what it leaves out as open.

With it `profile try` is tested by itself: `run.py PROGRAM --only as-read`.
"""

import json

TABLES = {3: "holding", 4: "input"}
HEAD = """format = 3

[profile]
id = "invented"
title = "Invented unit"
document = "invented list"
revision = "1"
author = "tests/drafts"
date = "2026-12-01"
verified_on_hardware = false

[draft]
made = "by-hand"
source = "list"
open = %s

[answering]
line = "9600-8N1"
unit = 1
answer_time_ms = 100
time_out_ms = 1000
functions = [3, 4]

[inverter]
port = "unknown"
fed_by = "unknown"
silence_s = 60

[unit]
switch = "contactor"
terminals_without_inverter = "live"
self_test_s = 10
cells_per_module = %d
chemistry = "%s"
rest_current = 1.0

[cell]
never_charge_below = 2.0
charge_from_c = 0
charge_to_c = 45
"""
CHOICES = {
    "order": [{"order": "high-first"}, {"order": "low-first"}],
    "positive": [{"positive": "charge"}, {"positive": "discharge"}],
}


def value(thing):
    return json.dumps(thing, ensure_ascii=False)


def draft(unit, writer):
    """`writer` is a `tables.Writer` of the unit: its points are what the list says."""
    shift = {"from-0": 0, "hex": 0, "with-table": 1, "from-1": 1}[writer.numbering]
    off = writer.shift - shift
    if writer.has("base") and writer.numbering == "from-1":
        off = 1
    off = max(off, -min(p.places[0] for p in writer.points))  # 40000 can only be the first register
    open_keys = [] if writer.base_said or writer.numbering == "with-table" else ["addresses"]
    text = HEAD % (value(open_keys), unit.cells, unit.chemistry.upper())
    spans = {}
    for point in writer.points:
        for place in point.places:
            for word in range(point.registers):
                spans.setdefault(point.function, set()).add(place + word + off)
    for function, registers in sorted(spans.items()):
        for first, last in runs(sorted(registers)):
            text += '\n[[span]]\ntable = "%s"\nfrom = %d\nto = %d\n' % (TABLES[function], first, last)
    sure = [p for p in writer.points if p.count == 1 and p.type in ("u16", "enum16", "bits16")]
    for point in sure[:1]:
        text += '\n[[recognise]]\npoint = "%s"\nequals = 0\n' % point.id
    for point in writer.points:
        if point.count > 1 and point.stride is None:
            step = point.places[point.per_module] - point.places[0]
            text += '\n[[group]]\nid = "of_%s"\ntable = "%s"\naddress = %d\ncount = %d\nat_most = %d\nstride = %d\n' % (
                point.id, TABLES[point.function], point.places[0] + off, unit.modules, unit.modules, step)
    return text + "".join(one(point, writer, off) for point in writer.points)


def runs(registers):
    found = []
    for register in registers:
        if found and found[-1][1] + 1 == register:
            found[-1][1] = register
        else:
            found.append([register, register])
    return found


def one(point, writer, off):
    lines = ['id = "%s"' % point.id, 'name = %s' % value(writer.name(point, 0, point.count - 1 if point.count > 1 else None)), 'role = "%s"' % point.role]
    if point.count > 1 and point.stride is None:
        lines += ['group = "of_%s"' % point.id, "address = 0", "repeat = { count = %d, stride = %d, name = \"one\" }" % (point.per_module, point.registers)]
    else:
        lines += ['table = "%s"' % TABLES[point.function], "address = %d" % (point.places[0] + off)]
        if point.count > 1:
            lines.append("repeat = { count = %d, stride = %d, name = \"one\" }" % (point.count, point.stride))
    wrong = writer.wrong.get(point.id, [])
    kind = point.type
    lines.append('type = "%s"' % kind)
    if kind == "string":
        lines.append("registers = %d" % point.registers)
    elif point.registers > 1:
        lines.append('order = "%s"' % ("high-first" if "order-not-said" in wrong else point.order))
    open_keys = []
    if kind not in ("string", "bits16", "bits32", "enum16"):
        unit, scale = ("W", point.scale * 1000) if point.unit == "kW" else (point.unit, point.scale)
        lines.append('unit = "%s"' % unit)
        if "no-scale" in wrong:
            open_keys.append("scale")
        else:
            lines.append("scale = %.10g" % scale)
        if point.offset and "no-offset" not in wrong:
            lines.append("offset = %.10g" % point.offset)
    if "order-not-said" in wrong:
        open_keys.append("order")
    if point.positive:
        if "direction-not-said" in wrong:
            open_keys.append("positive")
            lines.append('positive = "charge"')
        else:
            lines.append('positive = "%s"' % point.positive)
    if point.values:
        kinds = {"charging": "running", "discharging": "running"}
        lines.append("value = [%s]" % ", ".join('{ is = %d, name = "%s", state = "%s" }' % (n, s, kinds.get(s, s)) for n, s in point.values.items()))
    grade = "as-document-says" if not open_keys else "open"
    text = "\n[[point]]\n" + "\n".join(lines) + '\n\n[point.draft]\ngrade = "%s"\n' % grade
    if open_keys:
        text += "open = %s\n" % value(open_keys)
    text += '\n[[point.draft.evidence]]\nby = "document"\nline = %d\ntext = %s\n' % (1, value(writer.name(point, 0, None)))
    for key in open_keys:
        for rival in CHOICES.get(key, []):
            if 'positive = "%s"' % rival.get("positive") not in lines and 'order = "%s"' % rival.get("order") not in lines:
                text += "\n[[point.draft.rival]]\n" + "\n".join('%s = "%s"' % pair for pair in rival.items()) + '\nwhy = "not said"\n'
    return text
