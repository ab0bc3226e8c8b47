"""Numbers that are out of limits or do not add up, with no flag up. The unit's own flags are one witness, the numbers another."""
from case import (KEEP_AWAY, POWER_CYCLE, ZERO_AMPS, case, finding, first_says, first_step_is_not, never_says, no_step, says, step_needs,
                  untested)
from cases_a_sound import LV_MAP, hv, lv
from images import *

NO_FLAG = "Every number is judged against its limit, independently of the unit's own flags."


def hv_wait(change):
    def script(u, t):
        u.waiting()
        change(u, t)
    return script


def hv_run(change, current=0.0):
    def script(u, t):
        u.in_service(t, current)
        change(u, t)
    return script


def lv_wait(change):
    def script(u, t):
        u.waiting(t)
        change(u, t)
    return script


def lv_run(change, current=0.0):
    def script(u, t):
        u.in_service(t, current)
        change(u, t)
    return script


def cell(n, c, volts):
    def change(u, t):
        u.cells[n][c] = volts
    return change


def lcell(c, volts):
    def change(u, t):
        u.cells[c] = volts
    return change


def cells(volts, soc=None):
    def change(u, t):
        u.set_cells(volts)
        if soc is not None:
            u.soc = soc
            if hasattr(u, "module_soc"):
                u.module_soc = [soc] * u.modules
    return change


def temp(n, s, degrees):
    def change(u, t):
        u.temps[n][s] = degrees
    return change


def ltemp(s, degrees):
    def change(u, t):
        u.temps[s] = degrees
    return change


def temps(degrees):
    return lambda u, t: u.set_temps(degrees)


def put(**values):
    def change(u, t):
        for name, value in values.items():
            setattr(u, name, value(u) if callable(value) else value)
    return change


# ---- cells
case("hv cell 3.70 V behind the inverter's flag", world=hv(hv_wait(cell(1, 13, 3.70))), kinds="fault", truth="fault",
    root=("cell-over-voltage", "cell-imbalance"), point="R1",
    does="one cell 3.700 V, limit 3.65, no flag",
    field=NO_FLAG)
case("hv cell 3.71 V under charge", world=hv(hv_run(cell(0, 4, 3.71), 12.5)), kinds="fault", truth="fault", root="cell-over-voltage",
    point="13 R1",
    does="one cell 3.710 V while 12.5 A charge it",
    field="A cell above its limit under charge: stop the current first, then read again.",
    checks=(first_says(ZERO_AMPS),))
case("hv all cells 3.68 V", world=hv(hv_run(cells(3.68, 100))), kinds="fault", truth="fault", root="cell-over-voltage",
    does="all cells 3.68 V in standby",
    field=NO_FLAG)
case("hv cell 2.62 V among good ones", world=hv(hv_wait(cell(2, 7, 2.62))), kinds="fault", truth="fault",
    root=("cell-under-voltage", "cell-imbalance"), point="R8",
    does="one cell 2.62 V, the others 3.27 V",
    field="One low cell among good ones is no empty pack: low is a condition only if the cells are alike.",
    checks=(never_says(r"look for sun|warm neighbour"),))
case("hv all cells 2.05 V", world=hv(hv_wait(cells(2.05, 0))), kinds="fault", truth="fault",
    root=("cell-under-voltage", "cell-below-minimum"), point="R8",
    does="all cells 2.05 V, 50 mV above the absolute minimum",
    field="Empty is a condition only with a clear distance from the absolute minimum.")
case("hv cell 1.90 V", world=hv(hv_wait(cell(0, 0, 1.90))), kinds="fault", truth="fault", root="cell-below-minimum",
    does="one cell 1.90 V, absolute minimum 2.0",
    field="Below the absolute minimum: do not charge, do not install, quarantine.",
    checks=(no_step(POWER_CYCLE), says("do not charge|no charge"), step_needs(r"set (it|the \w+) apart|quarantine|where a fire", "live-dc", "unit-off")),
    point="12 13")
