"""The rules of the trade word by word, where no other case holds them: samples, like conditions, inrush, charging in the cold,
dead images, counters, low packs, lone sensors, packs that join.

Each was written before it was run. All numbers of rules are common practice, from memory.
"""
from case import (KEEP_AWAY, POWER_CYCLE, ZERO_AMPS, any_root, case, finding, first_says, first_step, never_says, no_root, no_step, not_proven, says,
                  told_after)
from cases_a_sound import HV_ALL, LV_MAP, hv, lv, standby, waiting
from cases_c_measured import hv_run, hv_wait, put, temp, temps
from cases_f_rack import RACK_OF_16, each
from cases_h_maps import HV, LV, changed, in_point
from cases_i_watch import GONE, NOT_CLEAN, between, earth_flag, from_on, high, seen, unheard
from habits import caches, silent_after
from images import *
from wire import World


def proven(root):
    return (f"{root} is proven", lambda r: any(f.get("id") == root and f.get("root") and f.get("sure") == "proven" for f in r.get("findings", [])))


# ---- R2: memory
def charged_too_high(u, t):
    u.in_service(t, 12.5 if t < 16 else 0.0)
    if 4 <= t < 15:
        u.cells[1][4] = 3.72


seen("too high under charge, then at rest", charged_too_high, NOT_CLEAN, "cell 3.72 V under 12.5 A from 4 to 15 s, no current from 16 s on",
    "An excursion is over only under like conditions: at rest a cell that was too high under charge shows nothing.", 90, link="rtu-tcp",
    point="1 R2", during=((12, 99, NOT_CLEAN),),
    checks=(finding("cell-over-voltage|above"), no_step("charge[^.]*again to see")))


def like_again(u, t):
    u.in_service(t, 12.5)
    if 4 <= t < 6.5:
        u.cells[1][4] = 3.66


seen("too high under charge, and like again", like_again, "normal", "cell 3.66 V for 2.5 s under 12.5 A, which flow on",
    "Under like conditions a short excursion is over after a minute and twelve good samples.", 100, link="tcp", truth="sound",
    point="R2")
OPENED = "Current while open over three samples is no glitch, and it is not forgotten when it ends."
seen("8 A while open from 8 to 20 s", between(8, 20, waiting, put(current=8.0)), NOT_CLEAN, "8 A with every switch open, then none", OPENED,
    45, link="rtu-tcp", truth="open", point="R2", during=((14, 99, NOT_CLEAN),),
    checks=(says(r"open"), says(r"8(\.0)? A")))
case("hv 1.4 A offset with every switch open", world=hv(hv_wait(put(current=1.4))), kinds="awaiting-inverter", root=(), point="R2",
    does="1.4 A in all answers while the switches are open",
    field="Below 1.5 A a current while open is an offset of the sensor.")


def closes(amps, seconds):
    def script(u, t):
        if t < 8:
            u.waiting()
        else:
            u.in_service(t)
            u.uptime = 600 + t
            if t < 8 + seconds:
                u.current = amps
    return script


INRUSH = "Over-current in one sample within two seconds after closing, at most three times the limit, is inrush: told, and no doubt."
seen("inrush is told, and no doubt", closes(-200.0, 1.0), "normal", "switches close at 8 s, 200 A for a second, limit 120", INRUSH, 25,
    truth="sound", point="R2",
    checks=(("told where it was read", lambda r: finding("200")[1](r) or not any(kind == "fault" for _, kind in r["_course"])),))
seen("500 A at closing is no inrush", closes(-500.0, 2.5), NOT_CLEAN, "switches close at 8 s, 500 A for two and a half seconds, limit 120", INRUSH, 25,
    link="rtu-tcp", truth="open", point="R2", during=((14, 99, NOT_CLEAN),))
seen("200 A for six seconds after closing", closes(-200.0, 6.0), NOT_CLEAN, "switches close at 8 s, 200 A for six seconds", INRUSH, 30,
    link="rtu-tcp", truth="open", point="R2", during=((16, 99, NOT_CLEAN),))
