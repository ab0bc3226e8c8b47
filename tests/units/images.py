"""The two shipped maps as images, typed by hand: what a unit of each map has in its registers.

In: plain values (volts, degrees, bits). Out: registers, and the answer to a question about them.
Does not: read the maps' files, or use an encoder of the tool. A comment names the point of the map at each register.
Values: invented, like both maps. Cells rest at 3.27 V, which an LFP cell does between a third and nine tenths full.
"""
import struct

# ---- states of generic-hv-stack, point `state`
HV_OFF, HV_SELF_TEST, HV_WAITING, HV_PRECHARGE, HV_STANDBY, HV_RUNNING, HV_STOPPING, HV_LOCKED, HV_MAINTENANCE = range(9)

# generic-hv-stack, flags of `alarm_1` (the same bits stand in `latched` as the stored ones)
A1 = {name: 1 << bit for bit, name in enumerate([
    "cell-high", "cell-low", "cells-apart", "hot", "cold", "temperatures-apart", "sensor-lost", "modules-unheard",
    "charge-current-high", "discharge-current-high", "short-circuit", "cell-lost"])}
# generic-hv-stack, flags of `alarm_2`
A2 = {name: 1 << bit for bit, name in enumerate([
    "insulation-low", "switch-wrong", "pre-charge-failed", "fuse-open", "modules-mismatch", "control-unit-broken", "door-open",
    "off-button", "inverter-silent", "switches-open", "terminals-dead", "limits-zero", "not-ready", "charge-low", "maintenance"])}
# generic-hv-stack, flags of `warnings`
WARN = {name: 1 << bit for bit, name in enumerate([
    "cell-rather-high", "cell-rather-low", "rather-warm", "rather-cold", "cells-rather-apart", "insulation-rather-low",
    "balancing", "derating", "fan-still"])}
SILENT = A2["inverter-silent"] | A2["switches-open"] | A2["terminals-dead"] | A2["limits-zero"] | A2["not-ready"]
BLOCKED = SILENT & ~A2["inverter-silent"]

# ---- generic-lv-rack, point `state` and codes of `current_code`
LV_SELF_TEST, LV_WAITING, LV_READY, LV_ACTIVE, LV_LOCKED, LV_CLOSING, LV_OPENING, LV_SERVICE, LV_ASLEEP = 1, 2, 3, 4, 5, 6, 7, 9, 10
CODE = {"short-circuit": 11, "current-high": 12, "cell-high": 21, "cell-low": 22, "cell-lost": 23, "hot": 31, "cold": 32,
        "sensor-lost": 41, "measuring-unheard": 51, "control-unit-broken": 52, "switch-wrong": 61, "packs-mismatch": 62,
        "charge-low": 71, "inverter-silent": 90}
NOTE = {"switches-open": 1, "limits-zero": 2, "balancing": 4, "derating": 8, "rather-warm": 16, "rather-cold": 32, "cells-rather-apart": 64}

NA16 = 0xFFFF
NEVER = None


def text(words, registers):
    data = words.encode("ascii").ljust(registers * 2, b"\0")[: registers * 2]
    return list(struct.unpack(f">{registers}H", data))


def u16(value):
    return int(round(value)) & 0xFFFF


def u32_high_first(value):
    value = int(round(value)) & 0xFFFFFFFF
    return [value >> 16, value & 0xFFFF]


def u32_low_first(value):
    return u32_high_first(value)[::-1]


def ripple(n, cell):
    """A few millivolts of difference from cell to cell, always the same ones."""
    return ((n * 7 + cell * 5) % 7 - 3) * 0.001


def sagged(volts, charge):
    """A cell under current: 0.6 mV for each ampere, up when it is charged."""
    return None if volts is None else volts + 0.0006 * charge


