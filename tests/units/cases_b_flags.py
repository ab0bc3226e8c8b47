"""What the unit itself says is wrong: every alarm of both maps, hidden behind the inverter's flag or in service."""
from case import KEEP_AWAY, POWER_CYCLE, any_root, case, finding, first_says, first_step_is_not, never_says, no_step, says, step_needs
from cases_a_sound import LV_MAP, hv, lv
from images import *

# flag of the map -> (class, what the trade knows of it, more that must hold)
FIRST = {
    "cell-high": ("cell-over-voltage", "A cell fault never follows from a silent inverter.", ()),
    "cells-apart": ("cell-imbalance", "Cells apart at rest are a fault, whatever the lamp says.", ()),
    "hot": ("over-temperature", "Hot: stay away first, everything else later.", (first_says(KEEP_AWAY), never_says(r"look for heat, smell"), never_says(r"let it cool down"), first_step_is_not("record|keep this look"))),
    "temperatures-apart": ("temperature-imbalance", "A temperature fault never follows from a silent inverter.", ()),
    "sensor-lost": ("sensor-fault", "The sense harness sits at stack potential: work on it is live DC.", (step_needs(r"sense (connector|wire|harness)", "live-dc"),)),
    "modules-unheard": ("internal-communication", "Internal communication has nearly the same name as the inverter's and is a real fault.", ()),
    "charge-current-high": ("over-current", "Over-current is a fault, though it often lies on the inverter's side.", (no_step("claim"),)),
    "discharge-current-high": ("over-current", "Over-current is a fault, though it often lies on the inverter's side.", (no_step("claim"),)),
    "short-circuit": ("short-circuit", "After a short circuit nobody switches on again to see whether it comes back.", (no_step(POWER_CYCLE),)),
    "cell-lost": ("cell-below-minimum", "A cell below its absolute minimum: do not charge, do not install, quarantine, ask the maker; no power cycle, which could charge it.",
                  (no_step(POWER_CYCLE), says(r"do not charge|no charge"))),
    "insulation-low": ("insulation-low", "Insulation is a fault that often lies on the inverter's or the PV's side: isolate and look again before anything is returned.", ()),
    "switch-wrong": ("switch-fault", "A contactor fault never follows from a silent inverter.", ()),
    "pre-charge-failed": ("precharge-failed", "Failed pre-charge is a fault that often lies on the inverter's side.", ()),
    "fuse-open": ("fuse-open", "A blown fuse is not replaced before the reason is found.", ()),
    "modules-mismatch": ("configuration-fault", "Modules in wrong order or count are a fault.", ()),
    "control-unit-broken": ("control-unit-fault", "A control unit that finds itself broken is a fault.", ()),
}


def flagged(name, behind):
    def script(u, t):
        u.waiting() if behind else u.in_service(t)
        u.state = HV_LOCKED if name not in ("temperatures-apart", "cells-apart") or behind else u.state
        if u.state == HV_LOCKED and not behind:
            u.a2, u.switches, u.charge_limit, u.discharge_limit, u.terminals = BLOCKED, 0, 0, 0, 0.0
        if name in A1:
            u.a1 |= A1[name]
        else:
            u.a2 |= A2[name]
    return script


for number, (name, (root, sentence, checks)) in enumerate(FIRST.items()):
    behind = number % 2 == 0
    link = ("tcp", "tcp", "rtu-tcp", "pty")[number % 4]
    case(f"hv flag {name}" + (" behind the inverter's" if behind else " in service"), link=link,
        world=hv(flagged(name, behind), modules=2 + number % 3), kinds="fault", truth="fault", root=root,
        does=f"flag {name} is up, every number is good",
        field=sentence,
        checks=checks, point="12" if checks else "")
for name in ("insulation-low", "modules-unheard", "cell-lost", "pre-charge-failed"):
    behind = list(FIRST).index(name) % 2 == 1
    case(f"hv flag {name}" + (" behind the inverter's" if behind else " in service"), world=hv(flagged(name, behind)), kinds="fault",
        truth="fault", root=FIRST[name][0],
        does=f"flag {name} is up, every number is good",
        field=FIRST[name][1],
        checks=FIRST[name][2], point="12" if FIRST[name][2] else "")


def low_by_flag(u, t):
    u.waiting()
    u.a1 |= A1["cell-low"]


def cold_by_flag(u, t):
    u.waiting()
    u.a1 |= A1["cold"]


def two_roots(u, t):
    u.waiting()
    u.state, u.a1, u.a2 = HV_LOCKED, A1["modules-unheard"], u.a2 | A2["insulation-low"]


def door_and_insulation(u, t):
    u.waiting()
    u.a2 |= A2["door-open"] | A2["insulation-low"]


def cold_and_cell_high(u, t):
    u.waiting()
    u.set_temps(-13)
    u.a1 |= A1["cold"] | A1["cell-high"]


def locked_says_nothing(u, t):
    u.waiting()
    u.state = HV_LOCKED


def unknown_state(u, t):
    u.waiting()
    u.state = 12


def unknown_alarm_bit(u, t):
    u.waiting()
    u.a1 |= 1 << 14