seen("200 A long after closing", between(20, 22.5, lambda u, t: (u.in_service(t, -8)), put(current=-200.0)), NOT_CLEAN,
    "closed for long, 200 A for two and a half seconds at 20 s", INRUSH, 28, link="rtu-tcp", truth="open", point="R2", during=((24, 27, NOT_CLEAN),))

# ---- R3: charging outside of the temperatures
COLD = "Charging a frozen cell: likely at once, proven at a kelvin beyond for three samples over five seconds."
seen("charging at -5 °C is proven", lambda u, t: (u.in_service(t, 12.5), u.set_temps(-5)), "fault", "-5 °C, 12.5 A throughout", COLD, 20,
    link="rtu-tcp", point="3 R3", root="charging-outside-temperature",
    checks=(proven("charging-outside-temperature"), first_says(ZERO_AMPS), no_step("unplug|heater")))
seen("charging half a kelvin too cold is likely", lambda u, t: (u.in_service(t, 12.5), u.temps.__setitem__(1, [-0.5] * 8)), "fault",
    "module 2 at -0.5 °C, 12.5 A throughout", COLD, 20, link="rtu-tcp", point="3 R3", root=("charging-outside-temperature", "temperature-imbalance"),
    checks=(not_proven(),))
CURVE = changed(HV, r"^(charge_from_c = .*)$", r"\1\ncharge_reduced = [[-10, 1], [0, 9]]", 1)
GIVEN = "A map may grant a small current in the cold: up to a tenth more than its curve is no fault, beyond it is one."
case("hv 5.2 A at -5 °C, granted 5", map=CURVE, world=hv(hv_run(lambda u, t: (u.set_temps(-5), put(current=5.2)(u, t)))), kinds={"normal"},
    root=(), point="3 R3", does="the map grants 5 A at -5 °C (1 A at -10, 9 A at 0 °C), 5.2 A flow", field=GIVEN)
case("hv 7 A at -5 °C, granted 5", map=CURVE, world=hv(hv_run(lambda u, t: (u.set_temps(-5), put(current=7.0)(u, t)))), kinds={"fault"},
    truth="fault", root="charging-outside-temperature", point="3 R3", does="the map grants 5 A at -5 °C, 7 A flow", field=GIVEN)
case("hv 3 A at -15 °C, beyond the curve", map=CURVE, world=hv(hv_run(lambda u, t: (u.set_temps(-15), put(current=3.0)(u, t)))),
    kinds={"fault"}, truth="fault", root=None, point="3 R3", does="the curve of the map ends at -10 °C, 3 A flow at -15 °C", field=GIVEN,
    checks=(any_root("charging-outside-temperature"),))
UNSIGNED = in_point(HV, "pack_current", r"^positive = .*\n", "")
case("map: which way the current flows is not said, 12.5 A at -5 °C", map=UNSIGNED,
    world=hv(hv_run(lambda u, t: u.set_temps(-5), 12.5)), kinds={"undecided", "fault", "refused"}, truth="open", point="3 R3",
    does="the map does not say which sign is charging",
    field="Sign not proven: undecided, and the same first step.",
    checks=(("refused, or first lines stop the current", lambda r: not r.get("verdict") or first_says(ZERO_AMPS)[1](r)),))

# ---- R5: no measurement
def nothing_available(u, t):
    u.waiting()
    u.beat, u.uptime = 1000, 600
    u.cells = [[None] * 30 for _ in range(u.modules)]
    u.temps = [[None] * 8 for _ in range(u.modules)]
    u.cell_max = u.cell_min = 3.3
    u.temp_max = u.temp_min = 20
    u.module_v = [98.1] * u.modules
    for address in (12, 13, 17, 18, 19, 20, 21, 22, 23, 24):
        u.raw[("input", address)] = 0xFFFF
    u.raw[("input", 14)] = 0xFFFF
    u.raw[("input", 15)] = 0x8000
    u.raw[("input", 16)] = 0x0000
    u.raw[("input", 17)] = 0x8000
    for n in range(u.modules):
        u.raw[("input", 64 + 48 * n)] = 0xFFFF
        u.raw[("input", 64 + 48 * n + 1)] = 0xFF


