"""What a unit does not give, under maps that mark nothing as required. Such a map comes from a maker's list, finished by hand.

The verdict says that nothing is wrong only where everything was read that could say otherwise. Each point of a map is taken
away in turn: refused (exception 2), never answered, or at its not-available value. Written before it was run.

Decided beforehand, by what each point is the only witness of (failure modes by their number):
 - a clean verdict needs, once the map names it: state, every word of alarms, warnings and stored alarms, the inverter's flag, own
   counter (30), uptime (31; too early), switches (22 to 26), pack, module and terminal voltage (13, 14, 17, 23, 29), current,
   charge (21, 17), each cell and sensor and their extremes (1 to 3, 19, 39, 42), insulation (52; a value that the unit calls not
   valid or not available is another thing: not tested), number of modules and packs (15; a pack that is not counted is not looked at),
   serial number, firmware, mark of the map (60);
 - what only refines a verdict may be missing, and stands under not tested by its name: power, charge of a module, balancing,
   granted currents (57), age, counter and ever heard of the inverter, serial number, firmware and place of a module.
"""
import re
import struct

from case import case
from cases_h_maps import HV, LV, changed
from habits import refusal
from images import *
from wire import Out, World

# ---- a battery of this file: one pack, two modules of eight cells. INVENTED, every register is made up.
# Each point stands alone between two holes, so that one of them can be missing without any other.
CELLS, SENSORS, MODULES = 8, 2, 2
POINTS = [  # id and role, address, type, more
    ("map_mark", 0, "u16", ""),
    ("serial", 4, "string", "registers = 4"),
    ("firmware", 10, "string", "registers = 2"),
    ("module_count", 14, "u16", "limits = { possible = [1, 2] }"),
    ("state", 18, "enum16", 'value = [{ is = 1, name = "waits", state = "waiting" }, { is = 2, name = "stands by", state = "standby" }]'),
    ("alarm_word", 22, "bits16", ""),
    ("warning_word", 26, "bits16", ""),
    ("latched_word", 30, "bits16", ""),
    ("switches", 34, "bits16", ""),
    ("inverter_flag", 38, "u16", ""),
    ("inverter_age", 42, "u16", 'unit = "s"\nnot_available = [65535]'),
    ("inverter_ever_heard", 46, "u16", ""),
    ("inverter_heartbeat", 50, "u16", ""),
    ("own_heartbeat", 54, "u16", ""),
    ("uptime", 58, "u32", 'unit = "s"\nnot_available = [4294967295]'),
    ("pack_voltage", 62, "u16", 'scale = 0.01\nunit = "V"\nnot_available = [65535]'),
    ("terminal_voltage", 66, "u16", 'scale = 0.01\nunit = "V"\nnot_available = [65535]'),
    ("pack_current", 70, "i16", 'scale = 0.1\nunit = "A"\npositive = "charge"\nnot_available = [32768]\nlimits = { alarm_below = -120, alarm_above = 120 }'),
    ("pack_power", 74, "i16", 'unit = "W"\npositive = "charge"'),
    ("soc", 78, "u16", 'unit = "%"\nnot_available = [65535]\nlimits = { alarm_below = 5 }'),
    ("soh", 82, "u16", 'unit = "%"'),
    ("cell_voltage_max", 86, "u16", 'scale = 0.001\nunit = "V"\nnot_available = [65535]\nlimits = { alarm_above = 3.65 }'),
    ("cell_voltage_min", 90, "u16", 'scale = 0.001\nunit = "V"\nnot_available = [65535]\nlimits = { alarm_below = 2.8 }'),
    ("cell_temperature_max", 94, "i16", 'unit = "degC"\nnot_available = [32768]\nlimits = { alarm_above = 58 }'),
    ("cell_temperature_min", 98, "i16", 'unit = "degC"\nnot_available = [32768]\nlimits = { alarm_below = -10 }'),
    ("insulation", 102, "u16", 'unit = "kOhm"\nnot_available = [65535]\nvalid_when = { point = "insulation_valid", is = [1] }\nlimits = { alarm_below = 100 }'),
    ("insulation_valid", 106, "u16", ""),
    ("charge_limit", 110, "u16", 'unit = "A"'),
    ("discharge_limit", 114, "u16", 'unit = "A"'),
]
IN_MODULE = [  # the same within a module, from register 200 on, 60 apart
    ("module_voltage", 0, "u16", 'scale = 0.01\nunit = "V"\nnot_available = [65535]'),
    ("module_soc", 4, "u16", 'unit = "%"'),
    ("balancing", 8, "bits16", ""),
    ("module_serial", 12, "string", "registers = 2"),
    ("module_firmware", 16, "string", "registers = 1"),
    ("module_position", 20, "u16", ""),
    ("cell_voltage", 24, "u16", 'scale = 0.001\nunit = "V"\nnot_available = [65535]\nlimits = { alarm_below = 2.8, alarm_above = 3.65, spread = 0.15 }\n'
     f'repeat = {{ count = {CELLS}, stride = 2, name = "cell" }}'),
    ("cell_temperature", 44, "i16", 'unit = "degC"\nnot_available = [32768]\nlimits = { alarm_below = -10, alarm_above = 58, spread = 15 }\n'
     f'repeat = {{ count = {SENSORS}, stride = 4, name = "sensor" }}'),
]
WIDE = {"serial": 4, "firmware": 2, "uptime": 2, "module_serial": 2}
AT = {name: address for name, address, *_ in POINTS}
IN = {name: address for name, address, *_ in IN_MODULE}
FIRST, APART = 200, 60