def unknown_unit_bit(u, t):
    u.in_service(t)
    u.a2 |= 1 << 15


def unknown_warning(u, t):
    u.in_service(t)
    u.warn |= 1 << 13


def all_ones(u, t):
    u.waiting()
    u.a1 = 0xFFFF


def consequence_alone(u, t):
    u.waiting()
    u.a2 = BLOCKED


def fan(u, t):
    u.in_service(t, -20)
    u.warn = WARN["fan-still"]


def warn_insulation(u, t):
    u.waiting()
    u.insulation, u.warn = 220, WARN["insulation-rather-low"]


case("hv flag cell-low, numbers good", world=hv(low_by_flag), kinds={"undecided", "fault"}, truth="open",
    does="flag says a cell is low, every cell reads 3.27 V",
    field="A flag that no number bears out: a worn cell is low under load alone. In doubt undecided, with the step that settles it.")
case("hv flag cold, numbers good", world=hv(cold_by_flag), kinds={"undecided", "not-ready", "fault"},
    does="flag says cold, every sensor reads 21 °C",
    field="Cold is a condition; flag and sensors that differ are a doubt.",
    argue="the flag alone is a condition; the contradiction may be named as doubt or as a sensor fault")
case("hv two roots at once", world=hv(two_roots), kinds="fault", truth="fault", root=("internal-communication", "insulation-low"),
    does="internal link and insulation, both behind the inverter's flag",
    field="A second fault may hide behind the first: list every one.",
    checks=(any_root("internal-communication"), any_root("insulation-low")))
case("hv open door hides insulation", world=hv(door_and_insulation), kinds="fault", truth="fault", root="insulation-low",
    does="door open and insulation low",
    field="A condition beside a fault is a fault.")
case("hv cold hides an over-voltage", world=hv(cold_and_cell_high), kinds="fault", truth="fault", root="cell-over-voltage",
    does="-13 °C, and a cell flagged high",
    field="A condition beside a fault is a fault.")
case("hv locked, no flag says why", world=hv(locked_says_nothing), kinds={"undecided", "fault"}, truth="open",
    does="state locked by a fault, only the inverter's flag up",
    field="A unit in its fault state without a reason is not waiting for anything.")
case("hv unknown state", world=hv(unknown_state), kinds={"undecided"}, truth="open", does="state number 12, which the map does not know",
     field="A number that the map does not know is a doubt; keep the number.", checks=(says(r"\b12\b"),))
case("hv unknown alarm bit", world=hv(unknown_alarm_bit), kinds={"undecided"}, truth="open",
    does="bit 14 of the alarm word, which the map does not know",
    field="An undefined bit in an alarm word may be a fault of a newer firmware.")
case("hv unknown bit in service", world=hv(unknown_unit_bit), kinds={"undecided"}, truth="open",
    does="bit 15 of the second alarm word while in service",
    field="An undefined bit in an alarm word may be a fault of a newer firmware.")
case("hv unknown warning bit", world=hv(unknown_warning), kinds={"undecided", "normal"}, truth="sound",
    does="bit 13 of the warnings",
    field="A warning nobody can read is at least told.",
    argue="a warning word is not an alarm word; some would let it pass and say so",
    checks=(says(r"bit 13|0x2000|warnings"),))
case("hv alarm word all ones", world=hv(all_ones), kinds={"undecided", "fault"}, truth="open",
    does="the alarm word reads FFFF",
    field="All ones is what a lost value looks like; in no case is it zero.")
case("hv consequences without a cause", world=hv(consequence_alone, ever=1, age=1), kinds={"undecided"}, truth="open",
    does="open, dead, zero, not ready, yet the inverter's flag is down and it was heard a second ago",
    field="A consequence that no inverter's silence explains follows from something else.")
case("hv fan stands", world=hv(fan), kinds={"normal", "undecided", "fault"}, truth="sound",
    does="fan warning under load",
    field="A fan that stands is told; no charge at full power until it is seen to.",
    argue="the map calls it a warning",
    checks=(finding("fan"),))
case("hv insulation at warning", world=hv(warn_insulation), kinds={"awaiting-inverter", "undecided"}, truth="sound",
    does="220 kOhm, warning below 300, alarm below 100",
    field="A falling insulation is told before it is an alarm.",
    checks=(finding("insulation"),),
    argue="a warning is no fault")


# ---- stored alarms
def stored(name):
    def script(u, t):
        u.waiting()
        u.latched |= A1[name]
    return script


case("hv stored: cell below its minimum", world=hv(stored("cell-lost")), kinds={"fault"}, truth="fault", root="cell-below-minimum",
    point="11",
    does="stored flag only, cells read 3.27 V today",
    field="A cell that was below its absolute minimum is quarantined until service clears it: no time and no charge heals it.",
    checks=(no_step(POWER_CYCLE),))
case("hv stored: short circuit", world=hv(stored("short-circuit")), kinds={"fault", "undecided"}, truth="open", point="11 R2",
    does="stored flag only",
    field="A short circuit is never cleared by time.",
    checks=(finding("short"),))