class Registers:
    """A device with 16-bit registers: answers 03, 04 and 08, and refuses the rest as the map says."""

    spans = {}
    functions = (3, 4)
    refresh = 1.0

    def __init__(self):
        self.questions = self.alarm_reads = 0
        self.tick = None
        self.kept = {}

    def pdu(self, pdu, now):
        self.questions += 1
        if pdu[0] == 4 and struct.unpack(">H", pdu[1:3])[0] <= 1:
            self.alarm_reads += 1
        tick = int(now / self.refresh)
        if tick != self.tick:
            self.tick = tick
            self.kept = self.image(tick * self.refresh)
        answer = self.reply(pdu)
        self.fed(now)
        return answer

    def fed(self, now):
        """Called after each question: a unit that takes any of them for its inverter notes it here."""

    def reply(self, pdu):
        function = pdu[0]
        if function not in self.functions:
            return bytes([function | 0x80, 1])
        if function == 8:
            return self.diagnostic(pdu)
        address, count = struct.unpack(">HH", pdu[1:5])
        table = "holding" if function == 3 else "input"
        if not 1 <= count <= 125:
            return bytes([function | 0x80, 3])
        if not any(first <= address and address + count - 1 <= last for first, last in self.spans[table]):
            return bytes([function | 0x80, 2])
        words = [self.kept.get((table, address + i), 0) for i in range(count)]
        return bytes([function, count * 2]) + struct.pack(f">{count}H", *words)

    def diagnostic(self, pdu):
        sub = struct.unpack(">H", pdu[1:3])[0]
        if sub == 0:
            return pdu
        counts = {2: 0, 0x0B: self.questions, 0x0C: 0, 0x0D: 0, 0x0E: self.questions, 0x0F: 0, 0x10: 0, 0x11: 0, 0x12: 0}
        if sub not in counts:
            return bytes([0x88, 1])
        return pdu[:3] + struct.pack(">H", counts[sub] & 0xFFFF)


