"""What units of another hand showed: low voltages at open switches, restarts and leaps of the uptime within one look, live packs that wait with
closed switches, a stored earth fault.

A stranger wrote them first, for maps of his own, with what must come of them and without the code; these are the same on the maps here.
"""
from case import case, first_says, says
from cases_a_sound import LV_MAP, hv, lv, waiting
from cases_c_measured import hv_run, hv_wait, lv_wait, put
from cases_h_maps import HV, LV, changed, in_point
from cases_i_watch import NOT_CLEAN, from_on, seen
from images import *

LIVE = "Terminals against pack, by the map's picture: what is half live behind open switches is never called waiting, however low its voltage."
for volts, modules, kinds in ((55.0, 2, {"undecided", "fault"}), (30.0, 1, {"undecided", "fault"})):
    case(f"hv {modules} modules, {volts:.0f} V at open switches", world=hv(hv_wait(put(terminals=volts)), modules=modules), kinds=kinds, truth="open",
         point="59", does=f"{modules} modules of 98 V wait, switches open, {volts:.0f} V at the terminals", field=LIVE, checks=(first_says(r"live|terminals"),))
seen("terminals of one module come half live at 10 s", None, NOT_CLEAN, "one module of 98 V waits, 45 V at the terminals from 10 s on", LIVE, 30,
     world=hv(from_on(10, waiting, put(terminals=45.0)), modules=1), truth="open", point="59", during=((18, 99, NOT_CLEAN),))

RESTART = "Too early is not fine: what a unit says of its inverter right after it started by itself is no pass."

def restarted(at):
    def script(u, t):
        u.in_service(t)
        u.uptime = 5000 + t if t < at else t - at
    return script


def leaps(at, to):
    def script(u, t):
        u.in_service(t)
        u.uptime = 5000 + t if t < at else to + t
    return script


for at in (3.0, 5.5):
    case(f"hv restarts {at} s into the look", world=hv(restarted(at)), kinds={"undecided", "fault"}, truth="open", point="31",
         does=f"in service, its uptime begins anew at {at} s, flag down, heard since power-up", field=RESTART, checks=(says("restart"),))
LEAP = "Identity and uptime that jump are two units at one address: a verdict about another unit is worse than none."
for at, to, what in ((5.5, 3000, "falls to 3000 s"), (5.5, 80000, "leaps to 80000 s")):
    case(f"hv uptime {what} once", world=hv(leaps(at, to)), kinds={"undecided", "fault"}, truth="open", point="60",
         does=f"in service, uptime 5001 s, from {at} s on it {what}, its serial number stays", field=LEAP, checks=(says("uptime|two units"),))
seen("uptime falls by half an hour and stays", None, NOT_CLEAN, "in service, uptime 5000 s, from 10 s on 3000 s", LEAP, 30, world=hv(leaps(10, 3000)),
     truth="open", point="60", during=((18, 99, NOT_CLEAN),))

LIVE_MAP = changed(LV, r'^(fed_by = )"any-request"$', r'\1"other-port"', 1)
case("lv waits live with closed switches", map=LIVE_MAP, world=lv(lv_wait(put(switches=3)), feeds=False), kinds={"awaiting-inverter"}, root=(), point="23",
     does="six hundred seconds up, waits for its inverter, terminals live, its solid-state switches read closed",
     field="Most 48 V packs make their terminals live at once: that is the pass picture of power-up without the inverter.")

EARTH = in_point(HV, "stored-cells-apart", r'"(cell-imbalance|cells are too far apart at rest)"', lambda found: {
    "cell-imbalance": '"insulation-low"', "cells are too far apart at rest": '"insulation was too low"'}[found[1]])
case("hv stored earth fault, insulation good now", map=EARTH, world=hv(hv_wait(put(latched=A1["cells-apart"]))), kinds={"undecided", "fault"},
     truth="open", point="45", does="the stored word holds an alarm of the insulation, which reads well above its limit now; no inverter",
     field="An earth fault comes and goes: one that is stored is not gone because a number of now is good.", checks=(says("insulation|earth"),))

TENTH = in_point(changed(HV, r'\[\[cross_check\]\]\nwhat = "volts-times-amps-make-power"\n.*\n', "", 1), "pack_current", r"^(scale = )0\.1$", r"\g<1>0.01")
case("hv a map scales the current to a tenth", map=TENTH, world=hv(hv_run(put(), 30.0)), kinds={"undecided", "fault"}, truth="open", point="48",
     does="30 A flow, the map reads 3 A, the unit's power is that of 30 A", field="A current that is a tenth breaks no limit: where power tells, it is told.",
     checks=(says("scaled wrongly"),))
