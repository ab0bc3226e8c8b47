"""Words that can hurt, and what must always be said: risk of a step, danger first, and what no wire can tell."""
from case import (KEEP_AWAY, case, finding, first_says, first_step_is_not, never_says, no_step, says, step_needs, step_needs_more_than,
                  step_says_too, untested)
from cases_a_sound import LV_MAP, charging, hv, lost, lv, lv_waiting, overheard_hv, waiting
from cases_c_measured import cells, hv_run, hv_wait, put, temps
from cases_f_rack import each
from habits import silent
from images import *

NO_WIRE = "What no wire and no lamp can tell always stands under not tested: not tested is not good."
BEYOND = (untested(r"second stack|another stack|other stack"), untested(r"weld|one pole|per pole"), untested(r"swell|leak|transport|damage"),
          untested(r"sense wires|harness"), untested(r"earth fault|symmetric|monitor"), untested(r"second meter|scale|sign"),
          untested(r"capacity"), untested(r"torque|polarity|earth continuity|bonding"), untested(r"ignore|battery.s data"), untested(r"storage|below zero|plating"))
case("words: what no wire can tell, hv in service", world=hv(charging), kinds={"normal"}, root=(), point="12",
    does="a sound stack charges with 12.5 A", field=NO_WIRE, checks=BEYOND)
case("words: what no wire can tell, hv waits", world=hv(waiting), kinds={"awaiting-inverter"}, root=(), point="12",
    does="a sound stack waits", field=NO_WIRE, checks=BEYOND)
case("words: what no wire can tell, lv waits", map=LV_MAP, link="rtu-tcp", world=lv(lv_waiting, 2, drops_after=600),
    kinds={"awaiting-inverter"}, root=(), point="12",
    does="a sound rack waits",
    field=NO_WIRE,
    checks=BEYOND)
case("words: no fault seen so far", world=hv(waiting), kinds={"awaiting-inverter"}, root=(), point="12",
    does="a sound stack waits",
    field="Not: no fault. But: none seen so far, and how much is not tested.",
    checks=(first_says(r"so far"), first_says(r"not tested|untested")))
case("words: connecting the data cable", link="rtu-tcp", world=hv(waiting), kinds={"awaiting-inverter"}, root=(), point="12",
    does="a sound stack waits",
    field="Connecting the data cable may pre-charge at once: covers on, hands off DC.",
    checks=(says("cable"), step_says_too(r"(connect|check) the (communication|data) cable", r"covers|hands off|keep (clear|away)")))
case("words: the data cable of a lost inverter", link="rtu-tcp", world=hv(lost), kinds={"inverter-lost"}, root=(), point="12",
    does="heard before, silent for five minutes",
    field="Taking an inverter's data cable off under load may open switches or leave it charging blind: first 0 A.",
    checks=(step_says_too(r"(take|pull|unplug)\w* .*cable", r"0 A"),))
case("words: unplugging an inverter that talks", link="rtu-tcp", world=overheard_hv(charging, reads=[(4, 0, 12)]), kinds={"undecided"},
    root=(), truth="open", point="12 9",
    does="an inverter reads state and alarms only, 12.5 A flow",
    field="Lost data may open switches under load or leave the inverter charging blind: first 0 A.",
    checks=(step_says_too(r"unplug|off this pair|off the pair", r"0 A"), step_needs_more_than(r"unplug|off this pair|off the pair", "look")))
for link in ("tcp", "pty"):
    case(f"words: dark lamps, {link}", link=link, world=hv(waiting, habits=[silent]), kinds={"bus-problem"}, truth="line", root=(),
        point="13",
        does="no answer at all",
        field="Dark: look only, ask who switched it off; nobody on the phone is told to switch on what somebody switched off.",
        checks=(never_says(r"dark: switch it on|switch it on or wake"),))
case("words: terminals live", world=hv(hv_wait(put(terminals=290.0))), kinds={"undecided", "fault"}, truth="open", point="12 13",
    does="290 V at the terminals, switches open",
    field="Always live: hands off; never wait some seconds and take them for dead; one pole may be at earth.",
    checks=(first_says(r"hands off|live"), never_says(r"wait 60 s"), step_needs_more_than(r"isolat", "look"), step_says_too(r"isolat", r"0 A")))