case("hv each value not available in its own way, nothing moves", world=hv(nothing_available), kinds={"undecided", "bus-problem"},
    truth="open", point="5 R5",
    does="cells FFFF, sensors 8000, own counter and uptime still",
    field="Everything at its not-available value with the heartbeat still is no measurement: nobody is sent to live DC by it.",
    checks=(not_proven(), no_step("quarantine|set-apart|fire")))


def frozen_whole(u, t):
    u.in_service(t, -30 if t >= 8 else 0)
    u.set_cells(3.27)
    u.rigid = True


seen("cells, modules and pack freeze across a load step", frozen_whole, NOT_CLEAN,
    "30 A from 8 s on: no cell, no module and no pack voltage moves by a millivolt, the counter runs",
    "At least 16 cells bit-equal across a step of 5 A and more: the readings are frozen and show nothing good.", 40, link="rtu-tcp",
    truth="open", point="R5 45", during=((25, 99, NOT_CLEAN),))
seen("cells stand still without a step", standby, {"normal", "undecided"}, "nothing flows and no cell moves for 30 s",
    "Cells that stand still at rest are healthy.", 30, link="rtu-tcp", truth="sound", point="R5 45", root=(),
    argue="nobody was overheard on this pair",
    checks=(never_says("frozen|stand still"),))


def switched_on_together():
    def pack(beat):
        return Lv(lambda u, t: (u.waiting(t), put(beat=beat + int(t), uptime=600 + t)(u, t)), packs=2, serial="TR26-001", drops_after=600)
    return World({1: pack(2000), 2: pack(9000)})


case("lv two packs, one number, switched on together", map=LV_MAP, link="rtu-tcp", world=switched_on_together,
    kinds={"awaiting-inverter", "fault"}, truth="sound", root=(), point="R5",
    does="one serial number, like cells and uptime, counters 7000 apart",
    field="One pack twice has one serial number, one counter and like cells: two counters are two packs.",
    checks=(says("serial"),))

# ---- R6: counters
def wraps(u, t):
    u.in_service(t)
    u.uptime = 2**32 - 10 + t


seen("uptime passes the end of its range", lambda u, t: (wraps(u, t), put(uptime=int(u.uptime) % 2**32)(u, t)), "normal",
    "uptime 4294967286 to 14 and on", "Uptime falling from the end of its range is a wrap and no restart.", 35, truth="sound", root=(),
    point="R6", during=((12, 99, {"normal"}),))


def no_age(u, t):
    u.waiting()
    u.age = 0


seen("an age that is always 0 is none", no_age, "awaiting-inverter", "flag up, age 0 for half a minute",
    "0 in three reads over two usual polls is not implemented: no evidence, and no doubt for ever.", 30, truth="sound", root=(), point="R6")

# ---- R7: the own counter
def stands_from(at):
    return lambda u, t: (u.in_service(t, -10), put(beat=1000 + min(int(t), at), uptime=86400 + min(int(t), at))(u, t))


seen("counter and uptime stand for fifteen seconds", stands_from(5), {"undecided"}, "both stand from 5 s on, looked at until 20 s",
    "A hung control unit is a fault after ten refreshes and thirty seconds, and open before.", 20, link="pty", truth="open", point="R7",
    during=((0, 99, {"undecided", "normal"}), (14, 99, {"undecided"})))
seen("counter and uptime stand for a minute", stands_from(5), "fault", "both stand from 5 s on, looked at until 65 s",
    "A hung control unit is a fault after ten refreshes and thirty seconds.", 65, link="pty", truth="fault", point="R7",
    root="control-unit-fault", reach=((50, {"fault"}),),
    checks=(no_step("unplug"),))

# ---- R8: low
def empty(u, t):
    u.waiting()
    u.set_cells(2.72)
    put(soc=2.0, module_soc=[2] * u.modules, a1=A1["cell-low"], a2=SILENT | A2["charge-low"])(u, t)


