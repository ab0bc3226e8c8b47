"""Careless maps, made from the good ones by dropping, swapping and scaling keys. No map may hide what a number shows.

The maps are changed as text; the units behind them stay what they are.
"""
import re
from pathlib import Path

from case import KEEP_AWAY, any_root, case, first_says, never_says, says, untested
from cases_a_sound import hv, lv, waiting
from cases_c_measured import cell, cells, hv_run, hv_wait, lcell, lv_wait, put, temps
from images import *

MAPS = Path(__file__).resolve().parents[2] / "profiles/maps"
HV, LV = (MAPS / "generic-hv-stack.toml").read_text(), (MAPS / "generic-lv-rack.toml").read_text()


def changed(text, pattern, by, count=0):
    made, hits = re.subn(pattern, by, text, count=count, flags=re.M)
    if not hits:
        raise ValueError(f"nothing to change: {pattern}")
    return made


def in_point(text, point, pattern, by):
    """Changes one [[point]] or [[flag]] only."""
    start = re.search(rf'^id = "{point}"$', text, re.M).start()
    end = text.find("\n[[", start)
    return text[:start] + changed(text[start:end], pattern, by) + text[end:]


def without(text, point):
    start = text.rindex("[[", 0, re.search(rf'^id = "{point}"$', text, re.M).start())
    return text[:start] + text[text.find("\n[[", start) + 1:]


NO_LIMIT = "A number that must be judged and has no limit in the map is not judged: it stands under not tested by name, and nothing clean can be said."
CARELESS = "A careless map can't hide anything: its maker is told, and a visible fault stays one."
OPEN = {"undecided", "fault", "refused"}


def hides(name, text, world, does, field=CARELESS, checks=(), point="6 R4", kinds=OPEN, truth="fault", wake=None):
    case(f"map: {name}", map=text, world=world, kinds=kinds, truth=truth, does=does, field=field, checks=checks, point=point, wake=wake)


def named(name, text, does, pattern=None, kinds="refused", field="Whoever writes a map is told of every mistake in it."):
    case(f"map checked: {name}", command="map", map=text, world=None, kinds=kinds, does=does, field=field, point="6",
         checks=() if pattern is None else ((f"names /{pattern}/", lambda r: re.search(pattern, r["_text"], re.I) is not None),))


NO_LIMITS = changed(HV, r"^limits = .*\n", "")
hides("no limits, cell 2.62 V", NO_LIMITS, hv(hv_wait(cells(2.62))), "every `limits` is gone, all cells at 2.62 V", NO_LIMIT)
hides("no limits, sound unit", NO_LIMITS, hv(waiting), "every `limits` is gone, the unit is sound", NO_LIMIT, truth="open")
hides("no cell limits, cell 3.72 V",
    in_point(in_point(in_point(HV, "cell_voltage", r"^limits = .*\n", ""), "cell_voltage_max", r"^limits = .*\n", ""), "cell_voltage_min", r"^limits = .*\n", ""),
    hv(hv_wait(cells(3.72))), "no limit for any cell, all cells 3.72 V", NO_LIMIT)
hides("no temperature limits, 70 °C",
    in_point(in_point(in_point(HV, "cell_temperature", r"^limits = .*\n", ""), "cell_temperature_max", r"^limits = .*\n", ""), "cell_temperature_min", r"^limits = .*\n", ""),
    hv(hv_wait(temps(70))), "no limit for any temperature, 70 °C everywhere", NO_LIMIT)
hides("no current limit, 250 A", in_point(HV, "pack_current", r"^limits = .*\n", ""), hv(hv_run(put(), -250)),
    "no limit for the current, 250 A", NO_LIMIT)
hides("no insulation limit, 5 kOhm", in_point(HV, "insulation", r"^limits = .*\n", ""), hv(hv_wait(put(insulation=5))),
    "no limit for the insulation, 5 kOhm", NO_LIMIT)