case("hv cell 1.90 V in service", world=hv(hv_run(cell(0, 0, 1.90), 5.0)), kinds="fault", truth="fault", root="cell-below-minimum",
    point="13",
    does="one cell 1.90 V while 5 A charge the stack",
    field="A cell below its absolute minimum that is being charged: stop the current first.",
    checks=(first_says(ZERO_AMPS), no_step(POWER_CYCLE)))
case("hv cell not readable", world=hv(hv_wait(cell(1, 3, None))), kinds={"fault", "undecided"}, truth="fault",
    does="one cell at its not-available value",
    field="A cell that can't be read is not a good cell: do not charge, do not install.",
    argue="a sense wire or a cell: fault by the wire, undecided by the number")
case("hv cell at 0 V, its neighbour high",
    world=hv(hv_wait(lambda u, t: (u.cells[1].__setitem__(5, 2.60), u.cells[1].__setitem__(6, 3.94)))), kinds="fault", truth="fault",
    root=None,
    does="cell 6 2.60 V, cell 7 3.94 V, sum unchanged",
    field="A low cell beside a high neighbour with an unchanged sum is a broken sense wire, not a bad cell.",
    checks=(says("sense"), step_needs(r"sense (connector|wire|harness)", "live-dc")), point="12")
case("hv cells 0.2 V apart at rest", world=hv(hv_wait(lambda u, t: u.cells.__setitem__(1, [3.27 - 0.2 * (c % 2) for c in range(30)]))),
    kinds="fault", truth="fault", root="cell-imbalance",
    does="module 2: every second cell 0.2 V lower, spread limit 0.15",
    field="Spread at rest beyond the limit is a fault.")
case("hv extremes above the cells", world=hv(hv_wait(put(cell_max=3.90))), kinds={"fault", "undecided"}, truth="open",
    does="highest cell 3.90 V by the unit, no cell above 3.28",
    field="Numbers that must be the same and are not: one of them is wrong.")
case("hv lowest cell 1.80 by the unit, cells good", world=hv(hv_wait(put(cell_min=1.80))), kinds={"fault", "undecided"}, truth="open",
    does="lowest cell 1.80 V by the unit, no cell below 3.26",
    field="Numbers that must be the same and are not: one of them is wrong, and one of them says do not charge.")
# ---- temperatures
case("hv 61 °C at one sensor", world=hv(hv_wait(temp(1, 2, 61.0))), kinds="fault", truth="fault",
    root=("over-temperature", "temperature-imbalance"), point="R1",
    does="one sensor 61 °C, no flag",
    field="Hot: stay away; the first line says so.",
    checks=(first_says(KEEP_AWAY), never_says("let it cool down"), first_step_is_not("record|keep this look")))
case("hv 59 °C everywhere under load", world=hv(hv_run(temps(59), -40)), kinds="fault", truth="fault", root="over-temperature",
    does="all sensors 59 °C at 40 A",
    field="Hot: stay away; the first line says so.",
    checks=(first_says(KEEP_AWAY),))
case("hv module 19 K warmer at rest", world=hv(hv_wait(lambda u, t: u.temps.__setitem__(1, [40.0] * 8))), kinds="fault", truth="fault",
    root="temperature-imbalance", point="13",
    does="module 2 at 40 °C, the others at 21 °C, no current",
    field="A module that is warm by itself at rest heats from inside until shown otherwise.",
    checks=(first_says(KEEP_AWAY + "|warm|heat"),))
case("hv module 12 K warmer at rest", world=hv(hv_wait(lambda u, t: u.temps.__setitem__(1, [33.9] * 8))), kinds="fault", truth="fault",
    root="temperature-imbalance", point="13 R9",
    does="module 2 at 33.9 °C, the others at 21 to 22 °C, no current: within the 15 K of the map",
    field="A module more than 10 K above all others without current heats from inside until shown otherwise.",
    checks=(first_says(KEEP_AWAY), no_step(POWER_CYCLE)))