LOW = "Low is a condition only with like cells that hold their voltage, in the charging window, with open switches."
case("hv empty and frozen", world=hv(lambda u, t: (empty(u, t), u.set_temps(-6))), kinds={"fault"}, truth="fault", point="R8",
    does="all cells 2.72 V at -6 °C", field=LOW, checks=(no_step("^(?!.*(do not|never|no )).*charge (it|the pack) now"),))
case("hv empty, one switch closed", world=hv(lambda u, t: (empty(u, t), put(switches=1)(u, t))), kinds={"fault"}, truth="fault", point="R8",
    does="all cells 2.72 V, one main switch closed", field=LOW)
seen("empty and falling", lambda u, t: (empty(u, t), u.set_cells(2.72 - 0.0012 * t)), "fault", "all cells from 2.72 V down by 1.2 mV a second",
    LOW + " More than 5 mV in ten minutes is a drain.", 25, link="rtu-tcp", truth="fault", point="R8", during=((15, 99, NOT_CLEAN),))

# ---- R9: heat
case("hv one sensor 13 K warmer at rest", world=hv(hv_wait(temp(1, 2, 34.5))), kinds="fault", truth="fault",
    root=("sensor-fault", "temperature-imbalance", "over-temperature"), point="13 R9",
    does="one sensor of module 2 at 34.5 °C, its neighbours at 21 °C, within the 15 K of the map",
    field="A sensor fault only for rail, not available, a drop, or a return: a lone warm one may be a hot spot, nobody goes near.",
    checks=(first_says(KEEP_AWAY), no_step(POWER_CYCLE)))
STAYS = "Heat from inside is never cleared by time, nor by a current that hides it."
seen("a module warm at rest, then current flows",
    lambda u, t: (u.in_service(t, -10.0 if t >= 10 else 0.0), u.temps.__setitem__(1, [33.9] * 8)), NOT_CLEAN,
    "module 2 12 K above the others at rest, 10 A from 10 s on", STAYS, 35, link="rtu-tcp", truth="fault", point="13 R2 R9",
    during=((8, 99, NOT_CLEAN),), checks=(first_says(KEEP_AWAY),))
seen("a hot spot beside a low cell, then it cooled",
    lambda u, t: (u.waiting(), (u.temps[1].__setitem__(2, 38.0), u.cells[1].__setitem__(6, 3.14)) if 4 <= t < 16 else None), NOT_CLEAN,
    "one sensor 38 °C beside a cell 0.13 V low from 4 to 16 s", STAYS, 40, link="rtu-tcp", truth="fault", point="13 R2 R9",
    during=((9, 99, NOT_CLEAN),))
case("hv module 19 K warmer, another flag clears by a restart",
    world=hv(hv_wait(lambda u, t: (u.temps.__setitem__(1, [40.5] * 8), setattr(u, "a1", A1["modules-unheard"])))), kinds="fault", truth="fault",
    root=None, point="13", does="module 2 at 40.5 °C at rest, and the internal link's flag",
    field="A power cycle is never offered where something heats.", checks=(no_step(POWER_CYCLE), first_says(KEEP_AWAY)))

# ---- R10: packs
JOINS = changed(LV, r"^(at_most = .*)$", r"\1\njoin_within_v = 1.0\njoin_within_percent = 20", 1)
KEY = "Where the maker says how far apart packs may be that join, that counts."
case("lv packs 0.6 V apart, the maker allows 1 V", map=JOINS, link="rtu-tcp", world=each(None, lambda u, t: u.set_cells(3.31)),
    kinds={"awaiting-inverter"}, root=(), point="R10", does="52.3 and 53.0 V, 1.0 V by the map", field=KEY)
case("lv packs 1.3 V apart, the maker allows 1 V", map=JOINS, link="rtu-tcp", world=each(None, lambda u, t: u.set_cells(3.35)),
    kinds={"undecided", "fault"}, truth="open", point="R10", does="52.3 and 53.6 V, 1.0 V by the map", field=KEY)