hides("insulation limit nan, 5 kOhm", in_point(HV, "insulation", r"alarm_below = 100", "alarm_below = nan"), hv(hv_wait(put(insulation=5))),
    "alarm_below = nan, 5 kOhm", "Nothing that is not finite is a limit.")
hides("current limit inf, 250 A",
    in_point(HV, "pack_current", r"alarm_below = -120, warn_below = -110, warn_above = 110, alarm_above = 120", "alarm_below = -inf, alarm_above = inf"),
    hv(hv_run(put(), -250)), "limits of the current are infinite, 250 A", "Nothing that is not finite is a limit.")
hides("alarm limits only warnings, cell 3.72 V", changed(HV, r"warn_above = 3.58, alarm_above = 3.65", "warn_above = 3.58"),
    hv(hv_wait(cells(3.72))), "cells have warnings but no alarm above", NO_LIMIT)
hides("cell limits ten times too wide", changed(HV, r"alarm_above = 3.65", "alarm_above = 36.5"),
    hv(hv_wait(lambda u, t: u.set_cells(4.05))), "alarm above 36.5 V, all cells 4.05 V",
    "What no such cell can bear is a fault by its chemistry, whatever the map allows.")
hides("lower cell limits ten times too low",
    changed(changed(HV, r"alarm_below = 2.8, warn_below = 2.95", "alarm_below = 0.28, warn_below = 0.295"), r"never_charge_below = 2.0", "never_charge_below = 0.2"),
    hv(hv_wait(cells(1.5, 0))), "lower limits a tenth, all cells 1.5 V",
    "What no such cell can bear is a fault by its chemistry, whatever the map allows.")
hides("temperature limits ten times too high", changed(HV, r"warn_above = 50, alarm_above = 58", "warn_above = 500, alarm_above = 580"),
    hv(hv_wait(temps(85))), "alarm above 580 °C, 85 °C everywhere",
    "What no such cell can bear is a fault by its chemistry, whatever the map allows.")
FLOOR_ONLY = "Where only what the chemistry bears judged, that is said: it is far beyond what a maker allows, and clears nothing."
SAYS_FLOOR = says(r"chemistry|LFP")
NO_CELL_LIMITS = in_point(in_point(in_point(HV, "cell_voltage", r"^limits = .*\n", ""), "cell_voltage_max", r"^limits = .*\n", ""), "cell_voltage_min", r"^limits = .*\n", "")
hides("only the floor judges, sound unit", NO_CELL_LIMITS, hv(waiting), "no limit for any cell, the unit is sound", FLOOR_ONLY, truth="open", kinds={"undecided"},
      checks=(SAYS_FLOOR, untested("not-judged"), never_says("proven")))
hides("only the floor judges, cells 4.05 V", NO_CELL_LIMITS, hv(hv_wait(lambda u, t: u.set_cells(4.05))), "no limit for any cell, all cells 4.05 V", FLOOR_ONLY, kinds={"fault"},
      checks=(SAYS_FLOOR, untested("not-judged"), any_root("cell-over-voltage")))
hides("only the floor judges, 85 °C", in_point(in_point(in_point(HV, "cell_temperature", r"^limits = .*\n", ""), "cell_temperature_max", r"^limits = .*\n", ""), "cell_temperature_min", r"^limits = .*\n", ""),
      hv(hv_wait(temps(85))), "no limit for any temperature, 85 °C everywhere", FLOOR_ONLY, kinds={"fault"},
      checks=(SAYS_FLOOR, untested("not-judged"), any_root("over-temperature"), first_says(KEEP_AWAY)))
hides("no chemistry, sound unit", changed(HV, r'^chemistry = "LFP"\n', ""), hv(waiting), "the map names no chemistry",
    "Chemistry unknown: never clean.", truth="open")