class Hv(Registers):
    """One unit of generic-hv-stack. `script(unit, t)` bends its values as time goes by; unset (None) sums are derived."""

    spans = {"holding": [(0, 27), (64, 123)], "input": [(0, 29), (64, 351), (400, 415)]}
    functions = (3, 4, 8)

    def __init__(self, script=None, modules=3, serial="TB26-0417", **values):
        super().__init__()
        self.script, self.modules, self.given = script, modules, values
        self.serial = serial
        self.memory = {}

    def restore(self, t):
        self.firmware, self.model, self.map_mark = "2.4", "TEST STACK", 21318
        self.module_serials = [f"TM26-{self.serial[-2:]}{n + 1:02}" for n in range(self.modules)]
        self.module_positions = [n + 1 for n in range(self.modules)]
        self.module_firmware = ["2.4"] * self.modules
        self.state, self.a1, self.a2, self.warn, self.latched, self.switches = HV_WAITING, 0, 0, 0, 0, 0
        self.age, self.ever, self.inverter_beat = NEVER, 0, 0
        self.beat, self.uptime = 1000 + int(t), 600 + t
        self.current, self.soc, self.soh = 0.0, 55.0, 99.0
        self.cells = [[3.27 + ripple(n, c) for c in range(30)] for n in range(self.modules)]
        self.temps = [[21.0 + ((n + s) % 4) * 0.3 for s in range(8)] for n in range(self.modules)]
        self.module_soc = [55] * self.modules
        self.balancing = [0] * self.modules
        self.pack, self.terminals, self.power, self.module_v = None, None, None, [None] * self.modules
        self.cell_max = self.cell_min = self.temp_max = self.temp_min = None
        self.insulation, self.insulation_valid = 2400, 1
        self.rigid = False  # cells that do not move under current
        self.charge_limit, self.discharge_limit = 0.0, 0.0
        self.raw = {}

    # ---- the plain sound pictures; a script begins with one of them
    def waiting(self):
        """Powered up 600 s ago, no inverter since: the silence time of 45 s is long over."""
        self.state, self.a2, self.switches = HV_WAITING, SILENT, 0
        self.age, self.ever, self.terminals = NEVER, 0, 0.0

    def in_service(self, t, current=0.0):
        """Switches closed, the inverter writes every second."""
        self.state = HV_RUNNING if abs(current) > 1 else HV_STANDBY
        self.a2, self.switches, self.age, self.ever = 0, 3, int(t) % 2, 1
        self.inverter_beat, self.uptime, self.current = 500 + int(t), 86400 + t, current
        self.charge_limit, self.discharge_limit = 50.0, 50.0

    def lost(self, t, ago=300):
        """In service once; the inverter was last heard `ago` seconds before."""
        self.waiting()
        self.ever, self.age, self.inverter_beat, self.uptime = 1, ago + t, 7700, 86400 + t

    def set_cells(self, volts):
        self.cells = [[volts + ripple(n, c) for c in range(30)] for n in range(self.modules)]

    def set_temps(self, degrees):
        self.temps = [[degrees + ((n + s) % 4) * 0.3 for s in range(8)] for n in range(self.modules)]

    def image(self, t):
        self.restore(t)
        for name, value in self.given.items():
            setattr(self, name, value)
        if self.script:
            self.script(self, t)
        regs = {}

        def put(table, address, *words):
            for i, word in enumerate(words):
                regs[(table, address + i)] = int(word) & 0xFFFF

        put("holding", 0, self.map_mark)                                   # map_mark
        put("holding", 1, self.modules)                                    # module_count
        put("holding", 2, 1000)                                            # nominal_capacity, 0.1 Ah
        put("holding", 4, *text(self.serial, 8))                           # serial
        put("holding", 12, *text(self.model, 8))                           # model
        put("holding", 20, *text(self.firmware, 4))                        # firmware
        put("holding", 24, *u32_low_first(1_795_000_000 + t))              # clock, low word first
        put("holding", 26, 0x2026, 0x0301)                                 # built, BCD
        for n in range(self.modules):
            base = 64 + 10 * n                                             # group module_nameplate
            put("holding", base, *text(self.module_serials[n], 6))         # module_serial
            put("holding", base + 6, *text(self.module_firmware[n], 2))    # module_firmware
            put("holding", base + 8, self.module_positions[n])             # module_position, low byte
        if not self.rigid:
            self.cells = [[sagged(v, self.current) for v in row] for row in self.cells]
        # A cell whose wire is off is still there: the module's own voltage has it.
        sums = [sum(3.27 if v is None else v for v in row) for row in self.cells]
        volts = [sums[n] if self.module_v[n] is None else self.module_v[n] for n in range(self.modules)]
        pack = sum(sums) if self.pack is None else self.pack
        terminals = self.terminals
        if terminals is None:
            terminals = pack if self.switches & 3 == 3 else 0.0
        power = pack * self.current if self.power is None else self.power
        every_cell = [v for row in self.cells for v in row if v is not None]
        every_temp = [v for row in self.temps for v in row if v is not None and not isinstance(v, Raw)]
        put("input", 0, self.state)                                        # state
        put("input", 1, self.a1)                                           # alarm_1
        put("input", 2, self.a2)                                           # alarm_2
        put("input", 3, self.warn)                                         # warnings
        put("input", 4, self.latched)                                      # latched
        put("input", 5, self.switches)                                     # switches
        put("input", 6, NA16 if self.age is None else min(int(self.age), 65534))  # inverter_age
        put("input", 7, self.ever)                                         # inverter_ever_heard
        put("input", 8, self.inverter_beat)                                # inverter_heartbeat
        put("input", 9, self.beat)                                         # own_heartbeat
        put("input", 10, *u32_low_first(self.uptime))                      # uptime, low word first
        put("input", 12, *u32_high_first(pack * 100))                      # pack_voltage, 0.01 V
        put("input", 14, u16(terminals * 10))                              # terminal_voltage, 0.1 V
        put("input", 15, u16(self.current * 10))                           # pack_current, 0.1 A, + is charge
        put("input", 16, *u32_low_first(power))                            # pack_power, W, low word first
        put("input", 18, u16(self.soc * 10))                               # soc, 0.1 %
        put("input", 19, u16(self.soh * 10))                               # soh, 0.1 %
        put("input", 20, u16((max(every_cell) if self.cell_max is None else self.cell_max) * 1000))     # cell_voltage_max
        put("input", 21, u16((min(every_cell) if self.cell_min is None else self.cell_min) * 1000))     # cell_voltage_min
        put("input", 22, u16(((max(every_temp) if self.temp_max is None else self.temp_max) + 40) * 10))  # cell_temperature_max, offset -40
        put("input", 23, u16(((min(every_temp) if self.temp_min is None else self.temp_min) + 40) * 10))  # cell_temperature_min
        put("input", 24, self.insulation)                                  # insulation, kOhm
        put("input", 25, self.insulation_valid)                            # insulation_valid
        put("input", 26, u16(self.charge_limit * 10))                      # charge_limit
        put("input", 27, u16(self.discharge_limit * 10))                   # discharge_limit
        put("input", 28, 12)                                               # cycles
        for n in range(self.modules):
            base = 64 + 48 * n                                             # group module
            put("input", base, u16(volts[n] * 100))                        # module_voltage, 0.01 V
            put("input", base + 1, self.module_soc[n])                     # module_soc, low byte
            put("input", base + 2, *u32_low_first(self.balancing[n]))      # module_balancing
            for c, v in enumerate(self.cells[n]):
                put("input", base + 4 + c, NA16 if v is None else u16(v * 1000))          # cell_voltage, 0.001 V
            for s, v in enumerate(self.temps[n]):
                put("input", base + 34 + s, 0x8000 if v is None else v if isinstance(v, Raw) else u16(v * 10))  # cell_temperature, 0.1 °C
        for (table, address), word in self.raw.items():
            put(table, address, word)
        return regs


