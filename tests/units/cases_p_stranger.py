"""What a stranger met who came with maps of his own: no word of what to do beside a flag, and an inverter known only by a time.

The maps are the shipped ones, changed as text: without the inverter's flag and counter, without what the author advises.
Values: invented.
"""
import re

from case import ZERO_AMPS, case, first_says, first_step, first_step_is_not, headline_says, never_says, no_step, says
from cases_a_sound import hv
from cases_c_measured import cell, hv_run, hv_wait, put
from cases_h_maps import HV, LV, changed, in_point, without
from images import *
from wire import World

# ---- nothing but the time since it was heard tells of the inverter
BY_AGE = without(changed(HV, r'^flag = "inverter-silent"\n', ""), "inverter_heartbeat")
CLOCK = "A time since the inverter was heard that runs as a clock does tells of it: within the silence time it is heard, beyond it silent."


def aged(age, uptime=86400, ever=1, current=0.0, state=None, switches=3):
    """In service but for the inverter: only the time says whether it is heard. `age` and `uptime` may be functions of t."""
    def script(u, t):
        u.in_service(t, current)
        u.age, u.ever, u.switches = age(t), ever, switches
        u.uptime = uptime + t
        if state is not None:
            u.state = state
    return hv(script)


def rest(age, **values):
    return aged(age, state=HV_WAITING, switches=0, **values)


def by_age(name, world, kinds, does, **values):
    case(f"only an age: {name}", map=BY_AGE, world=world, kinds=kinds, does=does, point="R6", field=CLOCK, **values)


by_age("heard every five seconds", aged(lambda t: int(t) % 5), "normal", "0 to 4 s, in service", root=())
by_age("heard, charges", aged(lambda t: int(t) % 5, current=12.5), "normal", "0 to 4 s, 12.5 A", root=())
by_age("silent for 95 s", rest(lambda t: 95 + t), "inverter-lost", "rises from 95 s, silence time 45 s, heard since power-up", root=(),
    checks=(says("9[5-9] s ago|10[0-9] s ago"),))
by_age("as old as the unit", rest(lambda t: 600 + t, uptime=600, ever=0), "awaiting-inverter", "age and uptime 600 s, never heard", root=())
by_age("as old as the unit, too early", rest(lambda t: 15 + t, uptime=15, ever=0), "undecided", "age and uptime 15 s", truth="open",
    checks=(says("too early|not waited long enough"),))
by_age("stands at 3 s", aged(lambda t: 3), "undecided", "always 3 s", truth="open", checks=(says("does not run as a clock"),))
by_age("always 0", aged(lambda t: 0), "undecided", "always 0 s: not implemented", truth="open")
by_age("at the end of its range", aged(lambda t: 65534), "undecided", "65534 s", truth="open")
by_age("runs away", aged(lambda t: 3 + int(t) * 900), "undecided", "900 s more each second", truth="open")
by_age("never heard, yet young", aged(lambda t: int(t) % 5, ever=0), "undecided", "0 to 4 s and never heard since power-up", truth="open")
by_age("silent while 20 A flow", rest(lambda t: 95 + t, current=-20.0), {"undecided", "fault"}, "95 s, and 20 A flow out", truth="open",
    checks=(first_says(ZERO_AMPS),))
case("only an age, fed by anybody", map=changed(BY_AGE, r'^fed_by = "writes"', 'fed_by = "any-request"'), wake=True, point="R6",
    world=aged(lambda t: int(t) % 5), kinds="undecided", truth="open", does="0 to 4 s, and any question sets it back",
    field="Our own questions may be taken for the inverter.")
by_age("cell 3.72 V behind it", hv(lambda u, t: (u.in_service(t), cell(1, 3, 3.72)(u, t))), "fault", "heard, and one cell 3.720 V", truth="fault", root="cell-over-voltage")

# ---- a map that says of no flag what to do
SILENT_MAP = changed(HV, r"^do = .*\n", "")
UNTOLD = "Where the map's author says nothing of what to do, what the trade would do stands there."


def flagged(name, world, kinds, does, **values):
    case(f"map without advice: {name}", map=SILENT_MAP, world=world, kinds=kinds, does=does, field=UNTOLD, **values)


def first_deed(pattern):
    """The first step beside keeping the look, which a look does by itself."""
    def holds(r):
        deeds = [step for step in r["verdict"]["next"] if step["id"] != "record-first"]
        return bool(deeds) and re.search(pattern, deeds[0]["text"], re.I) is not None
    return (f"first deed is /{pattern}/", holds)


def a1(name):
    return hv_wait(lambda u, t: setattr(u, "a1", A1[name]))


def a2(name):
    return hv_wait(lambda u, t: setattr(u, "a2", u.a2 | A2[name]))


flagged("off button", hv(a2("off-button")), "not-ready", "off button pressed", root="off-button", checks=(first_step("who|person"),))
flagged("maintenance", hv(a2("maintenance")), "not-ready", "switched to maintenance", root="maintenance", checks=(first_step("who|person"),))
flagged("door", hv(a2("door-open")), "not-ready", "the door is open", root="door-open", checks=(first_step("touch nothing"),))
flagged("cold", hv(hv_wait(lambda u, t: (u.set_temps(-13.0), setattr(u, "a1", A1["cold"])))), "not-ready", "-13 °C and the flag",
    root="under-temperature", checks=(first_step("warm the room"), never_says("put a heater|heat it")))