def registers():
    """Every register that there is, with its width, as (first, last)."""
    for name, address in AT.items():
        yield address, address + WIDE.get(name, 1) - 1
    for n in range(MODULES):
        for name, address in IN.items():
            times, stride = {"cell_voltage": (CELLS, 2), "cell_temperature": (SENSORS, 4)}.get(name, (1, 0))
            for k in range(times):
                at = FIRST + APART * n + address + k * stride
                yield at, at + WIDE.get(name, 1) - 1


def points(table, more):
    return "".join(f'[[point]]\nid = "{name}"\nrole = "{name}"\n{more}address = {address}\ntype = "{kind}"\n{rest}\n\n' for name, address, kind, rest in table)


OWN = f"""format = 1

[profile]
id = "own-pack"
title = "A pack of two modules, known from a list (invented)"
document = "An invented list"
revision = "1"
author = "the packside founders"
date = "2026-12-01"
verified_on_hardware = false
firmware_from = "1.0"
firmware_below = "9.0"

[answering]
line = "9600-8N1"
unit = 1
answer_time_ms = 30
time_out_ms = 250
functions = [4]
usual_poll_s = 5

[[recognise]]
point = "map_mark"
equals = 4711

{"".join(f'[[span]]{chr(10)}table = "input"{chr(10)}from = {first}{chr(10)}to = {last}{chr(10)}{chr(10)}' for first, last in registers())}
[[group]]
id = "module"
table = "input"
address = {FIRST}
count = "module_count"
at_most = {MODULES}
stride = {APART}

{points(POINTS, 'table = "input"' + chr(10))}
{points(IN_MODULE, 'group = "module"' + chr(10))}
[[flag]]
id = "cell-high"
point = "alarm_word"
bit = 0
class = "cell-over-voltage"
severity = "alarm"
lies_in = "module"
clears = "self"
meaning = "a cell is above its limit"

[[flag]]
id = "rather-warm"
point = "warning_word"
bit = 0
class = "over-temperature"
severity = "warning"
lies_in = "unknown"
clears = "self"
meaning = "rather warm"

[[flag]]
id = "stored-cell-lost"
point = "latched_word"
bit = 0
class = "cell-below-minimum"
severity = "alarm"
lies_in = "module"
clears = "service"
meaning = "a cell was below its absolute minimum"

[inverter]
port = "can"
fed_by = "other-port"
silence_s = 45
asking_may_close_switches = false

[unit]
switch = "contactor"
terminals_without_inverter = "dead"
switches_closed = 3
self_test_s = 8
precharge_s = [0.2, 2.0]
black_start = false
cells_per_module = {CELLS}
chemistry = "LFP"
rest_current = 1.0
refresh_s = 1.0

[cell]
never_charge_below = 2.0
charge_from_c = 0
charge_to_c = 50
"""


