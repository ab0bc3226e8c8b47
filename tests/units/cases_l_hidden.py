"""What hides something: a pack that lies, a gateway that remembers, a restart in the middle of a look, a broken sensor,
one fault behind another, a unit that answers well and charges what it must not.

Each was written from the sentences of the trade alone, before it was run and without looking at how the tool judges.
"""
from case import (KEEP_AWAY, POWER_CYCLE, ZERO_AMPS, any_root, case, first_says, never_says, no_root, no_step, not_proven, says,
                  step_needs_more_than)
from cases_a_sound import LV_MAP, hv, lv, standby, waiting
from cases_c_measured import hv_run, hv_wait, put
from cases_f_rack import each, with_habits
from cases_i_watch import NOT_CLEAN, between, from_on, seen
from habits import caches, slow
from images import *
from wire import Out, World

# ---- a pack that lies, one that hangs, one that is charged
case("lv extremes of pack 2 hide its high cell", map=LV_MAP, link="rtu-tcp",
    world=each(None, lambda u, t: (u.cells.__setitem__(9, 3.74), put(cell_max=3.28)(u, t)), None), kinds="fault", truth="fault",
    root=("cell-over-voltage", "cell-imbalance"), point="4",
    does="cell 10 of pack 2 at 3.74 V, the pack's own highest cell says 3.28 V",
    field="Cells and extremes come from one converter: where they differ the worse one counts.")


def hung(u, t):
    put(beat=2000, uptime=600)(u, t)


for place, packs in ((1, 2), (3, 4), (1, 6)):
    changes = [hung if n + 1 == place else None for n in range(packs)]
    case(f"lv pack {place} of {packs} hangs", map=LV_MAP, link="pty", world=each(*changes), kinds="fault", truth="fault",
        root="control-unit-fault", point="4 R7", long=60, does=f"own counter and uptime of pack {place} stand, the others move",
        field="A frozen own heartbeat means that the answers are stale, whatever they say: in a rack as well.")
case("lv pack 2 locked behind the silent inverter's code", map=LV_MAP, link="rtu-tcp",
    world=each(None, put(state=LV_LOCKED, code=CODE["inverter-silent"])), kinds={"fault", "undecided"}, truth="fault", point="4 2",
    does="pack 2 is locked by a fault, its one code says that the inverter is silent",
    field="Some units show one code and hide the rest: a pack that locked itself did not do so for a silent inverter.")
case("lv cells of pack 2 all zero, it counts on", map=LV_MAP, link="rtu-tcp",
    world=each(None, lambda u, t: (u.set_cells(0.0), put(cells=[0.0] * 16, cell_max=0.0, cell_min=0.0, pack=52.3)(u, t))), kinds="fault",
    truth="fault", root=None, point="4 R5", does="every cell of pack 2 reads 0 V, pack 52.3 V, its counter runs",
    field="A heartbeat that moves with all cells dead is a fault inside.", checks=(no_step(POWER_CYCLE),))


def served(*changes):
    def make():
        units = {}
        for n, change in enumerate(changes):
            units[1 + n] = Lv(lambda u, t, c=change: (u.in_service(t), c and c(u, t)), packs=len(changes), serial=f"TR26-00{n + 1}")
        return World(units)
    return make


def charged(volts, amps):
    return lambda u, t: (u.cells.__setitem__(4, volts), put(current=-amps, state=LV_ACTIVE)(u, t))


case("lv pack 2 charged, cell 3.69 V", map=LV_MAP, link="rtu-tcp", world=served(charged(3.30, 30), charged(3.69, 30), charged(3.30, 30)),
    kinds="fault", truth="fault", root=("cell-over-voltage", "cell-imbalance"), point="13 R1",
    does="30 A into each pack, no code, a cell of pack 2 at 3.69 V",
    field="A unit that answers well may charge a cell above its limit: stop the current first.",
    checks=(first_says(ZERO_AMPS), no_step(POWER_CYCLE)))
case("lv charged though it grants nothing", map=LV_MAP, link="rtu-tcp",
    world=served(lambda u, t: put(current=-30, state=LV_ACTIVE, charge_limit=0.0)(u, t)), kinds={"fault", "undecided"}, truth="open", point="57",
    does="30 A charge, granted charging current 0 A", field="Charging beyond what the unit grants: stop the current.",
    checks=(first_says(ZERO_AMPS),))