WARM = "Packs side by side at rest are alike: one that is 10 K warmer than all others heats from inside until shown otherwise."
case("lv one pack of three 13 K warmer at rest", map=LV_MAP, link="rtu-tcp", world=each(None, lambda u, t: u.set_temps(34), None),
    kinds="fault", truth="fault", root="temperature-imbalance", point="13 R9", does="packs at 21, 34 and 21 °C, no current", field=WARM,
    checks=(first_says(KEEP_AWAY), no_step(POWER_CYCLE), says(r"\b2\b")))
case("lv packs in the sun", map=LV_MAP, link="rtu-tcp",
    world=each(lambda u, t: u.set_temps(33), lambda u, t: u.set_temps(27.5), lambda u, t: u.set_temps(22)), kinds="awaiting-inverter", root=(),
    point="R9", does="packs at 33, 27.5 and 22 °C, no current", field="A slope along a rack is sun or a wall.")
case("lv unlike packs, and a code that clears by a restart", map=LV_MAP, link="rtu-tcp",
    world=each(lambda u, t: (u.set_cells(3.35)), lambda u, t: put(code=CODE["measuring-unheard"], state=LV_LOCKED)(u, t)), kinds="fault",
    truth="fault", root="internal-communication", point="13 R10", does="52.3 and 53.6 V, and the internal link's code in pack 2",
    field="A power cycle is never offered where it could connect what should stay apart.",
    checks=(no_step(POWER_CYCLE), says("apart")))

# ---- from reading the hardest screens
BETWEEN = first_says(r"between (the )?packs|pack to pack|equali[sz]")


def feeds_a_broken_one():
    def pack(n, amps, change=None):
        return Lv(lambda u, t: (u.in_service(t, amps), change and change(u)), packs=3, serial=f"TR26-00{n}")
    return World({1: pack(1, 17.6), 2: pack(2, 17.6), 3: pack(3, -35.0, lambda u: u.cells.__setitem__(4, 1.9))})


case("lv two packs feed a third with a cell below its minimum", map=LV_MAP, link="rtu-tcp", world=feeds_a_broken_one, kinds="fault",
    truth="fault", root="cell-below-minimum", point="13 R10", does="17.6 and 17.6 A out, 35 A into a pack with a cell at 1.90 V",
    field="Currents that cancel flow between the packs: that stands in the first lines, beside a fault as well.",
    checks=(BETWEEN, first_says(ZERO_AMPS), no_step(POWER_CYCLE)))
case("hv a module's cells unreadable, its flag clears by a restart",
    world=hv(hv_wait(lambda u, t: (u.cells.__setitem__(1, [None] * 30), setattr(u, "a1", A1["sensor-lost"])))), kinds={"fault", "undecided"},
    truth="fault", point="13", does="thirty cells of module 2 without a value, the sensor flag up",
    field="A cell that can't be read may be one that must never be charged: no restart, which could charge it.",
    checks=(no_step(POWER_CYCLE), says("do not charge")))
case("hv cell 3.72 V in a gateway's memory", world=hv(hv_wait(lambda u, t: u.cells[1].__setitem__(4, 3.72)), habits=[caches()]),
    kinds={"fault", "undecided"}, truth="fault", point="13 R1", does="a cell too high, and nothing that was read moves",
    field="Where nobody knows whether a current flows, what one would make worse begins with stopping it.", checks=(says(ZERO_AMPS),))
case("hv counter and uptime stand, checked", link="pty", world=hv(hv_run(put(beat=1000, uptime=86400), -10)), kinds="fault", truth="fault",
    root="control-unit-fault", point="13 R7", long=50, does="in service, own counter and uptime stand",
    field="A hung control unit: the inverter to 0 A at its screen comes first.",
    checks=(first_says(ZERO_AMPS),))

# ---- a watch speaks at once: counted from the question that showed it, not from the change
for link, change, root in (("pty", unheard, "internal-communication"), ("tcp", earth_flag, "insulation-low"), ("rtu-tcp", unheard, "internal-communication")):
    seen(f"told within a cycle, {link}", from_on(10, waiting, change), "fault", "a root bit from 10 s on",
        "A change is told within one cycle of the question that showed it, whatever else a look still reads.", 22, link=link, point="10",
        root=root, checks=(told_after(10.1, 2, {"fault"}, 2.5),))