class Own(Registers):
    """The battery of that map, sound: it waits, or stands by with its inverter. `bent` puts words in place of its own."""

    functions = (4,)

    def __init__(self, serves, bent=()):
        super().__init__()
        self.serves, self.bent = serves, dict(bent)
        self.spans = {"input": list(registers()), "holding": []}

    def image(self, t):
        volts, on = CELLS * 3.27, self.serves
        words = {
            "map_mark": [4711], "serial": text("OB26-031", 4), "firmware": text("1.2", 2), "module_count": [MODULES],
            "state": [2 if on else 1], "alarm_word": [0], "warning_word": [0], "latched_word": [0], "switches": [3 if on else 0],
            "inverter_flag": [0 if on else 1], "inverter_age": [int(t) % 2 if on else NA16], "inverter_ever_heard": [int(on)],
            "inverter_heartbeat": [500 + int(t) if on else 0], "own_heartbeat": [1000 + int(t)],
            "uptime": u32_high_first(86400 + t), "pack_voltage": [u16(MODULES * volts * 100)],
            "terminal_voltage": [u16(MODULES * volts * 100) if on else 0], "pack_current": [0], "pack_power": [0], "soc": [55], "soh": [99],
            "cell_voltage_max": [3270], "cell_voltage_min": [3270], "cell_temperature_max": [21], "cell_temperature_min": [21],
            "insulation": [5000], "insulation_valid": [1], "charge_limit": [50 * on], "discharge_limit": [50 * on]}
        regs = {}
        for name, given in words.items():
            for k, word in enumerate(given):
                regs["input", AT[name] + k] = word
        for n in range(MODULES):
            base = FIRST + APART * n
            for name, given in {"module_voltage": [u16(volts * 100)], "module_soc": [55], "balancing": [0], "module_serial": text(f"OM{n + 1:02}", 2),
                                "module_firmware": text("12", 1), "module_position": [n + 1]}.items():
                for k, word in enumerate(given):
                    regs["input", base + IN[name] + k] = word
            for c in range(CELLS):
                regs["input", base + IN["cell_voltage"] + 2 * c] = 3270
            for s in range(SENSORS):
                regs["input", base + IN["cell_temperature"] + 4 * s] = 21
        regs.update({("input", address): word for address, word in self.bent.items()})
        return regs


def gone(first, last, code, unit=None, table=4):
    """No block that touches these registers is answered: refused, or (code None) silence."""
    def habit(world, ask, outs):
        if ask.pdu[0] == table and unit in (None, ask.unit):
            at, count = struct.unpack(">HH", ask.pdu[1:5])
            if at <= last and first < at + count:
                return [] if code is None else [Out(0.02, refusal(ask.pdu, code), ask.unit)]
        return outs
    return habit


def place(name):
    """Registers of a point; of one in the modules those of the second module, of a cell the third, of a sensor the second."""
    at = AT[name] if name in AT else FIRST + APART + IN[name] + {"cell_voltage": 4, "cell_temperature": 4}.get(name, 0)
    return at, at + WIDE.get(name, 1) - 1


NEEDED = ["map_mark", "serial", "firmware", "module_count", "state", "alarm_word", "warning_word", "latched_word", "switches", "inverter_flag",
          "own_heartbeat", "uptime", "pack_voltage", "terminal_voltage", "pack_current", "soc", "cell_voltage_max", "cell_voltage_min",
          "cell_temperature_max", "cell_temperature_min", "insulation", "insulation_valid", "module_voltage", "cell_voltage", "cell_temperature"]
TOLD = ["pack_power", "charge_limit", "discharge_limit", "inverter_age", "inverter_ever_heard", "inverter_heartbeat", "module_soc", "balancing",
        "module_serial", "module_firmware", "module_position"]