case("hv one sensor 19 K warmer at rest", world=hv(hv_wait(temp(1, 2, 40.0))), kinds="fault", truth="fault",
    root=("sensor-fault", "temperature-imbalance"), point="R9",
    does="one sensor of module 2 at 40 °C, its seven neighbours at 21 °C",
    field="One sensor alone is the sensor, or a hot spot right there; not a module that heats.")
case("hv one sensor 18 K colder at rest", world=hv(hv_wait(temp(1, 2, 3.0))), kinds="fault", truth="fault",
    root=("sensor-fault", "temperature-imbalance"), point="R9",
    does="one sensor of module 2 at 3 °C, its seven neighbours at 21 °C",
    field="A sensor that reads cold alone is the sensor: nobody is sent away by it.",
    checks=(never_says("keep away|fire service"),))
case("hv sun on one side", world=hv(hv_wait(lambda u, t: u.temps.__setitem__(slice(None), [[31.5] * 8, [27.0] * 8, [22.5] * 8]))),
    kinds="awaiting-inverter", root=(), point="R9",
    does="module 1 at 31.5, module 2 at 27, module 3 at 22.5 °C, no current",
    field="Sun on one end warms the next module as well, only less: no module stands alone.")
case("hv air comes in at one side", world=hv(hv_run(lambda u, t: u.temps.__setitem__(slice(None), [[20.0] * 4 + [31.0] * 4 for _ in range(3)]))),
    kinds="normal", root=(), point="R9",
    does="in every module four sensors at 20, four at 31 °C, standby",
    field="The side where the air comes in is colder in every module alike.")
case("hv cools down after a discharge", world=hv(hv_run(lambda u, t: u.temps.__setitem__(slice(None), [[31.0] * 8, [36.5] * 8, [30.0] * 8]))),
    kinds="normal", root=(), point="R9",
    does="the middle module at 36.5, the outer ones at 31 and 30 °C, standby",
    field="After a discharge the middle of a stack cools last.")
case("hv cells 0.17 V apart at rest", world=hv(hv_wait(lambda u, t: u.cells.__setitem__(1, [3.27 - 0.17 * (c % 2) for c in range(30)]))),
    kinds="fault", truth="fault", root="cell-imbalance", point="13",
    does="module 2: every second cell 0.17 V lower, spread limit 0.15, nothing balances",
    field="Spread at rest beyond the limit is a fault.")
case("hv sensor at its rail", world=hv(hv_wait(temp(0, 3, Raw(32767)))), kinds="fault", truth="fault", root="sensor-fault", point="R9",
    does="one sensor at 32767, the rail of the map",
    field="A sensor at its rail is a connector, not a temperature.",
    checks=(no_step("fire"),))
case("hv sensor not available", world=hv(hv_wait(temp(0, 3, None))), kinds={"fault", "undecided"}, truth="open",
    does="one sensor at its not-available value",
    field="A sensor without a value is not a good temperature.",
    argue="a required value is missing, or the sensor is broken")
case("hv sensor 3276.6 °C", world=hv(hv_wait(temp(2, 0, Raw(32766)))), kinds={"fault", "undecided"}, truth="open", point="5",
    does="one sensor at 32766, just beside the rail",
    field="An impossible temperature is no temperature: nobody is sent away from a fire by it.",
    checks=(no_step("fire"), never_says(r"too hot \(3276")))
case("hv -60 °C at one sensor", world=hv(hv_wait(temp(2, 0, -60.0))), kinds={"fault", "undecided"}, truth="open",
    does="one sensor at -60 °C, possible down to -40",
    field="An impossible temperature is a sensor, and no cold pack.")
