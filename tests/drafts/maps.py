"""Invented register maps of battery stacks and racks: where each value stands, how it is kept, and what it is (the
truth). Kind: invented; how values are kept (scales, offsets, word orders) is common practice, from memory.
"""

import math
import struct
from dataclasses import dataclass, field

from physics import Pack
from words import BITS

WIDTH = {"u16": 1, "i16": 1, "bits16": 1, "enum16": 1, "u32": 2, "i32": 2, "f32": 2, "bits32": 2}
MOST_REGISTERS = 334
MOST_AT_ONCE = 100

# Which role of the tool a quantity has; what is not named here is "other".
ROLES = {
    "pack_voltage", "terminal_voltage", "pack_current", "pack_power", "module_voltage", "cell_voltage", "cell_voltage_max",
    "cell_voltage_min", "cell_temperature", "cell_temperature_max", "cell_temperature_min", "soc", "module_soc", "soh", "state",
    "alarm_word", "warning_word", "latched_word", "fault_code", "inverter_age", "inverter_ever_heard",
    "inverter_heartbeat", "own_heartbeat", "uptime", "unit_clock", "insulation", "switches", "charge_limit",
    "discharge_limit", "serial", "model", "firmware", "module_serial", "module_count", "pack_count", "cycles", "balancing",
}

# (weight, type, scale, offset, unit) for each quantity; the first that holds the value is taken when the drawn one does not.
FORMS = {
    "cell": [(80, "u16", 0.001, 0, "V"), (6, "u16", 0.0001, 0, "V"), (4, "u16", 0.01, 0, "V"), (6, "i16", 0.001, 0, "V"), (4, "f32", 1, 0, "V")],
    "high_volts": [(60, "u16", 0.1, 0, "V"), (8, "u16", 0.01, 0, "V"), (8, "u32", 0.01, 0, "V"), (8, "u32", 0.001, 0, "V"),
                   (8, "f32", 1, 0, "V"), (4, "i32", 0.001, 0, "V"), (4, "i16", 0.1, 0, "V")],
    "low_volts": [(45, "u16", 0.01, 0, "V"), (28, "u16", 0.1, 0, "V"), (12, "u16", 0.001, 0, "V"), (8, "u32", 0.001, 0, "V"), (7, "f32", 1, 0, "V")],
    "current": [(45, "i16", 0.1, 0, "A"), (18, "i16", 0.01, 0, "A"), (9, "i32", 0.001, 0, "A"), (6, "i32", 0.01, 0, "A"),
                (6, "f32", 1, 0, "A"), (6, "u16", 0.1, -1000, "A"), (4, "u16", 0.1, -3000, "A"), (3, "u16", 0.1, -1600, "A"), (3, "i16", 1, 0, "A")],
    "power": [(28, "i32", 1, 0, "W"), (20, "i16", 1, 0, "W"), (14, "i16", 10, 0, "W"), (14, "i16", 0.01, 0, "kW"),
              (8, "i16", 0.1, 0, "kW"), (8, "i32", 0.001, 0, "kW"), (4, "i32", 0.1, 0, "W"), (4, "f32", 1, 0, "W")],
    "share": [(45, "u16", 1, 0, "%"), (35, "u16", 0.1, 0, "%"), (14, "u16", 0.01, 0, "%"), (6, "f32", 1, 0, "%")],
    "temperature": [(40, "i16", 0.1, 0, "degC"), (18, "i16", 1, 0, "degC"), (12, "u16", 1, -40, "degC"), (10, "u16", 0.1, -40, "degC"),
                    (5, "u16", 0.1, -273.15, "degC"), (5, "u16", 0.1, -273.1, "degC"), (6, "u16", 1, -50, "degC"), (4, "f32", 1, 0, "degC")],
    "limit": [(45, "u16", 0.1, 0, "A"), (20, "u16", 1, 0, "A"), (20, "u16", 0.01, 0, "A"), (10, "i16", 0.1, 0, "A"), (5, "f32", 1, 0, "A")],
    "charge": [(40, "u16", 0.1, 0, "Ah"), (25, "u16", 0.01, 0, "Ah"), (20, "u32", 0.001, 0, "Ah"), (15, "u16", 1, 0, "Ah")],
    "energy": [(50, "u32", 0.1, 0, "kWh"), (30, "u32", 1, 0, "kWh"), (20, "u32", 0.01, 0, "kWh")],
    "count": [(1, "u16", 1, 0, "")],
    "seconds": [(1, "u32", 1, 0, "s")],
    "short_seconds": [(1, "u16", 1, 0, "s")],
    "resistance": [(40, "u16", 0.01, 0, "mOhm"), (30, "u16", 0.001, 0, "mOhm"), (30, "u16", 0.0001, 0, "mOhm")],
    "insulation": [(70, "u16", 1, 0, "kOhm"), (15, "u16", 10, 0, "kOhm"), (15, "u32", 1, 0, "kOhm")],
    "humidity": [(50, "u16", 1, 0, "%"), (50, "u16", 0.1, 0, "%")],
    "speed": [(1, "u16", 1, 0, "rpm")],
    "word": [(1, "bits16", 1, 0, "")], "long_word": [(1, "bits32", 1, 0, "")], "enum": [(1, "enum16", 1, 0, "")],
    "text": [(1, "string", 1, 0, "")],
}