hides("no heartbeat, frozen unit", without(HV, "own_heartbeat"), hv(hv_wait(put(beat=1, uptime=600))),
    "the map has no heartbeat, the unit stands still", "Without the unit's own counter nobody knows whether the answers are of today.",
    truth="open")
hides("no never-charge-below, cells 1.90 V", changed(HV, r"^never_charge_below = 2.0\n", ""), hv(hv_wait(cells(1.9, 0))),
    "the map has no absolute minimum, all cells 1.90 V", "Below the absolute minimum of the chemistry: do not charge.")
hides("no charging window, charges at -10 °C", changed(HV, r"^charge_(from|to)_c = .*\n", ""), hv(hv_run(temps(-9), 12.5)),
    "the map has no charging temperatures, 12.5 A at -9 °C", "Charging a frozen LFP cell plates it, whatever the map leaves out.")
hides("no recognition, sound unit", changed(HV, r'^\[\[recognise\]\]\npoint = "map_mark"\nequals = 21318\n', ""), hv(waiting),
    "the map has no mark to know its unit by", "A unit that can't be recognised gets no clean verdict.", truth="open")
hides("silent inverter brings insulation",
    in_point(HV, "inverter-silent", r"^lies_in = .*\n", 'lies_in = "inverter-side"\nbrings = ["insulation-low"]\n'),
    hv(hv_wait(lambda u, t: setattr(u, "a2", u.a2 | A2["insulation-low"]))), "the map lets the silence explain insulation, the flag is up",
    "Only status consequences may follow from a silent inverter.")
hides("insulation flag called a notice", in_point(HV, "insulation-low", r'severity = "alarm"', 'severity = "notice"'),
    hv(hv_wait(lambda u, t: setattr(u, "a2", u.a2 | A2["insulation-low"]))), "the insulation flag is a notice by the map, and up",
    "Insulation is always a fault, whatever the map calls it.")
hides("cell flag called a status", in_point(HV, "cell-high", r'class = "cell-over-voltage"', 'class = "not-ready-status"'),
    hv(hv_wait(lambda u, t: (setattr(u, "a1", A1["cell-high"]), u.cells[0].__setitem__(3, 3.70)))),
    "the flag for a high cell is a status by the map, cell 3.70 V", "The number stands, whatever its flag is called.")
hides("insulation flag is not in the map", without(HV, "insulation-low"),
    hv(hv_wait(lambda u, t: setattr(u, "a2", u.a2 | A2["insulation-low"]))), "bit 0 of the second alarm word is not in the map, and up",
    "A bit that the map does not know is a doubt.")
hides("alarm word not in the map",
    changed(without(HV, "alarm_1"), r'\[\[flag\]\]\nid = "[a-z-]+"\npoint = "alarm_1"\n(?:[^\[].*\n|\n)*', ""),
    hv(hv_wait(lambda u, t: setattr(u, "a1", A1["modules-unheard"]))),
    "the map has no first alarm word; the internal link's flag is up in it",
    "What the map does not read is not tested; nothing clean can be said.", truth="open",
    kinds={"undecided", "fault", "refused", "awaiting-inverter"})
hides("cells scaled ten times", in_point(HV, "cell_voltage", r"scale = 0.001", "scale = 0.01"), hv(waiting),
    "the map makes 32.7 V of each cell", "Numbers that can't be true are no measurement of a sound unit.", truth="open")
hides("no cells at all in the map, cell 2.4 V", without(HV, "cell_voltage"), hv(hv_wait(cell(1, 1, 2.4))),
    "the map has no cells, only extremes; a cell at 2.40 V", "The extremes are numbers as well.")
hides("rack: no limits, cell 3.75 V", changed(LV, r"^limits = .*\n", ""), lv(lv_wait(lcell(3, 3.75)), drops_after=600),
    "every `limits` is gone, one cell 3.75 V", NO_LIMIT, wake=True)