# ---- R3
case("hv charges at -5 °C", world=hv(hv_run(temps(-5.0), 12.5)), kinds="fault", truth="fault", root=None, point="3 R3",
    does="-5 °C, 12.5 A charge, map: charge from 0 °C",
    field="Charging a frozen LFP cell plates it: charging goes to zero at the inverter's screen, no plug is pulled.",
    checks=(first_says(ZERO_AMPS), never_says(r"unplug|pull the plug(?!s)"), says("charg")))
case("hv charges at -3 °C, one sensor", world=hv(hv_run(lambda u, t: (u.set_temps(3.0), u.temps[1].__setitem__(4, -3.0)), 8.0)),
    kinds={"fault", "undecided"}, truth="fault", root=None, point="3 R3",
    does="one sensor of one module -3 °C, 8 A charge",
    field="Any valid sensor below the charging temperature counts, not the mean.",
    checks=(first_says(ZERO_AMPS + "|charg"),),
    argue="likely at once, proven after five seconds")
case("hv charges at 53 °C", world=hv(hv_run(temps(53.0), 20.0)), kinds="fault", truth="fault", root=None, point="3 R3",
    does="53 °C, 20 A charge, map: charge to 50 °C, alarm only at 58",
    field="Charging above the charging window is a fault of its own.",
    checks=(first_says(ZERO_AMPS),))
case("hv discharges at -5 °C", world=hv(hv_run(temps(-5.0), -12.5)), kinds={"normal", "undecided"}, truth="sound", root=(), point="3 R3",
    does="-5 °C, 12.5 A discharge, warning below 0",
    field="Discharging in the cold is allowed where charging is not.",
    argue="the map warns below 0 °C")
case("hv rest at -5 °C", world=hv(hv_run(temps(-5.0), 0.0)), kinds={"normal", "undecided", "not-ready"}, truth="sound", root=None,
    point="3 R3",
    does="-5 °C, no current, in service",
    field="Cold and at rest is no fault; charging is not tested.",
    argue="the map warns below 0 °C")
case("hv derates and charges at -4 °C",
    world=hv(hv_run(lambda u, t: (u.set_temps(-4.0), put(warn=WARN["derating"] | WARN["rather-cold"], charge_limit=5.0)(u, t)), 4.5)),
    kinds={"fault"}, truth="fault", root=None, point="3 R3",
    does="-4 °C, the unit derates to 5 A and takes 4.5 A",
    field="The unit allows it, the map does not: its own derating exonerates nothing.",
    checks=(first_says(ZERO_AMPS),))
# ---- current, power, charge
case("hv 150 A, no flag", world=hv(hv_run(put(), -150)), kinds="fault", truth="fault", root="over-current",
    does="150 A discharge, limit 120, no flag",
    field="A protection that stays silent: the number without the flag.", point="R1",
    checks=(first_says(ZERO_AMPS + "|over-?current|load|current"),))
case("hv charges beyond the granted limit", world=hv(hv_run(put(charge_limit=5.0), 40.0)), kinds={"fault", "undecided"}, truth="fault",
    root=None, point="57 13",
    does="unit grants 5 A, inverter charges with 40 A",
    field="Charge beyond the granted limit: the inverter does not listen, stop it at its screen.")
case("hv 30 A though its flag says the inverter is silent",
    world=hv(lambda u, t: (u.waiting(), put(switches=3, current=-30.0, terminals=None, state=HV_RUNNING)(u, t))),
    kinds={"undecided", "fault"}, truth="open", point="2",
    does="flag and statuses up, yet switches closed and 30 A flow",
    field="A unit that is dead without an inverter by its map and carries current says so in its first lines.",
    checks=(first_says(r"30(\.0)? A|current"),))
case("hv 8 A with every switch open", world=hv(hv_wait(put(current=8.0))), kinds={"undecided", "fault"}, truth="open", point="R2",
    does="8 A while every switch reads open",
    field="Current while open: a welded switch, a shorted one, or an offset.",
    checks=(first_says("current"),))