class Raw(int):
    """A register word given as it is, where a value would be scaled."""


class Lv(Registers):
    """One pack of generic-lv-rack. Any question counts as its inverter, as the map says."""

    spans = {"holding": [(100, 119)], "input": [(0, 22), (32, 51)]}

    def __init__(self, script=None, packs=1, serial="TR26-001", feeds=True, drops_after=0.0, **values):
        super().__init__()
        self.script, self.packs, self.serial, self.given = script, packs, serial, values
        self.feeds, self.drops_after, self.fed_at, self.first_fed = feeds, drops_after, None, None
        self.memory = {}

    def fed(self, now):
        self.fed_at = now
        if self.first_fed is None:
            self.first_fed = now

    def restore(self, t):
        self.firmware, self.model, self.map_mark = "1.4", "TEST PACK", 17492
        self.state, self.code, self.notes, self.switches = LV_WAITING, 0, 0, 3
        self.age, self.ever = NEVER, 0
        self.beat, self.uptime = 2000 + int(t), 600 + t
        self.current, self.soc, self.soh = 0.0, 55, 99
        self.cells = [3.27 + ripple(0, c) for c in range(16)]
        self.temps = [21.0 + s * 0.3 for s in range(4)]
        self.pack, self.terminals = None, None
        self.cell_max = self.cell_min = self.temp_max = self.temp_min = None
        self.charge_limit = self.discharge_limit = 0.0
        self.balancing = 0
        self.raw = {}

    def waiting(self, t):
        """Live at the terminals, no inverter since power-up. Our own questions put the code out.

        By the map the terminals are live without an inverter although the main switches only close for one.
        """
        fed = self.feeds and self.first_fed is not None and t > self.first_fed + self.drops_after
        self.state, self.ever, self.switches = LV_WAITING, 0, 0
        self.notes = NOTE["switches-open"] | NOTE["limits-zero"]
        if fed:
            self.code, self.age, self.ever = 0, max(0, int(t - self.fed_at)), 1
        else:
            self.code, self.age = CODE["inverter-silent"], NEVER

    def in_service(self, t, current=0.0):
        """Active, asked every second by its inverter."""
        self.state = LV_ACTIVE if abs(current) > 0.5 else LV_READY
        self.age, self.ever, self.uptime, self.switches = int(t) % 2, 1, 86400 + t, 3
        self.code, self.notes, self.current = 0, 0, current
        self.charge_limit, self.discharge_limit = 50.0, 50.0

    def set_cells(self, volts):
        self.cells = [volts + ripple(0, c) for c in range(16)]

    def set_temps(self, degrees):
        self.temps = [degrees + s * 0.3 for s in range(4)]

    def image(self, t):
        self.restore(t)
        for name, value in self.given.items():
            setattr(self, name, value)
        if self.script:
            self.script(self, t)
        regs = {}

        def put(table, address, *words):
            for i, word in enumerate(words):
                regs[(table, address + i)] = int(word) & 0xFFFF

        put("holding", 100, self.map_mark)                                 # map_mark
        put("holding", 101, self.packs << 8)                               # pack_count, high byte
        put("holding", 102, *text(self.serial, 6))                         # serial
        put("holding", 108, *text(self.firmware, 3))                       # firmware
        put("holding", 112, *text(self.model, 8))                          # model
        self.cells = [sagged(v, -self.current) for v in self.cells]
        pack = sum(3.27 if v is None else v for v in self.cells) if self.pack is None else self.pack
        terminals = pack if self.terminals is None else self.terminals
        cells = [v for v in self.cells if v is not None]
        temps = [v for v in self.temps if v is not None and not isinstance(v, Raw)]
        hottest = max(temps) if self.temp_max is None else self.temp_max
        coldest = min(temps) if self.temp_min is None else self.temp_min
        put("input", 0, self.state)                                        # state, bits 0 to 3
        put("input", 1, self.code)                                         # current_code
        put("input", 2, self.notes)                                        # notes
        put("input", 4, self.beat)                                         # own_heartbeat
        put("input", 5, *u32_high_first(self.uptime))                      # uptime, s
        put("input", 7, NA16 if self.age is None else min(int(self.age), 65534))  # inverter_age
        put("input", 8, self.ever)                                         # inverter_ever_heard
        put("input", 9, self.switches)                                     # switches, bits 0 and 1
        put("input", 10, u16(pack * 100))                                  # pack_voltage, 0.01 V
        put("input", 11, u16(terminals * 100))                             # terminal_voltage, 0.01 V
        put("input", 12, u16(self.current * 100))                          # pack_current, 0.01 A, + is discharge
        put("input", 13, (int(self.soh) << 8) | int(self.soc))             # soh high byte, soc low byte
        put("input", 15, u16((max(cells) if self.cell_max is None else self.cell_max) * 1000))   # cell_voltage_max
        put("input", 16, u16((min(cells) if self.cell_min is None else self.cell_min) * 1000))   # cell_voltage_min
        put("input", 17, (int(round(coldest)) & 0xFF) << 8 | int(round(hottest)) & 0xFF)         # min high byte, max low byte
        put("input", 19, u16(self.charge_limit * 10))                      # charge_limit
        put("input", 20, u16(self.discharge_limit * 10))                   # discharge_limit
        put("input", 21, self.balancing)                                   # balancing_cells
        for c, v in enumerate(self.cells):
            put("input", 32 + c, NA16 if v is None else u16(v * 1000))     # cell_voltage
        for s, v in enumerate(self.temps):
            put("input", 48 + s, 0x8000 if v is None else v if isinstance(v, Raw) else u16(v * 10))  # cell_temperature
        for (table, address), word in self.raw.items():
            put(table, address, word)
        return regs