case("lv one of three discharges 130 A alone", map=LV_MAP, link="rtu-tcp",
    world=served(None, put(current=130.0, state=LV_ACTIVE), None), kinds="fault", truth="fault", root="over-current", point="R1 4",
    does="130 A out of pack 2, none from the others", field="A current beyond the limit of one pack is a fault, whatever the others carry.",
    checks=(first_says(ZERO_AMPS),))
case("lv one sensor of four stuck warm, frozen and charged", map=LV_MAP, link="rtu-tcp",
    world=served(lambda u, t: (put(current=-10, state=LV_ACTIVE)(u, t), u.set_temps(-6), u.temps.__setitem__(0, 14.0))), kinds="fault",
    truth="fault", root=None, point="R3", does="three sensors at -6 °C, one at 14 °C, 10 A charge",
    field="Charging with any valid sensor below the charging temperature is a fault, one warm sensor excuses nothing.",
    checks=(any_root("charging-outside-temperature"), first_says(ZERO_AMPS)))
seen("rack: pack 2 restarts at 10 s", None, NOT_CLEAN, "uptime of pack 2 begins anew at 10 s", "After a restart nothing is proven: too early is not fine.",
    30, link="rtu-tcp", map=LV_MAP, world=each(None, lambda u, t: put(uptime=t - 10, beat=int(t - 10), state=LV_SELF_TEST, code=0)(u, t) if t >= 10 else None),
    truth="open", point="4", during=((20, 99, NOT_CLEAN),))
seen("rack: pack 3 of 4 hot for eight seconds", None, NOT_CLEAN, "60 °C in pack 3 from 8 to 16 s", "Do not come back because it cooled.",
    40, link="rtu-tcp", map=LV_MAP, world=each(None, None, lambda u, t: u.set_temps(60) if 8 <= t < 16 else None, None), point="1 R2 4",
    reach=((22, {"fault"}),), during=((22, 99, NOT_CLEAN),), checks=(first_says(KEEP_AWAY),))
seen("rack: cells of one pack freeze under load", None, NOT_CLEAN, "20 A out of each of two packs from 8 s on, no cell of pack 2 moves",
    "Cells that do not move across a load step are frozen readings: they prove nothing good.", 40, link="rtu-tcp", map=LV_MAP,
    world=served(*[lambda u, t, n=n: (put(current=20.0 if t >= 8 else 0.0, state=LV_ACTIVE if t >= 8 else LV_READY)(u, t), u.cells.__setitem__(slice(None), [v + 0.0006 * u.current for v in u.cells]) if n == 1 else None) for n in range(2)]),
    truth="open", point="R5 45 4", during=((25, 99, NOT_CLEAN),))

# ---- gateways
seen("gateway's memory of ten seconds hides nothing", None, "fault", "the gateway asks every ten seconds; insulation 42 kOhm from 5 s on",
    "A gateway that polls on its own shows a change late, and then it is one.", 40, world=hv(from_on(5, waiting, put(insulation=42)), habits=[caches(10)]),
    truth="fault", point="1 7", root="insulation-low", reach=((26, {"fault"}),))


def mixes(world, ask, outs):
    """Every third question to pack 1 is answered by pack 2."""
    if ask.unit == 1 and ask.number % 3 == 0:
        return [Out(0.02, world.units[2].pdu(ask.pdu, ask.at), 1)]
    return outs


case("lv gateway gives pack 2's answers for pack 1's", map=LV_MAP, link="rtu-tcp",
    world=with_habits(each(None, lambda u, t: u.cells.__setitem__(5, 1.9)), mixes), kinds={"fault", "undecided"}, truth="fault", point="4 7",
    does="every third question to pack 1 is answered by pack 2, which has a cell at 1.90 V",
    field="Answers of another unit are no evidence about this one, and a fault seen in them is hidden from nobody.")
case("hv every answer a tenth too late, fault", link="rtu-tcp", world=hv(hv_wait(lambda u, t: u.cells[1].__setitem__(5, 3.72)), habits=[slow(0.72)]),
    kinds={"fault", "undecided", "bus-problem"}, truth="fault", point="7 8", does="each answer after 0.72 s, the map waits 0.6 s; cell 3.72 V",
    field="A right answer after the time-out is never the answer to the next question.", checks=(no_root("configuration-fault", "sensor-fault"),))
