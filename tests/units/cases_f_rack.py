"""Several packs: one rack, one look. A fault anywhere is a fault; what is missing or unlike is not in order."""
import re
from pathlib import Path

from case import POWER_CYCLE, case, first_says, no_step, says, step_needs
from cases_a_sound import LV_MAP
from cases_c_measured import put
from habits import refuses, silent_unit
from images import *
from wire import World

RACK_OF_16 = re.sub(r"at_most = 8\b", "at_most = 16", (Path(__file__).resolve().parents[2] / "profiles/maps/generic-lv-rack.toml").read_text()).replace("possible = [1, 8]", "possible = [1, 16]")


def each(*changes):
    """A rack whose packs differ: one change a pack, all of them waiting, code up for a long time."""
    def make():
        units = {}
        for n, change in enumerate(changes):
            def script(u, t, change=change):
                u.waiting(t)
                if change:
                    change(u, t)
            units[1 + n] = Lv(script, packs=len(changes), serial=f"TR26-00{n + 1}", drops_after=600)
        return World(units)
    return make


def with_habits(make, *habits):
    def made():
        world = make()
        world.habits = list(habits)
        return world
    return made


def volts(v, soc=None):
    def change(u, t):
        u.set_cells(v)
        if soc is not None:
            u.soc = soc
    return change


SAME = None
case("lv packs 1.1 V apart", map=LV_MAP, world=each(volts(3.27), volts(3.34)), kinds={"undecided", "fault"}, truth="open", point="12 R10",
    does="52.3 and 53.4 V, not connected yet",
    field="Packs of unlike voltage drive a large current through each other when they are connected: keep them apart, touch no switch.",
    checks=(says(r"apart|unlike|do not let|connect"), step_needs(r"bring (them|the packs) to one voltage", "live-dc", "unit-off"), no_step(POWER_CYCLE)))
case("lv packs 0.6 V apart, rtu-tcp", map=LV_MAP, link="rtu-tcp", world=each(SAME, volts(3.31), SAME), kinds={"undecided", "fault"},
    truth="open", point="R10",
    does="52.3, 53.0 and 52.3 V",
    field="Joining wants at most 0.3 V between packs.",
    checks=(no_step(POWER_CYCLE),))
case("lv packs 25 % of charge apart", map=LV_MAP, link="rtu-tcp", world=each(volts(3.28, 40), volts(3.29, 65)),
    kinds={"undecided", "fault"}, truth="open", point="R10",
    does="40 and 65 %, 0.16 V apart",
    field="On the flat part of the curve like voltages do not show like charge: joining wants both alike.")
case("lv packs 0.1 V apart", map=LV_MAP, link="rtu-tcp", world=each(volts(3.27, 55), volts(3.276, 57)), kinds={"awaiting-inverter"},
    root=(), point="R10",
    does="0.1 V and 2 % apart",
    field="A tenth of a volt between packs is like enough.")
case("lv third pack of three silent", map=LV_MAP, link="rtu-tcp", world=with_habits(each(SAME, SAME, SAME), silent_unit(3)),
    kinds={"undecided"}, truth="open", point="4",
    does="packs say that there are three, the third never answers",
    field="A pack that does not answer is not a sound pack.",
    checks=(says(r"\b3\b|third"),))
case("lv first pack of two silent", map=LV_MAP, link="rtu-tcp", world=with_habits(each(SAME, SAME), silent_unit(1)),
    kinds={"undecided", "bus-problem"}, truth="open", point="4",
    does="the first of two never answers",
    field="A pack that does not answer is not a sound pack.",
    argue="without the first one the size of the rack may be unknown")
case("lv second pack busy", map=LV_MAP, link="rtu-tcp",
    world=with_habits(each(SAME, SAME), lambda w, a, o: refuses(6)(w, a, o) if a.unit == 2 else o), kinds={"undecided"}, truth="open",
    point="4 7",
    does="pack 2 answers busy to everything",
    field="Busy is no value: wait for it.",
    checks=(says("busy"),))