case("hv stored: cell high", world=hv(stored("cell-high")), kinds={"awaiting-inverter", "undecided", "fault"}, truth="sound", point="11",
    does="stored flag only, cells good today",
    field="A stored alarm is told.",
    argue="the map says since the last service: it may be months old",
    checks=(finding("stored|cell-over-voltage"),))


def stored_in_service(u, t):
    u.in_service(t)
    u.latched |= A1["cell-lost"]


case("hv stored: cell below its minimum, in service", world=hv(stored_in_service), kinds={"fault"}, truth="fault",
    root="cell-below-minimum", point="11",
    does="in service, stored flag up",
    field="A cell that was below its absolute minimum is not in service as if nothing were.")

# ---- 48 V: one code at a time
LV_FIRST = {
    "short-circuit": ("short-circuit", (no_step(POWER_CYCLE),)),
    "current-high": ("over-current", (no_step("claim"),)),
    "cell-high": ("cell-over-voltage", ()),
    "cell-lost": ("cell-below-minimum", (no_step(POWER_CYCLE), says(r"do not charge|no charge"))),
    "hot": ("over-temperature", (first_says(KEEP_AWAY), never_says("let it cool down"))),
    "sensor-lost": ("sensor-fault", ()),
    "measuring-unheard": ("internal-communication", ()),
    "control-unit-broken": ("control-unit-fault", ()),
    "switch-wrong": ("switch-fault", ()),
    "packs-mismatch": ("configuration-fault", ()),
}


def lv_code(name, only=None):
    def script(u, t):
        u.waiting(t)
        if only is None or u.serial.endswith(only):
            u.state, u.code = LV_LOCKED, CODE[name]
    return script


for number, (name, (root, checks)) in enumerate(LV_FIRST.items()):
    case(f"lv code {name}", map=LV_MAP, link=("tcp", "rtu-tcp")[number % 2], world=lv(lv_code(name)), kinds="fault", truth="fault",
        root=root,
        does=f"locked, code {CODE[name]}, every number good",
        field="One current code, the top priority only; the lamp looks as for a silent inverter.",
        checks=checks, point="12" if checks else "")


def lv_low_by_code(u, t):
    u.waiting(t)
    u.code = CODE["cell-low"]


def lv_unknown_code(u, t):
    u.waiting(t)
    u.code = 77


def lv_rotates(u, t):
    u.waiting(t)
    u.code = (CODE["inverter-silent"], CODE["measuring-unheard"])[u.alarm_reads % 2]


def at_each_reading(make):
    """The image is made anew for each question, not once a second."""
    def made():
        world = make()
        for device in world.units.values():
            device.refresh = 1e-6
        return world
    return made


def lv_locked_no_code(u, t):
    u.waiting(t)
    u.state, u.code = LV_LOCKED, 0


def lv_asleep(u, t):
    u.waiting(t)
    u.state, u.switches, u.terminals, u.code = LV_ASLEEP, 0, 0.0, 0
    u.notes = NOTE["switches-open"] | NOTE["limits-zero"]


case("lv code cell-low, numbers good", map=LV_MAP, world=lv(lv_low_by_code), kinds={"undecided", "fault"}, truth="open",
    does="code 22, every cell reads 3.27 V",
    field="A flag that no number bears out is a doubt, not a condition.")
case("lv unknown code", map=LV_MAP, world=lv(lv_unknown_code), kinds={"undecided"}, truth="open",
    does="code 77, which the map does not know",
    field="An unknown code keeps its number and is a doubt.",
    checks=(says(r"\b77\b"),))
case("lv codes take turns", map=LV_MAP, world=at_each_reading(lv(lv_rotates, drops_after=600)), kinds={"fault"}, truth="fault",
    root="internal-communication", point="11",
    does="code 90 and code 51 take turns, another one at each reading",
    field="Some units rotate their codes every few seconds: one look sees one of them.")
case("lv locked without a code", map=LV_MAP, world=lv(lv_locked_no_code), kinds={"undecided", "fault"}, truth="open",
    does="state locked, code none",
    field="A unit in its fault state without a reason is not waiting for anything.")
case("lv asleep", map=LV_MAP, world=lv(lv_asleep), kinds={"undecided", "not-ready"}, truth="sound",
    does="state asleep, terminals dead",
    field="Units put themselves to sleep; that is neither a bus problem nor a fault.",
    argue="asleep is a condition that nobody chose; a doubt about the inverter is as right")
case("lv second pack of three has a code", map=LV_MAP, link="rtu-tcp", world=lv(lv_code("measuring-unheard", "2"), 3), kinds="fault",
    truth="fault", root="internal-communication", point="4",
    does="pack 2 locked with code 51, the others wait",
    field="A fault in any pack is a fault of the rack.")
case("lv third pack of four below minimum", map=LV_MAP, world=lv(lv_code("cell-lost", "3"), 4), kinds="fault", truth="fault",
    root="cell-below-minimum", point="4",
    does="pack 3 with code 23",
    field="A fault in any pack is a fault of the rack.",
    checks=(no_step(POWER_CYCLE),))