LOST_SIGHT = "What the map names and this unit does not give is lost sight: what could not be read is not in order."
NOT_TESTED = "What could not be read is not good: where the verdict can do without it, it stands under not tested by its name."
SAYS = {"map_mark": "register by which", "module_count": "module count|number of modules", "pack_count": "pack count|number of packs",
        "insulation_valid": "insulation", "soc": "state of charge", "module_soc": "module state of charge", "current_code": "fault code",
        "notes": "warning", "warnings": "warning", "latched": "latched|stored", "cell_voltage": "cell", "cell_temperature": "sensor|temperature"}


def named(name):
    """What a person calls a point, loosely."""
    return SAYS.get(name, name.replace("_", "[ _]"))


def names(name):
    """What is missing is named: in a reason, or under not tested."""
    def holds(r):
        told = r["verdict"].get("why", []) + [str(item) for item in r.get("not_tested", [])]
        return any(re.search(named(name), line, re.I) for line in told)
    return (f"names {name}", holds)


def own(what, serves, kinds, does, field, habits=(), bent=(), truth="open", checks=()):
    case(f"own map: {what}, {'in service' if serves else 'waits'}", map=OWN, link="rtu-tcp", world=lambda: World({1: Own(serves, bent)}, habits),
         kinds=kinds, truth=truth, does=does, field=field, checks=checks, root=(), point="R4")


for serves, clean in ((False, "awaiting-inverter"), (True, "normal")):
    own("all is read", serves, clean, "a sound unit under a map that marks nothing as required",
        "Everything read, nothing wrong: then it is said, whoever made the map.", truth="sound")
    for name in NEEDED:
        own(f"{name} refused", serves, {"undecided", "fault"}, f"the unit refuses {name} (exception 2), all else is sound", LOST_SIGHT,
            [gone(*place(name), 2)], checks=(names(name),))
    for name in TOLD:
        own(f"{name} refused", serves, {clean, "undecided"}, f"the unit refuses {name} (exception 2), all else is sound", NOT_TESTED,
            [gone(*place(name), 2)], checks=(names(name),))
for name in ("alarm_word", "latched_word", "uptime", "pack_voltage", "terminal_voltage", "soc", "switches", "insulation", "cell_voltage", "cell_temperature"):
    own(f"{name} never answered", True, {"undecided", "fault"}, f"no answer to any question for {name}, all else is sound", LOST_SIGHT,
        [gone(*place(name), None)], checks=(names(name),))
for name in ("charge_limit", "module_serial"):
    own(f"{name} never answered", True, {"normal", "undecided"}, f"no answer to any question for {name}, all else is sound", NOT_TESTED,
        [gone(*place(name), None)], checks=(names(name),))
for name, code in (("pack_voltage", 4), ("soc", 6), ("uptime", 4), ("cell_voltage", 6)):
    own(f"{name} answered with exception {code}", False, {"undecided", "fault"}, f"each question for {name} gets exception {code}", LOST_SIGHT,
        [gone(*place(name), code)], checks=(names(name),))
for name, word in (("uptime", NA16), ("pack_voltage", NA16), ("terminal_voltage", NA16), ("pack_current", 0x8000), ("soc", NA16), ("cell_voltage_max", NA16),
                   ("cell_voltage_min", NA16), ("cell_temperature_max", 0x8000), ("cell_temperature_min", 0x8000), ("module_voltage", NA16),
                   ("cell_voltage", NA16), ("cell_temperature", 0x8000)):
    first, last = place(name)
    case(f"own map: {name} not available, in service", map=OWN, link="rtu-tcp",
         world=lambda b={at: word for at in range(first, last + 1)}: World({1: Own(True, b)}), kinds={"undecided", "fault"}, truth="open",
         does=f"{name} at its not-available value, all else is sound", field=LOST_SIGHT, point="R4",
         checks=(("names it", lambda r, name=name: re.search("cell|sensor|temperature" if name.startswith("cell_") else named(name),
                                                            "\n".join(r["verdict"]["why"]), re.I) is not None),))