case("hv every answer a tenth too late, sound", link="rtu-tcp", world=hv(waiting, habits=[slow(0.72)]),
    kinds={"awaiting-inverter", "undecided", "bus-problem"}, root=(), point="7 8", does="each answer after 0.72 s, the map waits 0.6 s",
    field="A slow unit is slow: nothing is broken in it.", checks=(no_step("right-profile"),))

# ---- counters
seen("own counter of two bits", lambda u, t: (waiting(u, t), put(beat=int(t) % 4)(u, t)), "awaiting-inverter",
    "the own counter runs 0, 1, 2, 3, 0", "A counter that wraps has moved.", 25, truth="sound", root=(), point="R7")
seen("own counter of one byte passes its end, pty", lambda u, t: (waiting(u, t), put(beat=(250 + int(t)) % 256)(u, t)), "awaiting-inverter",
    "the own counter passes 255", "A counter that wraps has moved.", 25, link="pty", truth="sound", root=(), point="R7")
seen("inverter's counter of ten steps", lambda u, t: (u.in_service(t), put(inverter_beat=int(t) % 10)(u, t)), "normal",
    "the inverter's counter runs 0 to 9", "A counter that wraps has moved.", 30, truth="sound", root=(), point="R6")
seen("inverter's counter moved, then stood, in standby", lambda u, t: (u.in_service(t), put(inverter_beat=500 + min(int(t), 8))(u, t)), {"undecided"},
    "counter moves for 8 s, then stands; flag down, no current", "A counter seen moving, then still for the silence time with the flag down, is a doubt.",
    75, truth="open", point="13 R6", during=((68, 99, NOT_CLEAN),))

# ---- a restart in the middle of a look
def restarts_after(seconds, before, after):
    def script(u, t):
        if t < seconds:
            before(u, t)
        else:
            after(u, t)
            put(uptime=t - seconds, beat=int(t - seconds))(u, t)
    return script


def anew(u, t):
    u.waiting()
    u.state, u.a2 = HV_SELF_TEST, BLOCKED


def earthed(u, t):
    u.waiting()
    put(insulation=42, a2=u.a2 | A2["insulation-low"])(u, t)


for seconds in (1.5, 3.5):
    case(f"hv restarts {seconds} s into the look, insulation low before", world=hv(restarts_after(seconds, earthed, anew)), kinds={"fault", "undecided"},
        truth="fault", point="1 31", does=f"42 kOhm and its flag until {seconds} s, then a restart and nothing of it",
        field="A restart begins the clearing evidence anew, never the incriminating.", checks=(says("insulation"),))
    case(f"hv in service, restarts {seconds} s into the look", world=hv(restarts_after(seconds, lambda u, t: u.in_service(t, -10), anew)),
        kinds={"undecided", "fault"}, truth="open", point="31", does=f"10 A until {seconds} s, then a restart",
        field="Too early is not fine: before the silence time nothing is proven.")
case("hv restarts into the picture of waiting", world=hv(restarts_after(3, waiting, waiting)), kinds={"undecided"}, truth="open", point="31",
    does="uptime falls to 0 at 3 s, the inverter's flag is up at once", field="A flag that was up before a restart proves nothing after it.",
    argue="the silence time has not passed since the restart")

# ---- sensors open and shorted
case("hv sensor shorted, 150 °C", world=hv(hv_wait(lambda u, t: u.temps[1].__setitem__(3, 150.0))), kinds={"fault", "undecided"}, truth="fault",
    point="42", does="one sensor at 150 °C, beyond what is possible, its neighbours at 21 °C",
    field="At a rail it is a connector and no temperature; it is no sound unit either.", checks=(no_step(POWER_CYCLE),))
case("hv every sensor of a module open", world=hv(hv_wait(lambda u, t: u.temps.__setitem__(1, [None] * 8))), kinds={"fault", "undecided"},
    truth="fault", point="42", does="eight sensors of module 2 not available", field="What cannot be read is not alike and not cool.")
ONE_SAMPLE = "One number proves nothing: what stands alone is likely until a second witness says the same."
case("hv one sensor 13 K warmer is likely", world=hv(hv_wait(lambda u, t: u.temps[1].__setitem__(2, 34.5))), kinds="fault", truth="fault", root=None,
    point="R1 R9", does="one sensor of module 2 at 34.5 °C, its neighbours at 21 °C", field=ONE_SAMPLE, checks=(not_proven(), first_says(KEEP_AWAY)))