@dataclass
class Point:
    """One row of the truth: a quantity, its places, and how a value is kept there."""

    key: str
    form: str
    value: object                      # scan, element, second -> number, word or text
    count: int = 1
    per_module: int = 0                # elements of one module, 0 where they are numbered through
    section: str = "electric"
    most: float = 0                    # largest magnitude, so that it fits
    registers: int = 1                 # of one element
    number: int = 0                    # of several words of one role
    signed: bool = False               # current or power
    bits: dict = field(default_factory=dict)
    values: dict = field(default_factory=dict)
    function: int = 3
    places: list = field(default_factory=list)
    type: str = "u16"
    order: str = "high-first"
    scale: float = 1
    offset: float = 0
    unit: str = ""
    positive: str = None

    @property
    def role(self):
        return self.key if self.key in ROLES else "other"

    @property
    def id(self):
        return self.key if not self.number else "%s_%d" % (self.key, self.number)

    @property
    def stride(self):
        steps = {b - a for a, b in zip(self.places, self.places[1:])}
        return steps.pop() if len(steps) == 1 else None

    def truth(self):
        return {
            "id": self.id, "role": self.role, "quantity": self.key, "function": self.function, "register": self.places[0], "count": self.count,
            "places": self.places, "stride": self.stride, "registers": self.registers, "type": self.type,
            "order": self.order if self.registers > 1 and self.type != "string" else None, "scale": self.scale, "offset": self.offset, "unit": self.unit,
            "positive": self.positive, "bits": self.bits, "values": self.values,
        }

    def words(self, value):
        """Registers of one element."""
        if self.type == "string":
            data = value.encode("ascii")[: 2 * self.registers].ljust(2 * self.registers, b"\0")
            return list(struct.unpack(">%dH" % self.registers, data))
        if self.positive == "discharge":
            value = -value
        if self.unit == "kW":
            value /= 1000
        if self.type == "f32":
            pair = list(struct.unpack(">HH", struct.pack(">f", value)))
        else:
            raw = round((value - self.offset) / self.scale)
            bits = 16 * self.registers
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if self.type[0] == "i" else (0, (1 << bits) - 1)
            raw = min(max(raw, low), high) & ((1 << bits) - 1)
            if self.registers == 1:
                return [raw]
            pair = [raw >> 16, raw & 0xFFFF]
        return pair if self.order == "high-first" else pair[::-1]

    def fits(self, type, scale, offset, unit):
        if type == "f32":
            return True
        most = self.most / 1000 if unit == "kW" else self.most
        top = {"u16": 65535, "i16": 32767, "u32": 2**32 - 1, "i32": 2**31 - 1}.get(type)
        if top is None:
            return True
        if self.signed and type[0] == "u" and most > -offset * 0.95:
            return False
        return (most - min(offset, 0)) / scale < top * 0.95 and (most / scale >= 20 or most == 0)