case("hv 1.2 A offset with every switch open", world=hv(hv_wait(put(current=1.2))), kinds={"awaiting-inverter", "undecided"}, truth="sound",
    root=(), point="R2",
    does="1.2 A while open, the map's rest current is 1.0",
    field="A small offset of the current sensor is no current.",
    argue="some would want to see it once more")
case("hv power contradicts volts times amps", world=hv(hv_run(put(power=9000), 12.5)), kinds={"fault", "undecided"}, truth="open",
    does="9000 W at 12.5 A and 294 V",
    field="Power is volts times amps within tolerance; otherwise one of them is wrong.")
case("hv power sign contradicts the current", world=hv(hv_run(put(power=-3678), 12.5)), kinds={"fault", "undecided"}, truth="open",
    does="charge by the current, discharge by the power",
    field="Sign of current and power that differ: nobody knows whether it charges.")
case("hv current not available", world=hv(hv_run(put(raw={("input", 15): 0x8000}))), kinds={"undecided", "fault"}, truth="open",
    does="pack current at its not-available value",
    field="A required value that is missing is no zero.")
# ---- insulation
case("hv 42 kOhm, no flag", world=hv(hv_wait(put(insulation=42))), kinds="fault", truth="fault", root="insulation-low",
    does="42 kOhm, limit 100, valid, no flag",
    field="Insulation never follows from a silent inverter; touch no metal, a pole may be at earth.",
    checks=(no_step("claim"),))
case("hv 42 kOhm in service", world=hv(hv_run(put(insulation=42), -10)), kinds="fault", truth="fault", root="insulation-low",
    does="42 kOhm with switches closed",
    field="Low with contactors closed may be the inverter or the PV.",
    checks=(says("inverter|PV"),))
case("hv insulation not valid", world=hv(hv_wait(put(insulation=42, insulation_valid=0))), kinds={"awaiting-inverter", "undecided"},
    truth="sound", root=(), point="R4",
    does="42 kOhm, but the unit says that the value is not valid",
    field="The profile's valid states decide: a value that is not valid is not judged, and not tested.",
    checks=(untested("insulation"),),
    argue="insulation is not required by the map")
case("hv insulation not available", world=hv(hv_wait(put(insulation=65535))), kinds={"awaiting-inverter", "undecided"}, truth="sound",
    root=(), point="R4",
    does="not-available value",
    field="No value is no good value: it stands under not tested.",
    checks=(untested("insulation"),),
    argue="as above")
# ---- voltages that must add up
def reversed_module(u, t):
    u.waiting()
    sums = [sum(row) for row in u.cells]
    u.pack = sums[0] + sums[2] - sums[1]


case("hv module reversed", world=hv(reversed_module), kinds="fault", truth="fault", root=None, point="12 14",
    does="pack 98 V where three modules of 98 V add up to 294 V",
    field="A module reversed shows as a pack short of the sum by twice the module: it stands in the first lines.",
    checks=(first_says(r"revers|polarity"),))
case("hv module voltage not the sum of its cells", world=hv(hv_wait(lambda u, t: u.module_v.__setitem__(1, 91.0))),
    kinds={"fault", "undecided"}, truth="open",
    does="module 2 says 91.0 V, its cells add up to 98.1 V",
    field="Sum of the cells is the module's voltage.")
case("hv pack 20 V above its modules", world=hv(hv_wait(put(pack=314.0))), kinds={"fault", "undecided"}, truth="open",
    does="pack 314 V, modules add up to 294 V",
    field="Sum of the modules is the pack's voltage.", point="5")
case("hv terminals live while waiting", world=hv(hv_wait(put(terminals=290.0))), kinds={"undecided", "fault"}, truth="open",
    does="290 V at the terminals, switches open",
    field="Terminals live with open switches: welded, or fed from outside; hands off, isolate every other source first.",
    checks=(first_says(r"live|terminals"),))