case("hv module in another place is likely", world=hv(hv_wait(lambda u, t: setattr(u, "module_positions", [1, 3, 2]))), kinds={"fault", "undecided"},
    truth="open", root=None, point="R1 15", does="modules 2 and 3 say that they stand in each other's place", field=ONE_SAMPLE, checks=(not_proven(),))
seen("a sensor rises and vanishes",
    lambda u, t: (waiting(u, t), u.temps[1].__setitem__(4, 21.0 + min(40.0, max(0.0, 2.0 * (t - 6))) if t < 22 else None)), NOT_CLEAN,
    "one sensor rises by 2 K a second from 6 s on and is not available from 22 s on", "A fast rise, then the sensors vanish: away, nobody near.",
    38, link="rtu-tcp", truth="fault", point="5 13 R9", during=((14, 99, NOT_CLEAN),), checks=(first_says(KEEP_AWAY), no_step(POWER_CYCLE)))
case("hv a cell reads 0 V, its module's voltage is whole", world=hv(hv_wait(lambda u, t: (u.cells[1].__setitem__(5, 0.0), put(module_v=[None, 98.1, None], pack=294.3)(u, t)))),
    kinds="fault", truth="fault", root=None, point="39", does="cell 6 of module 2 at 0 V, module 98.1 V as if it were not",
    field="A cell that can't be read against its absolute minimum is not charged.", checks=(says("do not charge|no charge"), no_step(POWER_CYCLE)))

# ---- one hides the other
ONE_CODE = "Some units show the code of top priority only and hide the rest: the numbers are looked at all the same."
case("lv code cold hides a high cell", map=LV_MAP, link="rtu-tcp", world=each(lambda u, t: (put(code=CODE["cold"])(u, t), u.set_temps(-12), u.cells.__setitem__(3, 3.72))),
    kinds="fault", truth="fault", root=("cell-over-voltage", "cell-imbalance"), point="4 35", does="code 32 (cold), -12 °C, a cell at 3.72 V", field=ONE_CODE)
case("lv code cell-low hides below the minimum", map=LV_MAP, link="rtu-tcp", world=each(None, lambda u, t: (put(code=CODE["cell-low"])(u, t), u.cells.__setitem__(3, 1.95))),
    kinds="fault", truth="fault", root="cell-below-minimum", point="35 13", does="pack 2: code 22 (cell low), a cell at 1.95 V", field=ONE_CODE,
    checks=(no_step(POWER_CYCLE), says("do not charge")))
case("hv open door, cell below its minimum", world=hv(hv_wait(lambda u, t: (u.cells[2].__setitem__(7, 1.91), setattr(u, "a2", u.a2 | A2["door-open"])))),
    kinds="fault", truth="fault", root="cell-below-minimum", point="13", does="door open, a cell at 1.91 V",
    field="A condition explains no fault beside it.", checks=(no_step(POWER_CYCLE), says("do not charge")))
case("hv off button, insulation 42 kOhm", world=hv(lambda u, t: (u.waiting(), put(state=HV_OFF, a2=BLOCKED | A2["off-button"], insulation=42)(u, t))),
    kinds="fault", truth="fault", root=None, point="16 52", does="off button pressed, 42 kOhm without a flag", field="A condition explains no fault beside it.",
    checks=(any_root("insulation-low"),))
case("hv maintenance, terminals live", world=hv(lambda u, t: (u.waiting(), put(state=HV_MAINTENANCE, a2=BLOCKED | A2["maintenance"], terminals=294.0)(u, t))),
    kinds={"fault", "undecided"}, truth="open", point="23 13", does="in maintenance, every switch reads open, 294 V at the terminals",
    field="Terminals live behind open switches while somebody works: hands off comes first.", checks=(first_says("live|hands off|terminals"),))
case("hv cold flag up, and charging", world=hv(hv_run(lambda u, t: (u.set_temps(-12), setattr(u, "a1", A1["cold"])), 12.5)), kinds="fault",
    truth="fault", root=None, point="3 R3", does="-12 °C, its flag is up, 12.5 A charge it", field="Cold is a condition, charging the cold is a fault: stop the current.",
    checks=(any_root("charging-outside-temperature"), first_says(ZERO_AMPS)))