case("words: current while open", world=hv(hv_wait(put(current=8.0))), kinds={"undecided", "fault"}, truth="open", point="12 13",
    does="8 A while every switch reads open",
    field="Isolating under current draws an arc: first 0 A, never under load.",
    checks=(step_says_too(r"isolat", r"0 A|under load"),))
case("words: insulation low", world=hv(hv_wait(put(insulation=42))), kinds="fault", truth="fault", root="insulation-low", point="12",
    does="42 kOhm",
    field="One pole may be at earth: touch no metal; first the inverter to 0 A. Nothing is claimed before it was isolated and looked at again.",
    checks=(says(r"touch no metal|at earth|to earth"), no_step("claim"), step_needs_more_than(r"isolat", "look"), step_says_too(r"open the isolator|isolator", r"0 A")))
case("words: stop the inverter", world=hv(hv_run(lambda u, t: u.cells[0].__setitem__(4, 3.72), 12.5)), kinds="fault", truth="fault",
    root="cell-over-voltage", point="12 13",
    does="cell 3.72 V under 12.5 A of charge",
    field="Stopping the inverter is operating it, and no mere look; the danger comes before the saving of evidence.",
    checks=(step_needs_more_than(r"stop the inverter|inverter to 0 A|(set|bring) .* 0 A", "look"), first_step_is_not("record|keep this look")))
case("words: unlike packs", map=LV_MAP, link="rtu-tcp", kinds={"undecided", "fault"}, truth="open", point="12 R10",
    world=each(None, lambda u, t: u.set_cells(3.35)),
    does="two packs 1.3 V apart, not connected yet",
    field="Keep packs apart, touch no switch; bringing them to one voltage is live DC work.",
    checks=(first_says(r"apart|do not (let|connect)|touch no"), step_needs_more_than(r"one voltage|equal", "look")))
case("words: cold pack", world=hv(lambda u, t: (u.waiting(), u.set_temps(-13), setattr(u, "a1", A1["cold"]))), kinds={"not-ready"},
    root="under-temperature", point="12", does="-13 °C, flag up",
    field="Warm the room slowly: no heater on it, no condensation.",
    checks=(never_says(r"let the (unit|pack) warm up"), says(r"room|slowly|heater|condens")))
case("words: empty pack",
    world=hv(lambda u, t: (u.waiting(), u.set_cells(2.72), put(soc=2.0, module_soc=[2, 2, 2], a1=A1["cell-low"], a2=SILENT | A2["charge-low"])(u, t))),
    kinds={"not-ready"}, root=("low-charge", "cell-under-voltage"), point="12",
    does="all cells 2.72 V, 2 %",
    field="Charged only under the unit's own control, never with an improvised charger.",
    checks=(says(r"own control|improvised|under the unit|by the unit itself"),))
case("words: we sit in its socket", world=hv(lost), args=("--plugged", "instead-of-inverter"), kinds={"awaiting-inverter"}, root=(),
    point="12",
    does="heard before, silent since the laptop took the socket",
    field="Its data cable is unplugged while we are here; its DC may be live.",
    checks=(says(r"data cable|cable"), says(r"DC may be live|may be live")))
case("words: off button", world=hv(lambda u, t: (u.waiting(), put(state=HV_OFF, a2=BLOCKED | A2["off-button"])(u, t))), kinds={"not-ready"},
    root="off-button", point="13", does="off button pressed",
    field="Ask who pressed it and why; nobody is told to switch on what somebody switched off.",
    checks=(says(r"who pressed|who|person"), no_step(r"^(?!.*(who|ask|person)).*(switch it on|release it|press it)")))
case("words: hot, and the look is kept without a second run", world=hv(hv_wait(temps(66))), kinds="fault", truth="fault",
    root="over-temperature", point="13",
    does="66 °C everywhere",
    field="Danger first; what was read is saved without sending anybody back to it.",
    checks=(first_says(KEEP_AWAY), first_step_is_not("record|keep this look|save"), never_says(r"look for heat, smell|let it cool down|first run the last line")))