hides("rack: no temperature limits, 66 °C", changed(LV, r"warn_above = 50, alarm_above = 58", "warn_above = 50"),
    lv(lv_wait(temps(66)), drops_after=600), "no upper alarm for temperatures, 66 °C", NO_LIMIT, wake=True)
hides("rack: code no longer hides others", changed(LV, r"^hides_others = true\n", ""),
    lv(lv_wait(lambda u, t: (setattr(u, "code", CODE["cold"]), u.set_temps(-14))), drops_after=600),
    "the map forgets that one code hides others; cold is shown",
    "A map that forgets hides nothing that a number shows; cold stays a condition.", kinds={"not-ready", "undecided", "refused"},
    truth="sound", wake=True)
hides("rack: silence said to hide nothing, cell 1.90 V", changed(LV, r"^rank = 14\n", "rank = 1\n"),
    lv(lv_wait(lcell(7, 1.9)), drops_after=600), "the map gives the silent inverter the first rank, one cell 1.90 V",
    "The number stands, whatever the ranks say.", wake=True)

named("the shipped stack", HV, "unchanged", kinds="accepted", field="A good map has no mistakes.")
named("the shipped rack", LV, "unchanged", kinds="accepted", field="A good map has no mistakes.")
named("no limits", NO_LIMITS, "every `limits` is gone", "limit")
named("insulation limit nan", in_point(HV, "insulation", r"alarm_below = 100", "alarm_below = nan"), "a limit is not a number",
    "finite|nan|number")
named("scale inf", in_point(HV, "cell_voltage", r"scale = 0.001", "scale = inf"), "a scale is infinite", "finite|inf|scale")
named("scale zero", in_point(HV, "cell_voltage", r"scale = 0.001", "scale = 0"), "a scale is zero", "scale")
named("offset nan", in_point(HV, "cell_temperature_max", r"offset = -40", "offset = nan"), "an offset is not a number", "finite|nan|offset")
named("overlapping registers", in_point(HV, "warnings", r"address = 3", "address = 2"), "two points share one register",
    "overlap|same register|share|address|register")
named("cells overlap temperatures", in_point(HV, "cell_temperature", r"address = 34", "address = 30"), "sensors begin inside the cells",
    "overlap|same register|share|address|register")
named("millivolts scaled to volts", in_point(HV, "cell_voltage", r'unit = "V"', 'unit = "mV"'), "unit mV beside a scale that makes volts",
    "unit|mV")
named("amperes for a voltage", in_point(HV, "pack_voltage", r'unit = "V"', 'unit = "A"'), "a pack voltage in amperes", "unit")
named("limits the wrong way round",
    in_point(HV, "cell_voltage_min", r"alarm_below = 2.8, warn_below = 2.95", "alarm_below = 2.95, warn_below = 2.8"),
    "alarm before warning", "limit|alarm|warn")
named("unmapped alarm bits", without(HV, "insulation-low"), "bit 0 of an alarm word has no flag", "bit|alarm_2",
    kinds={"accepted", "refused"},
    field="Alarm bits that the map does not know are named; whether that refuses the map is the maker's choice.")
named("the silence explains insulation",
    in_point(HV, "inverter-silent", r"^lies_in = .*\n", 'lies_in = "inverter-side"\nbrings = ["insulation-low"]\n'),
    "a real fault follows from the silent inverter", "brings|status|follow")
named("one flag bit twice", in_point(HV, "cell-low", r"bit = 1\b", "bit = 0"), "two flags on one bit", "bit|same|twice|flag")
named("silence time zero", changed(HV, r"^silence_s = 45", "silence_s = 0"), "silence time of zero", "silence")
named("no chemistry", changed(HV, r'^chemistry = "LFP"\n', ""), "no chemistry named", "chemistry")
named("insulation called a notice", in_point(HV, "insulation-low", r'severity = "alarm"', 'severity = "notice"'), "insulation as a notice",
    "severity|notice|class|insulation")