for link in ("pty", "tcp", "rtu-tcp"):
    seen(f"loss told within two time-outs, {link}", None, GONE, "no answer from 10 s on, the connection stays",
        "A unit that falls silent is told within two time-outs.", 22, link=link, world=hv(standby, habits=[silent_after(10)]), truth="open",
        point="10 7", checks=(told_after(10.1, None, GONE, 4.0),))

# ---- racks of any size over every link
for packs, link in ((1, "pty"), (2, "pty"), (6, "rtu-tcp"), (7, "tcp"), (9, "pty"), (11, "rtu-tcp"), (13, "tcp"), (16, "pty"), (16, "rtu-tcp")):
    case(f"lv {packs} wait, {link}, a map for sixteen", map=RACK_OF_16, wake=True, link=link, world=each(*[None] * packs), kinds="awaiting-inverter",
        root=(), point="4", long=6 * packs if link == "tcp" else 3 * packs, does=f"{packs} sound packs",
        field="A rack is one look, however many packs it has and whatever the link.")
for packs, link in ((10, "pty"), (16, "tcp")):
    last = [None] * (packs - 1) + [lambda u, t: u.cells.__setitem__(7, 3.72)]
    case(f"lv last of {packs} has a high cell, {link}", map=RACK_OF_16, wake=True, link=link, world=each(*last), kinds="fault", truth="fault",
        root=("cell-over-voltage", "cell-imbalance"), point="4", long=6 * packs if link == "tcp" else 3 * packs,
        does=f"a cell at 3.72 V in the last of {packs} packs", field="A fault anywhere in a rack is the rack's.")

# ---- R6: a usable age, two looks, ends of ranges
USABLE = "A usable age rises by 0.8 to 1.2 s a second between resets; any other says at least so long, and is no number."
NO_NUMBER = never_says(r"(silent|until|heard)[^.]{0,30}\b\d+(\.\d)? (s|min)\b[^.]{0,12}ago|fell silent \d")


def lost_at(age):
    def script(u, t):
        u.lost(t)
        u.age = age(t)
    return script


def aged(name, age, does, **more):
    seen(name, lost_at(age), "inverter-lost", f"flag up, heard before; {does}", USABLE, 30, link="rtu-tcp", truth="sound", root=(), point="R6", **more)


aged("an age that runs as the clock is told", lambda t: 300 + t, "its age rises by a second each second",
    checks=(says(r"silent[^.]{0,20}\b3\d\d s|silent[^.]{0,20}\b5(\.\d)? min"),))
aged("an age three times as fast is no number", lambda t: 300 + 3 * t, "its age rises by three seconds each second", checks=(NO_NUMBER,))
aged("an age half as fast is no number", lambda t: 300 + t / 2, "its age rises by a second in two", checks=(NO_NUMBER,))
aged("an age that stands at 5 s is no number", lambda t: 5, "its age stands at 5 s", checks=(NO_NUMBER,))
aged("an age that stands at 40000 s is no number", lambda t: 40000, "its age stands at 40000 s", checks=(NO_NUMBER,))


def down_and_old(u, t):
    u.in_service(t)
    u.age = 900


seen("an age that stands at 900 s with the flag down", down_and_old, "undecided", "in service by its flag, its age stands at 900 s",
    "An age that stands says at least so long: with the flag down that can't be true.", 30, link="rtu-tcp", truth="open", root=(), point="R6",
    during=((8, 99, {"undecided"}),))


def up_and_heard(period):
    def script(u, t):
        u.lost(t)
        u.age, u.inverter_beat = int(t) % period, 500 + int(t / period)
    return script


HEARD = "An inverter that is heard again and again is not silent, whatever the flag says: the age is read again and again and never becomes none."
for link, period in (("rtu-tcp", 2), ("tcp", 2), ("rtu-tcp", 5), ("pty", 3)):
    seen(f"flag up, heard every {period} s, {link}", up_and_heard(period), "undecided", f"flag up, its age begins anew every {period} s", HEARD, 40,
        link=link, truth="open", root=(), point="2 R6", during=((2, 99, {"undecided", "bus-problem"}),))