own("insulation not available", True, {"normal", "undecided"}, "insulation at its not-available value", "An insulation that is not valid is not tested.",
    bent={AT["insulation"]: NA16}, checks=(names("insulation"),))
own("insulation not valid", True, {"normal", "undecided"}, "the unit says that its insulation is not valid now", "An insulation that is not valid is not tested.",
    bent={AT["insulation_valid"]: 0}, checks=(names("insulation"),))

# ---- a condition of validity is no excuse for what must be read
CELLS_VALID = OWN.replace(IN_MODULE[6][3], IN_MODULE[6][3] + '\nvalid_when = { point = "charge_limit", is = [49] }', 1)
case("own map: cells never valid, in service", map=CELLS_VALID, link="rtu-tcp", world=lambda: World({1: Own(True)}), kinds={"undecided", "fault"}, truth="open",
     does="the map calls the cells valid under a condition that this unit does not meet", field="A cell of which nothing is known is not in order.",
     point="R4", root=(), checks=(names("cell_voltage"),))

# ---- the two maps of this house with `required` taken out of every point: blocks of many registers, the missing one is found by halving
BARE_HV, BARE_LV = (changed(text_of, r"^required = true\n", "") for text_of in (HV, LV))


def hv_bare(name, first, last, table=4):
    for serves, script in ((False, lambda u, t: u.waiting()), (True, lambda u, t: u.in_service(t, -10))):
        case(f"hv, nothing required: {name} refused, {'in service' if serves else 'waits'}", map=BARE_HV, link="rtu-tcp", kinds={"undecided", "fault"},
             world=lambda script=script: World({1: Hv(script)}, [gone(first, last, 2, table=table)]),
             truth="open", point="R4", root=(), does=f"every block with {name} is refused, the rest is sound", field=LOST_SIGHT, checks=(names(name),))


for one in (("module_count", 1, 1, 3), ("warnings", 3, 3), ("latched", 4, 4), ("switches", 5, 5), ("uptime", 10, 11), ("pack_voltage", 12, 13),
            ("terminal_voltage", 14, 14), ("soc", 18, 18), ("insulation", 24, 24), ("module_voltage", 112, 112), ("cell_voltage", 121, 121)):
    hv_bare(*one)


def lv_bare(name, first, last, table=4, whose=2, packs=3):
    def world():
        units = {1 + n: Lv(lambda u, t: u.waiting(t), packs=packs, serial=f"TR26-00{n + 1}", drops_after=600) for n in range(packs)}
        return World(units, [gone(first, last, 2, whose, table)])
    case(f"lv, nothing required: {name} of pack {whose} refused", map=BARE_LV, link="rtu-tcp", kinds={"undecided", "fault"}, world=world, truth="open",
         point="R4 4", root=(), does=f"pack {whose} of {packs} refuses {name}, the rest is sound", field=LOST_SIGHT, wake=True, checks=(names(name),))


for one in (("pack_count", 101, 101, 3, 1), ("current_code", 1, 1), ("notes", 2, 2), ("switches", 9, 9), ("uptime", 5, 6), ("pack_voltage", 10, 10),
            ("terminal_voltage", 11, 11), ("soc", 13, 13), ("cell_voltage", 36, 36), ("cell_temperature", 50, 50)):
    lv_bare(*one)
case("lv, nothing required: pack_count refused, pack 3 below its minimum", map=BARE_LV, link="rtu-tcp", kinds={"undecided", "fault"}, truth="fault", point="R4 4",
     world=lambda: World({1 + n: Lv(lambda u, t, n=n: (u.waiting(t), n == 2 and u.cells.__setitem__(4, 1.9)), packs=3, serial=f"TR26-00{n + 1}", drops_after=600)
                          for n in range(3)}, [gone(101, 101, 2, 1, 3)]), wake=True,
     does="the first of three packs refuses how many there are, a cell of the third at 1.90 V", field="A pack that is not counted is not looked at.")