def text(random, pattern):
    """A letter or digit for each A or 9."""
    return "".join(random.choice("ABCDEFGHJKLMNPRSTUVWXYZ") if c == "A" else random.choice("0123456789") if c == "9" else c for c in pattern)


class Map:
    """A unit with an invented map. `mode` is how its current goes: "rest" or "flowing"."""

    def __init__(self, random, seconds, mode):
        self.random, self.mode = random, mode
        self.make_pack(seconds)
        self.points, self.records = [], False
        self.choose()
        self.give_forms()
        self.lay_out()

    # -- the battery -------------------------------------------------------------------------------------------

    def make_pack(self, seconds):
        random = self.random
        chemistry = random.choice(["lfp", "lfp", "nmc"])
        kind = random.choice(["stack", "stack", "stack", "rack", "single"])
        capacity = random.choice([20, 37, 50, 52, 74, 100, 105, 120, 150, 200, 280, 314])
        if kind == "stack" and random.random() < 0.25:  # near 31.6, 100 and 316 V, where decades can be taken for one another
            modules, cells = random.choice([(1, 10), (2, 15), (2, 16), (4, 24), (6, 16), (8, 12), (3, 32), (12, 8)])
        elif kind == "stack":
            modules, cells = random.randint(2, 12), random.choice([8, 12, 14, 15, 16, 18, 20, 24])
            modules = max(2, min(modules, 240 // cells))
        elif kind == "rack":
            modules, cells = random.randint(2, 10), 14 if chemistry == "nmc" else random.choice([15, 16])
        else:
            modules, cells = 1, 14 if chemistry == "nmc" else random.choice([8, 15, 16])
        self.kind, self.chemistry, self.modules, self.cells, self.capacity = kind, chemistry, modules, cells, capacity
        self.series = cells if kind == "rack" else modules * cells
        self.pack = Pack(random, chemistry, modules, cells, kind == "rack", capacity, seconds, self.mode)

    # -- what the map has --------------------------------------------------------------------------------------

    def add(self, share, key, form, value, **more):
        if self.random.random() < share:
            self.points.append(Point(key, form, value, **more))
            return True
        return False

    def choose(self):
        size = self.random.choice(["small", "middle", "middle", "large", "large"])
        self.richness = {"small": 0.45, "middle": 0.8, "large": 1.0}[size]
        self.arrays = self.random.random() < {"small": 0.15, "middle": 0.75, "large": 0.95}[size]
        self.choose_electric()
        self.choose_limits()
        self.choose_status()
        self.choose_nameplate()
        if self.arrays:
            self.choose_arrays()
        self.shrink()

    def choose_electric(self):
        add, rich, pack = self.add, self.richness, self.pack
        volts = "high_volts" if self.series > 20 else "low_volts"
        most = self.series * 4.3
        add(0.98, "pack_voltage", volts, lambda s, i, t: s.pack, most=most)
        add(0.45 * rich, "terminal_voltage", volts, lambda s, i, t: max(s.terminal, 0), most=most)
        add(0.96, "pack_current", "current", lambda s, i, t: s.current, most=pack.most * 1.3, signed=True)
        add(0.6 * rich, "pack_power", "power", lambda s, i, t: s.power, most=most * pack.most * 1.3, signed=True)
        add(0.97, "soc", "share", lambda s, i, t: s.charge, most=100)
        add(0.7, "soh", "share", lambda s, i, t: pack.health, most=100)
        extremes = self.random.random() < 0.8 * rich
        places = self.random.random() < 0.6
        if extremes:
            add(1, "cell_voltage_max", "cell", lambda s, i, t: max(s.cells), most=4.5)
            add(1, "cell_voltage_min", "cell", lambda s, i, t: min(s.cells), most=4.5)
            if places:
                add(1, "cell_max_pos", "count", lambda s, i, t: 1 + s.cells.index(max(s.cells)))
                add(1, "cell_min_pos", "count", lambda s, i, t: 1 + s.cells.index(min(s.cells)))
            add(0.2, "cell_avg", "cell", lambda s, i, t: sum(s.cells) / len(s.cells), most=4.5)
            add(0.2, "cell_diff", "cell", lambda s, i, t: max(s.cells) - min(s.cells), most=4.5)
        self.sensors = self.random.choice([1, 2, 2, 3, 4, 4, 6, 8])
        self.sensors = min(self.sensors, self.cells)
        if self.random.random() < 0.8 * rich:
            warm = self.temperatures
            add(1, "cell_temperature_max", "temperature", lambda s, i, t: max(warm(s)), most=80)
            add(1, "cell_temperature_min", "temperature", lambda s, i, t: min(warm(s)), most=80)
            if places and self.sensors * self.modules > 2:
                add(0.7, "temp_max_pos", "count", lambda s, i, t: 1 + warm(s).index(max(warm(s))))
                add(0.7, "temp_min_pos", "count", lambda s, i, t: 1 + warm(s).index(min(warm(s))))
        add(0.3 * rich, "board_temp", "temperature", lambda s, i, t: s.board, most=80)
        add(0.2 * rich, "ambient_temp", "temperature", lambda s, i, t: s.ambient, most=80)
        size = self.capacity * (self.modules if self.kind == "rack" else 1) * pack.health / 100
        add(0.4 * rich, "remaining_ah", "charge", lambda s, i, t: size * s.charge / 100, most=size)
        add(0.25 * rich, "full_ah", "charge", lambda s, i, t: size, most=size)

    def temperatures(self, scan):
        """One sensor for each of the first cells of a module."""
        return [scan.temperatures[m * self.cells + k] for m in range(self.modules) for k in range(self.sensors)]

    def choose_limits(self):
        add, rich, pack, random = self.add, self.richness, self.pack, self.random
        charge, discharge = (round(pack.most * random.uniform(0.8, 1.2), 1) for _ in range(2))
        low, high = (2.5, 3.65) if self.chemistry == "lfp" else (3.0, 4.2)
        volts = "high_volts" if self.series > 20 else "low_volts"
        shut = 0 if self.mode == "rest" and random.random() < 0.3 else 1
        more = {"section": "limits"}
        if random.random() < 0.7 * rich:
            add(1, "charge_limit", "limit", lambda s, i, t: charge * shut, most=charge, **more)
            add(1, "discharge_limit", "limit", lambda s, i, t: discharge * shut, most=discharge, **more)
        if random.random() < 0.4 * rich:
            add(1, "charge_voltage_limit", volts, lambda s, i, t: round(self.series * high, 1), most=self.series * 4.3, **more)
            add(1, "discharge_voltage_limit", volts, lambda s, i, t: round(self.series * low, 1), most=self.series * 4.3, **more)
        nominal = round(pack.at(0).pack, 1) if random.random() < 0.5 else round(self.series * (3.2 if self.chemistry == "lfp" else 3.65), 1)
        add(0.3 * rich, "rated_voltage", volts, lambda s, i, t: nominal, most=self.series * 4.3, **more)

    def choose_status(self):
        add, rich, random = self.add, self.richness, self.random
        more = {"section": "status"}
        add(0.75, "state", "enum", self.state_value(), values=self.states, **more)
        words = random.choice([0, 1, 1, 2, 2, 3])
        for number in range(words):
            form = "long_word" if random.random() < 0.12 else "word"
            bits = dict(sorted(zip(random.sample(range(16), 8), random.sample(range(len(BITS["en"])), 8))))
            add(1, "alarm_word", form, lambda s, i, t: 0, bits=bits, number=number + 1 if words > 1 else 0, **more)
        raised = random.choice([0, 0, 0, 1 << random.randrange(6)])
        add(0.4 * rich, "warning_word", "word", lambda s, i, t: raised, bits=dict(zip(range(6), random.sample(range(len(BITS["en"])), 6))), **more)
        add(0.12 * rich, "latched_word", "word", lambda s, i, t: 4, bits={}, **more)
        add(0.2 * rich, "fault_code", "count", lambda s, i, t: 0, **more)
        closed = 3 if self.pack.closed else 0
        add(0.3 * rich, "switches", "word", lambda s, i, t: closed, **more)
        add(0.12 * rich, "inverter_age", "short_seconds", lambda s, i, t: (t // 1) % 2, **more)
        add(0.08 * rich, "inverter_ever_heard", "count", lambda s, i, t: 1, **more)
        first = random.randrange(65000)
        add(0.1 * rich, "inverter_heartbeat", "count", lambda s, i, t: (first + t // 2) % 256, **more)
        add(0.25 * rich, "own_heartbeat", "count", lambda s, i, t: (first + t) % 65536, **more)
        started = random.randrange(60, 40_000_000)
        add(0.2 * rich, "uptime", "seconds", lambda s, i, t: started + t, **more)
        epoch = 1_790_000_000 + random.randrange(20_000_000)
        add(0.15 * rich, "unit_clock", "seconds", lambda s, i, t: epoch + t, **more)
        earth = random.choice([random.randrange(400, 9000), 60000])
        add(0.3 * rich if self.series > 20 else 0.02, "insulation", "insulation", lambda s, i, t: earth, most=60000, **more)
        add(0.1 * rich, "humidity", "humidity", lambda s, i, t: 43, most=100, **more)
        add(0.1 * rich, "fan", "speed", lambda s, i, t: 1200 + 40 * (t // 20 % 5), most=5000, **more)

    def state_value(self):
        random = self.random
        names = ["off", "self-test", "waiting", "precharge", "standby", "running", "fault"]
        if random.random() < 0.4:
            names[5:6] = ["charging", "discharging"]
        if random.random() < 0.4:
            names.remove("precharge")
        first = random.choice([0, 0, 0, 1])
        numbers = list(range(first, first + len(names)))
        if random.random() < 0.3:
            random.shuffle(numbers)
        self.states = dict(sorted(zip(numbers, names)))
        by_name = {name: number for number, name in self.states.items()}
        enough = self.pack.most * 0.02

        def value(scan, i, t):
            if abs(scan.current) > enough:
                return by_name.get("running", by_name.get("charging" if scan.current > 0 else "discharging"))
            return by_name["standby"] if self.pack.closed else by_name["waiting"]
        return value

    def choose_nameplate(self):
        add, rich, random = self.add, self.richness, self.random
        more = {"section": "name"}
        serial, model = text(random, "AA99A9999999"), text(random, "A-99A")
        firmware = text(random, random.choice(["V9.99", "9.9.9", "9.99A"]))
        add(0.4 * rich, "serial", "text", lambda s, i, t: serial, registers=random.choice([6, 8, 8, 10]), **more)
        add(0.25 * rich, "model", "text", lambda s, i, t: model, registers=random.choice([4, 8, 8]), **more)
        add(0.35 * rich, "firmware", "text", lambda s, i, t: firmware, registers=random.choice([3, 4]), **more)
        add(0.5 * rich, "cycles", "count", lambda s, i, t: 212, **more)
        if self.modules > 1 and self.kind != "rack":
            add(0.45 * rich, "module_count", "count", lambda s, i, t: self.modules, **more)
        if self.kind == "rack":
            add(0.45 * rich, "pack_count", "count", lambda s, i, t: self.modules, **more)
        add(0.3 * rich, "cell_count", "count", lambda s, i, t: self.series, **more)
        add(0.4 * rich, "rated_ah", "charge", lambda s, i, t: self.capacity, most=self.capacity, **more)
        bought, sold = random.uniform(50, 20000), random.uniform(40, 19000)
        if random.random() < 0.3 * rich:
            add(1, "energy_in", "energy", lambda s, i, t: bought + t / 3600, **more)
            add(1, "energy_out", "energy", lambda s, i, t: sold + t / 3600, **more)
        add(0.2 * rich, "own_address", "count", lambda s, i, t: 1, **more)

    def choose_arrays(self):
        add, random = self.add, self.random
        count, modules = self.modules * self.cells, self.modules
        through = modules == 1 or random.random() < 0.45
        self.records = not through and random.random() < 0.5
        each = {"count": count, "per_module": 0 if through else self.cells, "section": "cells"}
        if modules > 1:
            one = {"count": modules, "per_module": 1 if self.records else 0, "section": "cells"}
            low = self.cells * 4.3 < 65
            volts = "low_volts" if low else "high_volts"
            add(0.5, "module_voltage", volts, lambda s, i, t: s.modules[i], most=self.cells * 4.3, **one)
            add(0.25, "module_soc", "share", lambda s, i, t: min(100, max(0, s.charge + self.pack.spread[i])), most=100, **one)
            if self.kind == "rack":
                add(0.5, "module_current", "current", lambda s, i, t: s.currents[i], most=self.pack.most * 1.3, signed=True, **one)
            add(0.12, "module_serial", "text", lambda s, i, t: "AB%02dC%05d" % (i + 1, 4711 + 7 * i), registers=6, **one)
            add(0.1, "balancing", "word", lambda s, i, t: 0, **one)
        cells = add(0.85, "cell_voltage", "cell", lambda s, i, t: s.cells[i], most=4.5, **each)
        sensors = {"count": modules * self.sensors, "per_module": 0 if through else self.sensors, "section": "cells"}
        add(0.65, "cell_temperature", "temperature", lambda s, i, t: self.temperatures(s)[i], most=80, **sensors)
        if cells:
            ohm = random.choice([1, 1, 8]) * 1000
            add(0.15, "cell_resistance", "resistance", lambda s, i, t: self.pack.ohm[i] * ohm, most=3, **each)
            add(0.1, "cell_charge", "share", lambda s, i, t: min(100, max(0, s.charge + self.pack.spread[i])), most=100, **each)

    def shrink(self):
        """At most MOST_REGISTERS, at least 8: what repeats most goes first."""
        def width(point):
            return point.count * (point.registers if point.form == "text" else 1)
        while sum(map(width, self.points)) > MOST_REGISTERS - 40:
            droppable = [p for p in self.points if p.count > 1 and p.key != "cell_voltage"] or [p for p in self.points if p.count > 1]
            self.points.remove(max(droppable, key=width))
        if sum(map(width, self.points)) < 8:
            here = {p.key for p in self.points}
            for key in [k for k in ("cycles", "rated_ah", "own_address", "cell_count", "fan", "humidity") if k not in here]:
                self.points.append(Point(key, "count", lambda s, i, t: 7, section="name"))

    # -- how values are kept -----------------------------------------------------------------------------------

    def give_forms(self):
        random = self.random
        usual_order = random.choices(["high-first", "low-first"], [65, 35])[0]
        usual_positive = random.choice(["charge", "charge", "discharge"])
        kept = {}
        for point in self.points:
            choices = [f for f in FORMS[point.form] if point.fits(*f[1:])]
            if not choices:
                choices = [(1, "i32" if point.signed else "u32", 0.1, 0, FORMS[point.form][0][4])]
            drawn = random.choices(choices, [f[0] for f in choices])[0]
            family = (point.form, point.section == "cells" and point.count > 1) if random.random() < 0.15 else point.form
            if family in kept and kept[family] in choices and random.random() < 0.85:
                drawn = kept[family]
            kept[family] = drawn
            _, point.type, point.scale, point.offset, point.unit = drawn
            if point.type != "string":
                point.registers = WIDTH[point.type]
            if point.registers > 1 and point.type != "string":
                other = "low-first" if usual_order == "high-first" else "high-first"
                point.order = usual_order if random.random() < 0.85 else other
            if point.signed:
                point.positive = usual_positive if random.random() < 0.93 else {"charge": "discharge", "discharge": "charge"}[usual_positive]

    # -- where they stand --------------------------------------------------------------------------------------

    def lay_out(self):
        random = self.random
        self.base = random.choice([0, 0, 0, 1, 2, 10, 100, 100, 256, 500, 1000, 0x1000, 5000, 0x2000, 30000])
        functions = random.choices([(3, 3), (4, 4), (3, 4)], [55, 30, 15])[0]
        self.holes, self.fill = set(), {}   # (function, register): unreadable; readable and without meaning
        self.next = {3: self.base, 4: self.base}
        sections = ["electric", "limits", "status", "name"]
        random.shuffle(sections)
        if random.random() < 0.7:
            sections.append("cells")
        else:
            sections.insert(random.randrange(4), "cells")
        self.sections = sections
        for section in sections:
            points = [p for p in self.points if p.section == section]
            if not points:
                continue
            function = functions[0] if section == "name" else functions[1]
            for point in points:
                point.function = function
            if random.random() < 0.35:
                random.shuffle(points)
            self.gap(function)
            singles = [p for p in points if p.count == 1 or not p.per_module]
            for point in singles:
                self.put(point, function)
            self.put_modules([p for p in points if p.count > 1 and p.per_module], function)
        self.points.sort(key=lambda p: (p.function, p.places[0]))

    def gap(self, function):
        random, at = self.random, self.next[function]
        if at == self.base:
            return
        kind = random.choice(["none", "few", "ten", "hundred"])
        to = {"none": at, "few": at + random.randint(1, 6), "ten": math.ceil(at / 10) * 10, "hundred": math.ceil(at / 100) * 100}[kind]
        if to - at <= 12 and random.random() < 0.5:
            filling = random.choice([0, 0, 0xFFFF])
            self.fill.update({(function, register): filling for register in range(at, to)})
        else:
            self.holes.update((function, register) for register in range(at, to))
        self.next[function] = to

    def put(self, point, function):
        if self.random.random() < 0.06:
            self.fill[function, self.next[function]] = self.random.choice([0, 0, 0xFFFF])
            self.next[function] += 1
        at = self.next[function]
        point.places = [at + i * point.registers for i in range(point.count)]
        self.next[function] = at + point.count * point.registers

    def put_modules(self, points, function):
        """What every module has: a record for each module, or a block for each quantity in steps by module."""
        random = self.random
        groups = [points] if self.records else [[p] for p in points]
        for group in filter(None, groups):
            need = sum(p.per_module * p.registers for p in group)
            stride = need
            if random.random() < 0.6:
                for step in (8, 10, 16, 20, 24, 32, 48, 50, 64, 100):
                    if need <= step and step - need <= 8:
                        stride = step
                        break
            start = self.next[function]
            for point in group:
                point.places = []
            filling, readable = random.choice([0, 0xFFFF]), random.random() < 0.6
            for module in range(self.modules):
                at = start + module * stride
                for point in group:
                    point.places += [at + i * point.registers for i in range(point.per_module)]
                    at += point.per_module * point.registers
                for register in range(at, start + (module + 1) * stride):
                    if readable:
                        self.fill[function, register] = filling
                    else:
                        self.holes.add((function, register))
            self.next[function] = start + self.modules * stride

    # -- what it answers ---------------------------------------------------------------------------------------

    def blocks(self):
        """Stretches that are read at once: split where a hole is and where they get long."""
        registers = {(p.function, place + w) for p in self.points for place in p.places for w in range(p.registers)} | set(self.fill)
        blocks = []
        starts = {(p.function, place) for p in self.points for place in p.places} | set(self.fill)
        for function, register in sorted(registers):
            last = blocks[-1] if blocks else None
            if last and last[0] == function and last[2] + 1 == register and (register - last[1] < MOST_AT_ONCE or (function, register) not in starts):
                last[2] = register
            else:
                blocks.append([function, register, register])
        return blocks

    def image(self, moment):
        """{function: {register: word}} as read from `moment` on, the last block up to two seconds later."""
        blocks = self.blocks()
        found = {}
        for number, (function, first, last) in enumerate(blocks):
            second = moment + (2 * number // max(len(blocks) - 1, 1) if len(blocks) > 1 else 0)
            scan = self.pack.at(second)
            words = found.setdefault(function, {})
            words.update({r: fill for (f, r), fill in self.fill.items() if f == function and first <= r <= last})
            for point in self.points:
                if point.function != function:
                    continue
                for i, place in enumerate(point.places):
                    if first <= place <= last:
                        for w, word in enumerate(point.words(point.value(scan, i, second))):
                            words[place + w] = word
        return found

    def size(self):
        return sum(p.count * p.registers for p in self.points)

    def truth(self):
        return {
            "kind": "invented", "battery": {"kind": self.kind, "chemistry": self.chemistry, "modules": self.modules,
                                            "cells": self.cells, "Ah": self.capacity},
            "registers": self.size(), "base": self.base, "points": [p.truth() for p in self.points],
        }