for flag, root in [("fuse-open", "fuse-open"), ("switch-wrong", "switch-fault"), ("pre-charge-failed", "precharge-failed"),
                   ("control-unit-broken", "control-unit-fault")]:
    flagged(flag, hv(a2(flag)), "fault", f"flag {flag} alone", truth="fault", root=root,
        checks=(first_deed(ZERO_AMPS), never_says("follow the maker's manual for this flag")))
for flag, root in [("cell-high", "cell-over-voltage"), ("short-circuit", "short-circuit"), ("modules-unheard", "internal-communication"),
                   ("charge-current-high", "over-current")]:
    flagged(flag, hv(a1(flag)), "fault", f"flag {flag} alone", truth="fault", root=root,
        checks=(first_deed(ZERO_AMPS), never_says("follow the maker's manual for this flag")))

# ---- danger before evidence
DANGER = "Safety comes before evidence: where a current can harm, or nobody sees what it does, it ends before anybody looks again."


def sagging(u, t):
    u.in_service(t, -40.0)
    u.cells[1][4] = 3.05


def frozen_beat(u, t):
    u.in_service(t, -20.0)
    u.beat = 77


def frozen_cells(u, t):
    u.in_service(t, 0.0 if t < 9 else -40.0)
    u.rigid = True


case("spread while 40 A flow", world=hv(sagging), kinds={"undecided", "fault"}, truth="open", does="one cell 0.2 V lower under 40 A", field=DANGER,
    checks=(first_step(ZERO_AMPS),))
case("hv own counter stands, uptime goes on, 20 A flow", world=hv(frozen_beat), kinds={"undecided", "fault"}, truth="open", long=40, point="R7",
    does="counter 77 for good, uptime moves", field=DANGER,
    checks=(first_step(ZERO_AMPS), first_says("heartbeat stands still"), first_step_is_not("register map")))
case("watch: cells stand still across a step, what to do", command="watch", seconds=40, world=hv(frozen_cells), kinds={"undecided", "fault"},
    truth="open", point="R5", does="all cells keep their value from 0 to 40 A", field=DANGER, checks=(first_step(ZERO_AMPS),))


def dead_module(u, t):
    u.waiting()
    u.cells[2] = [0.0] * 30
    u.cell_min = 0.0


case("hv all cells of a module at 0 V", world=hv(dead_module), kinds="fault", truth="fault", does="thirty cells 0.000 V, the lowest by the unit as well",
    field="What cannot be read, or reads 0 V, is not charged at all.", checks=(no_step("charge only under"), first_says(ZERO_AMPS)))
case("hv a cell without a value is not called low", world=hv(hv_wait(cell(1, 7, None))), kinds="fault", truth="fault",
    does="one cell not available, the others 3.27 V", field="Lowness was not measured: say that it cannot be read, and do not charge.",
    checks=(headline_says("cannot be read"), says("do not charge|no charge")))


def hot_under_current(u, t):
    u.in_service(t, -20.0)
    u.temps[1][3] = 58.0


case("hv one sensor 58 °C under 20 A", world=hv(hot_under_current), kinds="fault", truth="fault", does="58 °C beside 21 °C while 20 A flow",
    field="Nothing is said of a current that flows that was seen only without one.", checks=(never_says("without current"), first_says("away")))

# ---- what is said
case("hv a warning in service", world=hv(hv_run(put(warn=WARN["rather-warm"]))), kinds="normal", does="one warning, in service",
    field="That nothing was found is no proof: no fault seen so far.", checks=(never_says("no fault was found|no fault found"),))
case("map checked: uptime in ms", command="map", map=in_point(HV, "uptime", r'^unit = "s"', 'unit = "ms"'), world=None, kinds="refused",
    does="uptime with unit ms and no scale", field="A time in another unit than it is judged in makes minutes of days.")

# ---- racks: any question but ours is the inverter's
RACK = changed(LV, r'^fed_by = "any-request"', 'fed_by = "other-port"')


def served(u, t):
    u.in_service(t, 0.0)


def unheard(u, t):
    u.waiting(t)


def rack(*scripts):
    def make():
        return World({1 + n: Lv(script, packs=len(scripts), serial=f"TR26-00{n + 1}", feeds=False) for n, script in enumerate(scripts)})
    return make


case("lv one pack of three does not hear the inverter", map=RACK, wake=True, world=rack(served, served, unheard),
    kinds={"undecided", "inverter-lost", "awaiting-inverter"}, does="two packs in service, the third waits",
    field="Where other packs hear the inverter it is on: what is left is the link of the one that does not.",
    checks=(first_step("address 3"), no_step("is the inverter on|set to this battery type")))
case("lv one pack of three switched to service", map=RACK, wake=True,
    world=rack(served, lambda u, t: (u.in_service(t, 0.0), setattr(u, "state", LV_SERVICE)), served),
    kinds={"not-ready", "undecided"}, does="two packs in service, the second switched to service by its state alone",
    field="Find the person: at which pack stands in the first lines.", checks=(first_says("address 2|pack 2"),))