case("hv terminals half live while waiting", world=hv(hv_wait(put(terminals=140.0))), kinds={"undecided", "fault"}, truth="open", point="3",
    does="140 V of 294 V at the terminals, switches open",
    field="Half a voltage at the terminals is neither closed nor dead: it is live.",
    checks=(first_says(r"live|terminals"),))
case("hv terminals half live in service", world=hv(hv_run(put(terminals=150.0))), kinds={"fault", "undecided"}, truth="open", point="3",
    does="switches closed, 150 V of 294 V at the terminals",
    field="Closed switches with half a voltage behind them: switch or fuse.")
case("hv fuse open: closed, terminals 22 V", world=hv(hv_run(put(terminals=22.0))), kinds="fault", truth="fault",
    root=("fuse-open", "switch-fault"), point="12",
    does="switches closed, pack 294 V, terminals 22 V",
    field="Main switch or fuse open; near zero means not both poles closed, never safe.",
    checks=(first_says("fuse"), says(r"no proof|not (a )?proof|never safe|may be live|not safe")))
case("hv one pole stays closed", world=hv(hv_wait(put(switches=1))), kinds={"fault", "undecided"}, truth="open",
    does="waiting, plus pole reads closed",
    field="One pole welded shows at its own contact: every state has its switches.")
case("hv switches closed though waiting", world=hv(hv_wait(put(switches=3, terminals=None))), kinds={"fault", "undecided"}, truth="open",
    point="2",
    does="waiting, both switches read closed, terminals live",
    field="A unit that is dead without an inverter by its map and has its switches closed says so in its first lines.",
    checks=(first_says("switch|terminals|live"),))
case("hv charge 100 %, cells at 2.9 V", world=hv(hv_wait(cells(2.9, 100))), kinds={"undecided", "fault", "awaiting-inverter"},
    truth="sound", root=None,
    does="100 % by the unit, cells nearly empty",
    field="State of charge against open-circuit voltage where the curve is steep.",
    checks=(finding("charge"),),
    argue="a wrong state of charge is no danger by itself; that it is told is what counts")
case("hv module states of charge apart", world=hv(hv_wait(lambda u, t: setattr(u, "module_soc", [80, 30, 55]))),
    kinds={"awaiting-inverter", "undecided"}, truth="sound",
    does="modules at 80, 30 and 55 %",
    field="At commissioning compare the modules' states of charge: alike voltages do not show equal charge.",
    checks=(finding("charge"),),
    argue="told, not blocking")
case("hv module count 2, third answers nothing", world=hv(hv_wait(put(module_positions=[1, 1, 3]))), kinds={"fault", "undecided"},
    truth="open", root=None,
    does="two modules say that they are at position 1",
    field="Right modules in the right order: two at one position are an assembly to look at.")
case("hv two modules, one serial number", world=hv(hv_wait(lambda u, t: u.module_serials.__setitem__(1, u.module_serials[0]))),
    kinds={"fault", "undecided"}, truth="open", root=None, point="R5",
    does="modules 1 and 2 have the same serial number",
    field="Nameplates and serials against positions: the same one twice is one module read twice.")

# ---- 48 V
case("lv cell 3.70 V", map=LV_MAP, world=lv(lv_wait(lcell(5, 3.70))), kinds="fault", truth="fault",
    root=("cell-over-voltage", "cell-imbalance"),
    does="one cell 3.70 V, code of the inverter",
    field=NO_FLAG)
case("lv cell 1.85 V", map=LV_MAP, link="pty", world=lv(lv_wait(lcell(9, 1.85))), kinds="fault", truth="fault", root="cell-below-minimum",
    does="one cell 1.85 V, code of the inverter",
    field="Below the absolute minimum: do not charge, do not install, quarantine.",
    checks=(no_step(POWER_CYCLE),))
case("lv all cells 2.05 V", map=LV_MAP, world=lv(lv_wait(cells(2.05, 0))), kinds="fault", truth="fault", root=None, point="R8",
    does="all cells 2.05 V",
    field="Empty is a condition only with a clear distance from the absolute minimum.")