seen("flag up, no age, its counter runs", lambda u, t: (u.lost(t), put(age=NEVER, inverter_beat=500 + int(t))(u, t)), "undecided",
    "flag up, no age, the counter that the inverter writes runs", HEARD, 25, link="rtu-tcp", truth="open", root=(), point="2 R6",
    during=((6, 99, {"undecided"}),))
TWO_LOOKS = "Flag and age contradict each other only in two looks at least five seconds apart: one look may lie between the two."
AGAIN = first_step(r"look-again")
case("hv flag up, age one second, seen for two seconds", link="rtu-tcp", world=hv(up_and_heard(2)), kinds="undecided", truth="open", root=(),
    point="2 R6", does="flag up, its age begins anew every second; looked at for two seconds", field=TWO_LOOKS, checks=(AGAIN,))
seen("flag and age contradict each other for one look", between(9, 11.5, standby, put(age=900)), "normal", "age 900 s with the flag down, from 9 to 11.5 s",
    TWO_LOOKS, 30, link="rtu-tcp", truth="sound", root=(), point="2 R6", during=((14, 99, {"normal"}),))


def uptime_of(words):
    """The map with another register for the uptime, and a unit that fills it."""
    made = in_point(HV, "uptime", r'^type = "u32"\norder = "low-first"\nunit = "s"', words)
    return dict(map=made, link="rtu-tcp", point="R6")


SHORT = uptime_of('type = "u16"\nunit = "s"')
MILLIS = uptime_of('type = "u32"\norder = "low-first"\nscale = 0.001\nunit = "s"')
WRAP = "An uptime that falls from the end of its range has wrapped, and the unit has not restarted."


def wraps_at(start, range_, step):
    def script(u, t):
        u.in_service(t)
        u.uptime = (start + t * step) % range_
    return script


seen("uptime of 16 bits passes 18.2 h", wraps_at(65526, 65536, 1), "normal", "uptime 65526 s, 65535 s, 0 s and on", WRAP, 35, truth="sound", root=(),
    during=((13, 99, {"normal"}),), **SHORT)
seen("uptime of milliseconds passes 49.7 days", wraps_at(2**32 - 10_000, 2**32, 1000), "normal", "uptime 4294957 s, 4294967 s, 0 s and on", WRAP, 35,
    truth="sound", root=(), during=((13, 99, {"normal"}),), **MILLIS)


def falls(u, t):
    u.waiting()
    u.ever, u.uptime = 1, 50000 + t if t < 10 else t - 10
    u.age = NEVER


seen("uptime falls from three quarters of its range", falls, {"undecided"}, "flag up; uptime 50010 s, then 0 s and on",
    "An uptime that falls from elsewhere is a restart: before its silence time a flag proves nothing.", 30, truth="open", root=(),
    during=((14, 99, {"undecided"}),), **SHORT)


def beat_wraps(u, t):
    u.in_service(t)
    u.inverter_beat = (65530 + int(t)) % 65536


seen("inverter's counter passes the end of its range", beat_wraps, "normal", "its counter goes 65535, 0, 1", "A counter is counted modulo its range.", 25,
    link="rtu-tcp", truth="sound", root=(), point="R6", during=((4, 99, {"normal"}),))

# ---- R1: what can't be read
READ_TWICE = "Proven are two samples at least a second apart: what can't be read in both of them is proven not to be readable."
some_root_proven = ("a root is proven", lambda r: any(f.get("root") and f.get("sure") == "proven" for f in r["findings"]))
seen("a cell without a value is proven by two samples", lambda u, t: (u.waiting(), u.cells[1].__setitem__(4, None)), "fault",
    "one cell without a value, no flag", READ_TWICE, 15, link="rtu-tcp", point="R1 41", checks=(some_root_proven, says("do not charge")))
seen("a sensor at its rail is proven by two samples", lambda u, t: (u.waiting(), u.temps[0].__setitem__(3, Raw(32767))), "fault",
    "one sensor at 32767, no flag", READ_TWICE, 15, link="rtu-tcp", root="sensor-fault", point="R1 42", checks=(some_root_proven,))