def one_pack_three_times():
    device = Lv(lambda u, t: u.waiting(t), packs=3, drops_after=600)
    return World({1: device, 2: device, 3: device})


case("lv one pack answers at three addresses", map=LV_MAP, link="rtu-tcp", world=one_pack_three_times, kinds={"undecided"}, truth="open",
    point="4 R5",
    does="serial, heartbeat and cells of all three are the same",
    field="The same pack read three times is one pack: the others were never seen.",
    checks=(says(r"same (pack|serial|unit)|one pack|serial number"),))
case("lv one pack answers at two addresses, tcp", map=LV_MAP,
    world=lambda: World({1: (d := Lv(lambda u, t: u.waiting(t), packs=2, drops_after=600)), 2: d}), kinds={"undecided"}, truth="open",
    point="4 R5",
    does="a gateway that ignores the address",
    field="The same pack read twice is one pack: the other was never seen.")
case("lv two packs with one serial number", map=LV_MAP, link="rtu-tcp",
    world=lambda: World({1: Lv(lambda u, t: u.waiting(t), packs=2, serial="TR26-001", drops_after=600), 2: Lv(lambda u, t: (u.waiting(t), u.set_cells(3.276), put(beat=9000 + int(t), uptime=4000 + t)(u, t)), packs=2, serial="TR26-001", drops_after=600)}),
    kinds={"undecided", "fault", "awaiting-inverter"}, truth="sound", point="R5",
    does="one serial number, different counters and cells",
    field="Two nameplates with one number are told; their counters show that they are two.",
    checks=(says("serial"),),
    argue="two packs they are; a copied number is odd and harmless")
case("lv like packs are no copies", map=LV_MAP, link="rtu-tcp", world=each(SAME, SAME), kinds={"awaiting-inverter"}, root=(), point="R5",
    does="two packs with equal cells and counters, serial numbers different",
    field="Equal cells alone never make one pack of two: serial numbers and heartbeats decide.")
case("lv blank serial numbers, packs alike", map=LV_MAP, link="rtu-tcp",
    world=lambda: World({n: Lv(lambda u, t, n=n: (u.waiting(t), put(beat=100 * n + int(t), uptime=600 * n + t)(u, t)), packs=2, serial="", drops_after=600) for n in (1, 2)}),
    kinds={"awaiting-inverter", "undecided"}, root=(), point="R5",
    does="no serial number in either, counters different",
    field="Blank serial numbers prove no identity.",
    argue="identity is required by the map")
case("lv packs disagree about their number", map=LV_MAP, link="rtu-tcp",
    world=lambda: World({1: Lv(lambda u, t: u.waiting(t), packs=3, serial="TR26-001", drops_after=600), 2: Lv(lambda u, t: u.waiting(t), packs=2, serial="TR26-002", drops_after=600)}),
    kinds={"undecided", "fault"}, truth="open", point="4",
    does="pack 1 says three, pack 2 says two, two answer",
    field="Packs that count differently are not one rack yet.")
case("lv second pack of another kind", map=LV_MAP, link="rtu-tcp", world=each(SAME, put(map_mark=999)), kinds={"undecided", "fault"},
    truth="open", point="4",
    does="pack 2 has another mark",
    field="A unit that is not recognised gives no sound numbers.")
case("lv second pack of another firmware", map=LV_MAP, link="rtu-tcp", world=each(SAME, put(firmware="2.3")), kinds={"undecided", "fault"},
    truth="open", point="4",
    does="pack 2 has firmware 2.3, the map ends below 2.0",
    field="The wrong firmware edition makes it another map.")


def joined(*amps):
    def make():
        return World({1 + n: Lv(lambda u, t, a=a: u.in_service(t, a), packs=len(amps), serial=f"TR26-00{n + 1}") for n, a in enumerate(amps)})
    return make