case("hv one module hot, another cell below its minimum",
    world=hv(hv_wait(lambda u, t: (u.temps[0].__setitem__(2, 61.0), u.cells[2].__setitem__(8, 1.9)))), kinds="fault", truth="fault", root=None,
    point="13", does="61 °C in module 1, a cell of module 3 at 1.90 V", field="Every root is listed: none hides a second one. The danger to people comes first.",
    checks=(any_root("cell-below-minimum"), any_root("over-temperature", "temperature-imbalance"), first_says(KEEP_AWAY), no_step(POWER_CYCLE)))
case("hv fuse open by its flag, and 20 A flow", world=hv(hv_run(lambda u, t: setattr(u, "a2", A2["fuse-open"]), -20)), kinds={"fault"}, truth="fault",
    root=None, point="29", does="the fuse is open by the flag, 20 A flow", field="What can't both be true is named; no flag of a root is dropped for it.",
    checks=(any_root("fuse-open"), first_says(ZERO_AMPS)))
case("hv lost its inverter, a stored short circuit", world=hv(lambda u, t: (u.lost(t), put(latched=A1["short-circuit"])(u, t))), kinds={"fault", "undecided"},
    truth="open", point="11", does="inverter lost five minutes ago, a short circuit is stored",
    field="Stored is not over: a short circuit is service's to clear.", checks=(says("short"),))
case("hv overheard nothing, current into open switches", world=hv(hv_wait(put(current=12.5))), kinds={"fault", "undecided"}, truth="open", point="26 13",
    does="waiting with every switch open, 12.5 A charge it", field="A unit that carries current although it says open says so in the first lines.",
    checks=(first_says(r"12\.5|current"),))

# ---- it answers well, and charges what it must not
seen("a cell climbs past its limit under charge", lambda u, t: (u.in_service(t, 20.0), u.cells[1].__setitem__(6, 3.56 + min(0.2, 0.008 * t))), "fault",
    "a cell from 3.57 V up by 8 mV a second under 20 A, no flag", "The numbers are judged independently of the unit's own flags: stop the current.", 30,
    link="rtu-tcp", point="13 R1", root=("cell-over-voltage", "cell-imbalance"), reach=((16, {"fault"}),),
    checks=(first_says(ZERO_AMPS), no_step(POWER_CYCLE)))
case("hv highest cell 3.66 V by the unit, under charge", world=hv(hv_run(put(cell_max=3.67), 12.5)), kinds={"fault", "undecided"}, truth="open",
    point="13 R1", does="highest cell 3.67 V by the unit, no cell above 3.29 V, 12.5 A charge",
    field="Numbers that must be the same and are not: the worse one counts, stop the current first.", checks=(first_says(ZERO_AMPS),))
case("hv charged though it grants nothing, cells 3.60 V", world=hv(hv_run(lambda u, t: (u.set_cells(3.60), put(charge_limit=0.0, soc=99.0, module_soc=[99] * 3, warn=WARN["cell-rather-high"])(u, t)), 20)),
    kinds={"fault", "undecided"}, truth="open", point="57", does="20 A charge, granted 0 A, all cells at 3.61 V", field="Charging beyond what the unit grants: stop the current.",
    checks=(first_says(ZERO_AMPS),))

# ---- batteries that describe themselves
def sunspec(script=None, habits=(), **values):
    return lambda: World({1: Sunspec(script, **values)}, habits)


def found(name, script, kinds, does, field, **more):
    case("sunspec " + name, map="sunspec", world=more.pop("world", None) or sunspec(script), kinds=kinds, does=does, field=field, wake=True, **more)


def watched(name, script, kinds, does, field, seconds, **more):
    seen("sunspec " + name, None, kinds, does, field, seconds, map="sunspec", world=sunspec(script), wake=True, **more)


def alone(u, t):
    u.controller = 50


def uses(amps):
    """Discharges with so many amperes (charges where negative), its controller counting."""
    return lambda u, t: u.flow(amps)


found("stands by, its controller counts", None, "normal", "standby, both counters run", "Everything read, nothing wrong, the controller heard: that is normal.", root=())
found("waits", alone, "awaiting-inverter", "standby, the controller's counter never moves", "A battery whose controller never speaks waits for it.", root=(), long=30)
found("cell 4.30 V", lambda u, t: setattr(u, "cell_max", 4.30), "fault", "highest cell 4.30 V, no event bit", "What no such cell can bear is a fault.",
    truth="fault", root=("cell-over-voltage", "cell-imbalance"))