case("lv empty, all alike, switches closed", map=LV_MAP, world=lv(lv_run(cells(2.7, 2), 3.0)), kinds={"fault", "undecided"}, truth="open",
    root=None, point="R8",
    does="all cells 2.70 V, 3 A still drawn, switches closed",
    field="Empty is a condition only while the switches are open: here it is being drained further.")
case("lv 60 °C", map=LV_MAP, world=lv(lv_wait(ltemp(2, 60.0))), kinds="fault", truth="fault",
    root=("over-temperature", "temperature-imbalance"), point="12",
    does="one sensor 60 °C, code of the inverter",
    field="Hot: stay away; the first line says so.",
    checks=(first_says(KEEP_AWAY),))
case("lv charges at -4 °C", map=LV_MAP, world=lv(lv_run(temps(-4.0), -8.0)), kinds="fault", truth="fault", root=None, point="3 R3",
    does="-4 °C, 8 A charge (negative on this map)",
    field="Charging a frozen LFP cell plates it; the sign is the map's.",
    checks=(first_says(ZERO_AMPS),))
case("lv discharges at -4 °C", map=LV_MAP, world=lv(lv_run(temps(-4.0), 8.0)), kinds={"normal", "undecided"}, truth="sound", root=(),
    point="3 R3",
    does="-4 °C, 8 A discharge",
    field="Discharging in the cold is allowed where charging is not.",
    argue="any question counts here, so the inverter stays unknown",
    checks=(no_step("charg\\w+ to zero"),))
case("lv 130 A, no code", map=LV_MAP, world=lv(lv_run(put(), 130)), kinds="fault", truth="fault", root="over-current",
    does="130 A discharge, limit 110",
    field="A protection that stays silent: the number without the flag.")
case("lv pack 5 V above its cells", map=LV_MAP, world=lv(lv_wait(put(pack=57.5))), kinds={"fault", "undecided"}, truth="open",
    does="pack 57.5 V, cells add up to 52.3 V",
    field="Sum of the cells is the pack's voltage.")
case("lv pack 59 V", map=LV_MAP, world=lv(lv_run(cells(3.69, 100))), kinds="fault", truth="fault",
    root=("cell-over-voltage", "pack-over-voltage"),
    does="all cells 3.69 V, pack 59 V",
    field=NO_FLAG)
case("lv sensor at its rail", map=LV_MAP,
    world=lv(lv_wait(lambda u, t: (u.temps.__setitem__(1, Raw(32767)), put(temp_max=22, temp_min=21)(u, t)))), kinds="fault", truth="fault",
    root="sensor-fault",
    does="one sensor at the map's rail",
    field="A sensor at its rail is a connector, not a temperature.",
    checks=(no_step("fire"),))
case("lv closed, terminals 3 V", map=LV_MAP, world=lv(lv_run(put(terminals=3.0))), kinds={"fault"}, truth="fault",
    root=("fuse-open", "switch-fault"), point="12",
    does="switches closed, pack 52 V, terminals 3 V",
    field="Main switch or fuse open; no proof of dead.",
    checks=(first_says("fuse"),))
case("lv 20 A while open", map=LV_MAP, world=lv(lv_wait(put(current=20.0))), kinds={"fault", "undecided"}, truth="open", point="26",
    does="20 A while both switches read open",
    field="A solid-state switch that is shorted carries current while it reads open.",
    checks=(first_says("current"),))
case("lv cells 0.2 V apart at rest", map=LV_MAP,
    world=lv(lv_wait(lambda u, t: setattr(u, "cells", [3.27 - 0.2 * (c == 3) for c in range(16)]))), kinds="fault", truth="fault",
    root="cell-imbalance",
    does="one cell 0.2 V lower at rest",
    field="Spread at rest beyond the limit is a fault.")