class Sunspec(Registers):
    """A battery that describes itself: the open models 1, 802 (bank) and 803 (strings) from register 40000 on.

    Published: which point stands where, and the codes of states (SunSpec models 1, 802, 803). Invented: the battery.
    """

    functions = (3,)
    cell_sf, volt_sf, amp_sf, temp_sf, percent_sf = -3, -2, -1, -1, -1

    def __init__(self, script=None, serial="SB26-0007", strings=2):
        super().__init__()
        self.script, self.first_serial, self.count = script, serial, strings
        self.spans = {"holding": [(40000, 40000 + 2 + 68 + 64 + 28 + 32 * strings + 1)], "input": []}

    def restore(self, t):
        self.serial, self.beat, self.controller = self.first_serial, 1234 + int(t), 50 + int(t)
        self.state, self.evt1 = 4, 0                                       # standby
        self.cell_max, self.cell_min, self.cell_scale = 3.272, 3.251, self.cell_sf
        self.amps, self.watts, self.hot, self.cold = 0.0, 0, 25.1, 18.0
        self.strings = [dict(state=3, failed=0, evt=0, cell_max=None, cell_min=None) for _ in range(self.count)]

    def flow(self, amps):
        """Positive is discharge, as the sign of power is."""
        self.amps, self.watts, self.state = amps, amps * 52.17, 3          # connected

    def temps(self, degrees):
        self.hot, self.cold = degrees + 1.5, degrees

    def image(self, t):
        self.restore(t)
        if self.script:
            self.script(self, t)

        def model(number, length, points):
            words = [number, length] + [NA16] * length
            for at, value in points.items():
                for n, word in enumerate(value if isinstance(value, list) else [value]):
                    words[at + n] = int(word) & 0xFFFF
            return words

        def cell(volts):
            return round(volts * 1000)

        common = model(1, 66, {2: text("ExampleCo", 16), 18: text("Demo-ESS", 16), 34: text("", 8), 42: text("1.2.3", 8),
                               50: text(self.serial, 16), 66: 1, 67: 0x8000})
        bank = model(802, 62, {
            2: 100, 3: 512, 4: 500, 5: 500, 7: 1000, 8: 0, 11: 437, 13: 985,              # ratings, SoCMax, SoCMin, SoC, SoH
            14: u32_high_first(70000), 16: {0: 6}.get(self.amps, 3 if self.amps > 0 else 4), 17: 0,  # NCyc, ChaSt, LocRemCtl
            18: self.beat % 60000, 19: self.controller % 60000, 20: 0, 21: 4, 22: self.state,  # Hb, CtrlHb, AlmRst, Typ, State
            26: u32_high_first(self.evt1), 28: [0, 0], 30: [0, 0], 32: [0, 0],            # Evt1, Evt2, EvtVnd1, EvtVnd2
            34: 5217, 37: cell(self.cell_max), 40: cell(self.cell_min), 43: cell(3.262),  # V, CellVMax, CellVMin, CellVAvg
            44: round(self.amps * 10), 47: round(self.watts),                             # A, W
            52: 0, 53: 1, 54: 0, 55: 0x8000, 56: self.percent_sf, 57: 0x8000, 58: self.percent_sf, 59: self.volt_sf,
            60: self.cell_scale, 61: self.amp_sf, 62: 0, 63: 0, 49: 0x8000})
        strings = model(803, 26, {
            2: self.count, 3: sum(s["state"] >> 1 & 1 for s in self.strings),             # NStr, NStrCon
            4: round(self.hot * 10), 7: round(self.cold * 10), 10: 0x8000, 16: 0x8000, 18: 0x8000, 20: 0x8000,
            22: self.cell_sf, 23: self.temp_sf, 24: self.amp_sf, 25: 0x8000, 26: self.percent_sf, 27: 0x8000})
        for s in self.strings:
            high, low = s["cell_max"] or min(self.cell_max, 3.272), s["cell_min"] or max(self.cell_min, 3.251)
            block = [NA16] * 32
            for at, value in {0: [4], 1: u32_high_first(s["state"]), 3: [s["failed"]], 4: [437], 6: [round(self.amps * 10 / self.count)],
                              7: [cell(high)], 9: [cell(low)], 11: [cell(3.262)], 12: [round(self.hot * 10)], 14: [round(self.cold * 10)],
                              16: [round((self.hot + self.cold) * 5)], 17: [0], 18: u32_high_first(1 if s["state"] & 2 else 0),
                              20: u32_high_first(s["evt"])}.items():
                for n, word in enumerate(value):
                    block[at + n] = int(word) & 0xFFFF
            strings += block
        strings[1] = 26 + 32 * self.count
        words = list(struct.unpack(">2H", b"SunS")) + common + bank + strings + [NA16, 0]
        return {("holding", 40000 + n): word for n, word in enumerate(words)}