case("words: below the minimum is no look", world=hv(hv_wait(cells(1.7, 0))), kinds="fault", truth="fault", root=("cell-below-minimum",),
    point="12",
    does="all cells 1.70 V",
    field="Setting a part apart is LIVE DC work for two, only if it is cold and the maker agrees; it does not travel as ordinary goods.",
    checks=(step_needs_more_than(r"set (it|the \w+) apart|where a fire could not spread", "look"), says(r"ordinary goods|transport|travel"), no_step("does-it-return|power cycle")))

# ---- failure modes without a rule of their own
case("mode 24: switches do not close", world=hv(lambda u, t: (u.in_service(t), put(switches=0, terminals=0.0)(u, t))),
    kinds={"fault", "undecided"}, truth="open", point="24",
    does="standby, inverter heard, both switches read open, terminals dead",
    field="Switches that do not close in a state that wants them closed: switch, fuse or order.")
case("mode 34: one module with another firmware", world=hv(hv_run(lambda u, t: u.module_firmware.__setitem__(1, "1.9"))),
    kinds={"normal", "undecided", "fault"}, truth="sound", point="34", does="modules 2.4, 1.9 and 2.4",
    field="Half an update: modules of one stack with different firmware are told.",
    checks=(finding("firmware"),), argue="told is enough; the map names no minimum for modules")
case("mode 41: cells lose their value in turn",
    world=hv(lambda u, t: (u.waiting(), [u.cells[1].__setitem__(c, None) for c in range(int(t) % 3, 12, 3)])), kinds={"fault", "undecided"},
    truth="fault", point="41",
    does="four cells of module 2 without a value, other ones each second",
    field="Values that come and go are a loose sense connector: live DC work.",
    checks=(step_needs(r"sense (connector|wire|harness)", "live-dc"),))
case("mode 47: current and power differ in sign, watched", command="watch", seconds=20, link="rtu-tcp",
    world=hv(lambda u, t: (u.in_service(t, 12.5), put(power=-3678)(u, t))), kinds={"fault", "undecided"}, truth="open", point="47",
    does="charge by the current, discharge by the power", field="Nobody knows whether it charges: the sign is not proven.")
case("mode 25: switches chatter", command="watch", seconds=30, link="rtu-tcp",
    world=hv(lambda u, t: (u.in_service(t), put(switches=0, terminals=20.0)(u, t) if t > 6 and int(t / 2) % 2 else None)),
    kinds={"fault", "undecided"}, truth="fault", point="25",
    does="both switches open and close every two seconds from 6 s on, state standby",
    field="A switch that drops out and closes again breaks what is behind it.", during=((16, 99, {"fault", "undecided"}),))

# ---- every look keeps itself
KEPT = "Before anything is switched off: what was read is kept, without a second run."


def kept(kind):
    return (("the look kept itself", lambda r: bool(r.get("_kept"))),
            (f"judged again from what was kept it is {kind}", lambda r: r.get("_then", {}).get("verdict", {}).get("kind") == kind))


case("kept: a fault", world=hv(hv_wait(put(insulation=42))), kinds="fault", truth="fault", root="insulation-low", point="12",
    then=("check", "--recording", "last"), does="42 kOhm; nothing was said about recording", field=KEPT, checks=kept("fault"))
case("kept: a sound unit, pty", link="pty", world=hv(waiting), kinds="awaiting-inverter", root=(), point="12",
    then=("check", "--recording", "last"), does="waits; nothing was said about recording", field=KEPT, checks=kept("awaiting-inverter"))
case("kept: a rack", map=LV_MAP, link="rtu-tcp", world=each(None, None, lambda u, t: u.set_temps(62)), kinds="fault", truth="fault",
    root=("over-temperature",), point="12", then=("check", "--recording", "last"),
    does="pack 3 of 3 at 62 °C; nothing was said about recording",
    field=KEPT,
    checks=kept("fault"))
case("kept: a watch", command="watch", seconds=15, link="rtu-tcp", world=hv(hv_wait(put(insulation=42))), kinds="fault", truth="fault",
    root="insulation-low", point="12", then=("check", "--recording", "last"), does="42 kOhm, watched; nothing was said about recording",
    field=KEPT, checks=kept("fault"))
case("kept: a line without answers", link="rtu-tcp", world=hv(waiting, habits=[silent]), kinds="bus-problem", truth="line", root=(),
    point="12", then=("check", "--recording", "last"),
    does="no answers; nothing was said about recording",
    field=KEPT,
    checks=kept("bus-problem"))