found("second string's cell 1.70 V, the bank says 3.25 V", lambda u, t: u.strings[1].update(cell_min=1.70), "fault",
    "lowest cell of string 2 at 1.70 V, lowest of the bank 3.25 V", "Where two numbers of one thing differ the worse one counts.", truth="fault", root=None,
    checks=(any_root("cell-below-minimum"), no_step(POWER_CYCLE)))
found("charges at -8 °C", lambda u, t: (u.flow(-12), u.temps(-8)), "fault", "12 A charge, coldest module at -8 °C", "Charging a frozen cell: stop the current.",
    truth="fault", root=None, checks=(any_root("charging-outside-temperature"), first_says(ZERO_AMPS)))
found("80 °C", lambda u, t: u.temps(80), "fault", "hottest module 80 °C, no event bit", "Hot: stay away; the first line says so.", truth="fault", root=None,
    checks=(first_says(KEEP_AWAY), any_root("over-temperature", "temperature-imbalance")))
found("bit 0 while its controller is silent", lambda u, t: (alone(u, t), setattr(u, "evt1", 1)), "fault", "event bit 0 of the bank, the controller never counts",
    "The battery's own link to its modules is a real fault with nearly the same name as the inverter's silence.", truth="fault", root="internal-communication")
found("bit 0 of a string while its controller is silent", lambda u, t: (alone(u, t), u.strings[0].update(evt=1)), "fault", "event bit 0 of string 1, the controller never counts",
    "In a string that bit is internal for sure.", truth="fault", root="internal-communication")
found("event word all ones", lambda u, t: setattr(u, "evt1", 0xFFFFFFFF), "undecided", "the bank's event word is not implemented", "An alarm word that could not be read is not zero.",
    truth="open")
found("gateway answers from its memory", None, "undecided", "both counters stand", "A frozen own heartbeat: over a gateway it may be its cache.", truth="open",
    world=sunspec(None, [caches()]), long=60)
found("power and current differ in sign", lambda u, t: (u.flow(-12), setattr(u, "watts", 626)), {"undecided", "fault"}, "12 A charge, 626 W discharge",
    "The current's sign must agree with the power's.", truth="open")
found("sound, string 2 disconnected with a pre-charge failure", lambda u, t: u.strings[1].update(state=1, failed=7), "fault", "string 2 did not connect: pre-charge failed",
    "A failed pre-charge is a fault, though it often lies on the inverter's side.", truth="fault", root="precharge-failed")
watched("event for six seconds", lambda u, t: setattr(u, "evt1", 1 << 22) if 8 <= t < 16 else None, NOT_CLEAN, "fault to earth from 8 to 16 s",
    "A bit that came and went has not cleared.", 45, truth="fault", point="11", reach=((22, {"fault"}),), during=((22, 99, NOT_CLEAN),))
watched("controller counts, then stands while it discharges", lambda u, t: (u.flow(12), setattr(u, "controller", 50 + min(int(t), 8))), {"undecided", "fault"},
    "the controller's counter moves for 8 s, then stands; 12 A flow", "A counter seen moving, then still for the silence time, while current flows is a doubt.", 60,
    truth="open", point="13 R6", during=((45, 99, NOT_CLEAN),))
watched("cell 4.28 V for eight seconds", lambda u, t: setattr(u, "cell_max", 4.28) if 8 <= t < 17 else None, NOT_CLEAN, "highest cell 4.28 V from 8 to 17 s",
    "Flags are remembered, numbers as well.", 45, truth="fault", point="1 R2", reach=((24, {"fault"}),), during=((24, 99, NOT_CLEAN),))
watched("another serial number from 12 s on", lambda u, t: setattr(u, "serial", "SB26-0099") if t >= 12 else None, NOT_CLEAN, "another serial number from 12 s on",
    "Another house behind the address: a verdict about another unit is worse than none.", 90, truth="open", point="60", during=((85, 99, NOT_CLEAN),))
watched("the scale of the cells changes", lambda u, t: setattr(u, "cell_scale", -2) if t >= 10 else None, NOT_CLEAN, "cells in hundredths of a volt from 10 s on, 32.7 V of each",
    "Numbers that can't be true are no measurement of a sound unit.", 50, truth="open", during=((45, 99, NOT_CLEAN),))