BETWEEN = first_says(r"between (the )?packs|circulat|equali[sz]|one pack (into|charges)|cancel|each other")
case("lv 12 A from one pack into the other", map=LV_MAP, link="rtu-tcp", world=joined(12.0, -11.6), kinds={"undecided", "fault"},
    truth="open", point="13 R10",
    does="12 A out of pack 1, 11.6 A into pack 2",
    field="Currents that cancel flow between the packs: that stands in the first lines.",
    checks=(BETWEEN,))
case("lv 8 and 8 into 16 A", map=LV_MAP, link="rtu-tcp", world=joined(8.0, 8.0, -16.0), kinds={"undecided", "fault"}, truth="open",
    point="13 R10",
    does="8 and 8 A out, 16 A into the third",
    field="Currents that cancel flow between the packs: that stands in the first lines.",
    checks=(BETWEEN,))
case("lv 8, 8 and 8 A", map=LV_MAP, link="rtu-tcp", world=joined(8.0, 8.0, 8.0), kinds={"undecided", "normal"}, root=(), point="R10",
    does="each pack gives 8 A",
    field="Packs that share a load are in order.",
    argue="any question counts here, so the inverter stays unknown",
    checks=(("nothing flows between the packs", lambda r: not re.search(r"between (the )?packs|circulat", str(r.get("verdict", {}).get("summary", "")))),))


def low_cell(u, t):
    u.cells[4] = 1.9


def high_cell(u, t):
    u.cells[4] = 3.70


case("lv first of eight below minimum, tcp", map=LV_MAP, world=each(low_cell, *[SAME] * 7), kinds={"fault"}, truth="fault",
    root="cell-below-minimum", point="4", long=60,
    does="cell 1.90 V in pack 1 of 8, one question a second",
    field="A fault in the first pack is one when the last is read: a rack is one look.",
    checks=(no_step(POWER_CYCLE),))
case("lv eight wait, tcp", map=LV_MAP, world=each(*[SAME] * 8), kinds={"awaiting-inverter"}, root=(), point="4", long=60,
    does="eight sound packs at one question a second",
    field="A rack that only waits is called waiting, however long the reading takes.")
case("lv five wait, tcp", map=LV_MAP, world=each(*[SAME] * 5), kinds={"awaiting-inverter"}, root=(), point="4", long=40,
    does="five sound packs at one question a second",
    field="A rack that only waits is called waiting, however long the reading takes.")
case("lv eight wait, rtu-tcp", map=LV_MAP, link="rtu-tcp", world=each(*[SAME] * 8), kinds={"awaiting-inverter"}, root=(), point="4",
    does="eight sound packs on a fast link",
    field="A rack that only waits is called waiting.")
case("lv fifth of six has a high cell, tcp", map=LV_MAP, world=each(*[SAME] * 4, high_cell, SAME), kinds={"fault"}, truth="fault",
    root=("cell-over-voltage", "cell-imbalance"), point="4", long=40,
    does="cell 3.70 V in pack 5 of 6",
    field="A fault in any pack is a fault of the rack.")
case("lv eighth of eight locked, rtu-tcp", map=LV_MAP, link="rtu-tcp",
    world=each(*[SAME] * 7, put(state=LV_LOCKED, code=CODE["control-unit-broken"])), kinds={"fault"}, truth="fault",
    root="control-unit-fault", point="4",
    does="pack 8 locked with code 52",
    field="A fault in any pack is a fault of the rack.")
case("lv sixteen wait, one question a second", map=RACK_OF_16, wake=True, world=each(*[SAME] * 16), kinds={"awaiting-inverter"}, root=(),
    point="4", long=120,
    does="sixteen sound packs, a map for sixteen",
    field="Sixteen packs at one question a second give a whole verdict.")
case("lv sixteen, third one hot, rtu-tcp", map=RACK_OF_16, wake=True, link="rtu-tcp",
    world=each(SAME, SAME, lambda u, t: u.set_temps(60), *[SAME] * 13), kinds={"fault"}, truth="fault", root="over-temperature", point="4",
    does="pack 3 of 16 at 60 °C",
    field="A fault in any pack is a fault of the rack.")
