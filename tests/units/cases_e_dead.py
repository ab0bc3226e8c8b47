"""Images that are no measurement: one value everywhere, nothing available, zeros, copies from a memory. And what only looks like it."""
from case import case, never_says, no_root, no_step, not_proven, says
from cases_a_sound import LV_MAP, hv, lv
from cases_c_measured import hv_run, hv_wait, put
from habits import caches
from images import *

DEAD = "An image of one value is no measurement: no number in it proves anything, nobody is sent to live DC by it."
NOTHING_PROVEN = (not_proven(), never_says(r"too hot \(\d{3,}|LIVE DC"), no_step("fire|quarantine|set-apart"))


def constant(word, beats=False, keep_alarms=False):
    def script(u, t):
        u.waiting()
        for address in list(range(0, 30)) + list(range(64, 352)):
            u.raw[("input", address)] = word
        if beats:
            u.raw[("input", 9)] = 1000 + int(t)
            u.raw[("input", 10)] = 600 + int(t)
            u.raw[("input", 11)] = 0
    return script


def lv_constant(word, beats=False):
    def script(u, t):
        u.waiting(t)
        for address in list(range(0, 23)) + list(range(32, 52)):
            u.raw[("input", address)] = word
        if beats:
            u.raw[("input", 4)] = 1000 + int(t)
            u.raw[("input", 5)] = 0
            u.raw[("input", 6)] = 600 + int(t)
    return script


for word in (0x7F7F, 0x0101, 0x8000, 0x0002, 0x0008, 0x00FF):
    case(f"hv every register {word:04X}", world=hv(constant(word)), kinds={"undecided", "bus-problem"}, truth="open", point="5 R5",
        does=f"identity right, every input register reads {word:04X}, nothing moves",
        field=DEAD,
        checks=NOTHING_PROVEN)
case("hv every register FFFF, nothing moves", world=hv(constant(0xFFFF)), kinds={"undecided", "bus-problem"}, truth="open", point="5 R5",
    does="every input register at all ones",
    field="Everything at its not-available value with the heartbeat still: no measurement.",
    checks=NOTHING_PROVEN)
case("hv every register zero, nothing moves", world=hv(constant(0)), kinds={"undecided", "bus-problem"}, truth="open", point="5 R5",
    does="every input register zero",
    field="All zero is what a unit reads before it knows anything, and what a gateway invents.",
    checks=NOTHING_PROVEN)
for word in (0x7F7F, 0x0002):
    case(f"lv every register {word:04X}", map=LV_MAP, link="rtu-tcp", world=lv(lv_constant(word)), kinds={"undecided", "bus-problem"},
        truth="open", point="5 R5",
        does=f"identity right, every input register {word:04X}",
        field=DEAD,
        checks=NOTHING_PROVEN)
case("lv every register zero", map=LV_MAP, world=lv(lv_constant(0)), kinds={"undecided", "bus-problem"}, truth="open", point="5 R5",
    does="every input register zero",
    field=DEAD,
    checks=NOTHING_PROVEN)


def cells_dead(value):
    def script(u, t):
        u.waiting()
        for n in range(u.modules):
            for c in range(30):
                u.raw[("input", 64 + 48 * n + 4 + c)] = value
        u.raw[("input", 20)] = u.raw[("input", 21)] = value
    return script


case("hv all cells unavailable, the unit counts on", world=hv(cells_dead(0xFFFF)), kinds={"fault", "undecided"}, truth="fault",
    point="5 R5",
    does="no cell has a value, own counter, uptime and all else move",
    field="A heartbeat that moves with all cells dead is internal: the control unit no longer hears its modules.",
    argue="a required value is missing")
case("hv all cells zero, the unit counts on", world=hv(cells_dead(0)), kinds={"fault", "undecided"}, truth="fault", point="5 R5",
    does="every cell 0.000 V, own counter and uptime move, modules 98 V",
    field="A heartbeat that moves with all cells dead is internal.",
    checks=(no_step("set-apart|quarantine"),),
    argue="a number that contradicts the module's own voltage is suspect itself")
case("hv sound values, all counters stand", link="pty", world=hv(hv_wait(put(beat=1000, uptime=600))), kinds={"undecided", "fault"},
    truth="open", point="R7",
    does="good values, heartbeat and uptime never move, on the pair itself",
    field="A frozen own heartbeat means that the answers are stale, whatever they say.",
    argue="a fault needs thirty seconds of it")
case("hv heartbeat stands, uptime moves", link="pty", world=hv(hv_wait(put(beat=1000))), kinds={"undecided"}, truth="open", point="R7",
    does="heartbeat still, uptime runs",
    field="A heartbeat that stands while the uptime moves is a doubt, no proof of a dead unit.")
case("hv heartbeat stands behind a gateway", world=hv(hv_wait(put(beat=1000, uptime=600))), kinds={"undecided"}, truth="open", point="R7",
    does="heartbeat and uptime still behind Modbus TCP",
    field="Over a gateway a frozen heartbeat may be the gateway's memory.")
case("hv heartbeat stands in service", world=hv(hv_run(put(beat=1000, uptime=86400), -10)), kinds={"undecided"}, truth="open", point="R7",
    does="in service, heartbeat and uptime still behind Modbus TCP",
    field="Over a gateway a frozen heartbeat may be the gateway's memory.")
case("hv gateway answers from its memory", world=hv(hv_wait(put()), habits=[caches()]), kinds={"undecided"}, truth="open", point="R7",
    does="each block fetched once, then the same for ever",
    field="Answers from a memory say nothing about now.",
    checks=(says("cache|memory|old"),))
case("hv gateway's memory with a fault in it", world=hv(hv_wait(put(insulation=42)), habits=[caches()]), kinds={"undecided", "fault"},
    truth="fault", point="R7",
    does="as before, and 42 kOhm in it",
    field="Old or not, a fault that was read is not hidden.",
    checks=(says("insulation"),),
    argue="a cache makes it unconfirmed, no less a fault")
case("hv gateway's memory of three seconds", world=hv(hv_wait(put()), habits=[caches(3)]), kinds={"awaiting-inverter", "undecided"},
    root=(),
    does="each block at most three seconds old",
    field="A short memory that moves is a slow unit and no lie.",
    argue="heartbeat seen moving or not yet")
case("lv heartbeat stands", map=LV_MAP, link="pty", world=lv(lambda u, t: (u.waiting(t), put(beat=5, uptime=700)(u, t))),
    kinds={"undecided", "fault"}, truth="open", point="R7",
    does="heartbeat and uptime still on the pair",
    field="A frozen own heartbeat means that the answers are stale.",
    argue="a fault needs thirty seconds of it")
case("hv pack voltage stands while its modules move",
    world=hv(lambda u, t: (u.in_service(t, -20), u.set_cells(3.27 if t < 3 else 3.20), put(pack=294.3)(u, t))),
    kinds={"undecided", "fault"}, truth="open", point="5",
    does="pack 294.3 V for ever, modules sag by 2 V each",
    field="A single reading that contradicts its cross-check is suspect itself before anything is proven elsewhere.",
    checks=(not_proven(), no_root("configuration-fault")))
