"""Units watched for a while: what comes and goes, what appears in the middle, links that end, inverters that arrive.

Times in seconds of the unit, counted from the first question. An allowance of ten seconds after an event is one look
over Modbus TCP at one question a second; on a pair it is less.
"""
from case import (KEEP_AWAY, POWER_CYCLE, ZERO_AMPS, case, finding, first_says, never_says, no_root, no_step, not_proven, says,
                  verdict_changes_at_most)
from cases_a_sound import HV_ALL, LV_MAP, hv, standby, waiting
from cases_c_measured import put
from cases_f_rack import each
from habits import *
from images import *
from wire import World

NOT_CLEAN = {"fault", "undecided", "bus-problem"}
GONE = {"undecided", "bus-problem"}
NUMBERS_TOO = "Flags are remembered, numbers as well: a cell out of limits for ten seconds without a flag is not gone without a trace."


def seen(name, script, kinds, does, field, seconds=30, link="tcp", map="generic-hv-stack", world=None, habits=(), truth="fault", **more):
    case("watch: " + name, command="watch", seconds=seconds, link=link, map=map, world=world or hv(script, habits=habits), kinds=kinds,
        truth=truth,
        does=does,
        field=field, **more)


def between(start, end, base, change):
    """`base`, with `change` on top of it from `start` to `end`."""
    def script(u, t):
        base(u, t)
        if start <= t < end:
            change(u, t)
    return script


def from_on(start, base, change):
    return between(start, 1e9, base, change)


def high(u, t):
    u.cells[1][4] = 3.72


def low(u, t):
    u.cells[0][9] = 1.92


def earth(u, t):
    u.insulation = 42


def earth_flag(u, t):
    u.a2 |= A2["insulation-low"]


def unheard(u, t):
    u.a1 |= A1["modules-unheard"]


def amps(value):
    def change(u, t):
        u.current, u.state = value, HV_RUNNING
    return change


def both(*changes):
    def change(u, t):
        for one in changes:
            one(u, t)
    return change


# ---- sound ones, so that the rest has meaning
seen("hv waits", waiting, "awaiting-inverter", "nothing changes", "A unit that waits goes on waiting.", 20, truth="sound", root=(),
    during=((8, 99, {"awaiting-inverter"}),),
    checks=(verdict_changes_at_most(2),))
seen("hv serves, pty", standby, {"normal", "undecided"}, "nothing changes", "A unit in service goes on serving.", 20, link="pty",
    truth="sound", root=(),
    argue="nobody was overheard on this pair",
    checks=(verdict_changes_at_most(2),))
seen("hv discharges", lambda u, t: u.in_service(t, -15 - 5 * (int(t / 5) % 2)), "normal", "15 and 20 A in turn",
    "A load that changes is no excursion.", 25, truth="sound", root=(),
    checks=(verdict_changes_at_most(2),))
seen("lv waits", None, "awaiting-inverter", "code up throughout", "A pack that waits goes on waiting.", 20, map=LV_MAP, link="rtu-tcp",
    world=each(None, None), truth="sound", root=())

# ---- excursions: what was measured once is remembered (R1, R2)
seen("cell high for ten seconds, hv", between(6, 16, waiting, high), NOT_CLEAN, "cell 3.72 V from 6 to 16 s, no flag", NUMBERS_TOO, 40,
    point="1 R2", reach=((20, {"fault"}),), during=((20, 99, NOT_CLEAN),),
    checks=(finding("cell-over-voltage|above"),))
seen("cell high for ten seconds, pty", between(6, 16, waiting, high), NOT_CLEAN, "cell 3.72 V from 6 to 16 s, no flag", NUMBERS_TOO, 35,
    link="pty", point="1 R2", reach=((14, {"fault"}),), during=((12, 99, NOT_CLEAN),))
seen("cell below minimum for twelve seconds", between(5, 17, waiting, low), NOT_CLEAN, "cell 1.92 V from 5 to 17 s, no flag",
    "Below the absolute minimum is never cleared by time.", 40, point="1 R2", reach=((22, {"fault"}),), during=((22, 99, NOT_CLEAN),),
    checks=(no_step(POWER_CYCLE),))
seen("150 A in the first answer only", between(0, 1, lambda u, t: u.in_service(t, -8), amps(-150)), {"fault", "undecided", "normal"},
    "150 A in the first second, 8 A afterwards", "One unconfirmed sample is open until ten good ones, then it is told: seen once at T.", 30,
    link="rtu-tcp", point="1 R2",
    checks=(finding("over-current|150"),), truth="open",
    argue="after ten good samples the verdict may be clean, the notice stays")
seen("150 A for six seconds", between(8, 14, lambda u, t: u.in_service(t, -8), amps(-150)), NOT_CLEAN, "150 A from 8 to 14 s, no flag",
    NUMBERS_TOO, 40, link="rtu-tcp", point="1 R2", reach=((16, {"fault"}),), during=((15, 99, NOT_CLEAN),),
    checks=(no_step("load[^.]*again to see"),))
seen("hot for twelve seconds", between(6, 18, standby, lambda u, t: u.set_temps(61)), NOT_CLEAN, "61 °C from 6 to 18 s",
    NUMBERS_TOO + " Do not come back because it cooled.", 40, point="1 R2", reach=((22, {"fault"}),), during=((22, 99, NOT_CLEAN),))
seen("insulation for twelve seconds", between(6, 18, standby, earth), NOT_CLEAN, "42 kOhm from 6 to 18 s, no flag",
    "Insulation is never cleared by time.", 40, point="1 R2", reach=((22, {"fault"}),), during=((22, 99, NOT_CLEAN),))
seen("two excursions", lambda u, t: (standby(u, t), high(u, t) if 5 <= t < 10 or 20 <= t < 25 else None), NOT_CLEAN,
    "cell 3.72 V from 5 to 10 and from 20 to 25 s", "A second excursion stays open until service.", 45, link="rtu-tcp", point="1 R2",
    during=((12, 99, NOT_CLEAN),))
seen("dithers at the limit", from_on(4, waiting, lambda u, t: u.cells[1].__setitem__(4, 3.652 if int(t) % 2 else 3.648)), {"fault"},
    "a cell at 3.648 and 3.652 V in turn, limit 3.650", "A value that dithers at the limit is one excursion.", 30, link="rtu-tcp",
    point="R1", root="cell-over-voltage",
    checks=(verdict_changes_at_most(3),))
seen("a flag for six seconds", between(6, 12, waiting, unheard), NOT_CLEAN,
    "the internal link's flag from 6 to 12 s, it clears by a power cycle only", "A flag that came and went has not cleared.", 35,
    link="rtu-tcp", point="11", reach=((14, {"fault"}),), during=((12, 99, NOT_CLEAN),))
seen("a flag that comes and goes", lambda u, t: (waiting(u, t), unheard(u, t) if int(t / 2) % 2 else None), NOT_CLEAN,
    "the internal link's flag two seconds up, two seconds down", "A bit that comes and goes is never called no fault.", 30, link="rtu-tcp",
    point="11", during=((8, 99, NOT_CLEAN),),
    checks=(never_says("no fault was found|no fault seen"),))
seen("a flag that comes and goes, tcp", lambda u, t: (waiting(u, t), earth_flag(u, t) if t % 7 < 4 and t > 8 else None), NOT_CLEAN,
    "from 8 s on the insulation flag is four seconds up, three down", "A bit that comes and goes is never called no fault.", 55, point="11",
    during=((45, 99, NOT_CLEAN),))
seen("one glitch is told and over", between(6, 7, waiting, high), "awaiting-inverter", "cell 3.72 V for one second",
    "One unconfirmed sample is open until ten good ones over ten seconds, then it is told and over.", 60,
    link="rtu-tcp", truth="sound", point="R2")
seen("a short excursion clears by its rule", between(6, 8.5, waiting, lambda u, t: u.cells[1].__setitem__(4, 3.66)), "awaiting-inverter",
    "cell 3.66 V for two and a half seconds, limit 3.65",
    "A short excursion stays open for at least a minute and twelve good samples, then it is over: nobody is sent out for ever.", 95,
    link="rtu-tcp", truth="sound", point="R2")
seen("inverter's counter wraps", lambda u, t: (u.in_service(t), setattr(u, "inverter_beat", (65530 + int(t)) & 0xFFFF)), "normal",
    "the inverter's counter passes 65535", "A counter that wraps has moved.", 25,
    truth="sound", point="R6", root=())
seen("inrush at closing", lambda u, t: (waiting(u, t) if t < 8 else u.in_service(t), put(current=-200.0)(u, t) if 8 <= t < 9 else None),
    {"normal", "undecided"}, "switches close at 8 s, 200 A for one sample",
    "Over-current in one sample within two seconds after closing is inrush.", 35, link="rtu-tcp", truth="sound", point="R2",
    argue="a notice is enough, a doubt lawful")

# ---- a fault appears in the middle
seen("root bit appears at 12 s, pty", from_on(12, waiting, unheard), "fault", "the internal link's flag from 12 s on",
    "A change is told within one cycle of the question that showed it.", 25, link="pty", point="10", root="internal-communication",
    reach=((19, {"fault"}),))
seen("root bit appears at 12 s, tcp", from_on(12, waiting, earth_flag), "fault", "the insulation flag from 12 s on",
    "A change is told within one cycle of the question that showed it.", 32, point="10", root="insulation-low", reach=((26, {"fault"}),))
seen("cell too high under charge from 10 s", from_on(10, lambda u, t: u.in_service(t, 12.5), high), "fault",
    "cell 3.72 V from 10 s on under 12.5 A", "Stop the current first.", 30, point="13 R1", root="cell-over-voltage",
    reach=((24, {"fault"}),),
    checks=(first_says(ZERO_AMPS),))
seen("module warms 13 K in 4.5 s and stays",
    lambda u, t: (waiting(u, t), u.temps.__setitem__(1, [21.0 + min(13.0, max(0.0, (t - 10) * 2.9))] * 8)), NOT_CLEAN,
    "all sensors of module 2 rise by 13 K in 4.5 s and stay", "A rise that stays is heat, no sensor: keep away.", 35, link="rtu-tcp",
    point="13 R9", during=((20, 99, NOT_CLEAN),),
    checks=(first_says(KEEP_AWAY),))
seen("module warms 1 K a second", lambda u, t: (waiting(u, t), u.temps.__setitem__(2, [21.0 + min(30.0, max(0.0, t - 8))] * 8)), NOT_CLEAN,
    "all sensors of module 3 rise by 1 K a second from 8 s on", "A kelvin a second at rest is a fire beginning: keep away.", 42,
    point="13 R9", during=((32, 99, NOT_CLEAN),),
    checks=(first_says(KEEP_AWAY),))
seen("one sensor jumps for one sample", between(8, 9, waiting, lambda u, t: u.temps[0].__setitem__(2, 49.0)),
    {"fault", "undecided", "awaiting-inverter"}, "one sensor 28 K up for one second, then as before",
    "A jump that returns in the next sample is a sensor.", 30, link="rtu-tcp", point="R9", truth="sound",
    checks=(no_step("fire"),),
    argue="one glitch: a sensor to be looked at, open, or told")
seen("charges at -5 °C from 8 to 25 s", between(8, 25, lambda u, t: (u.in_service(t), u.set_temps(-5)), amps(12.5)), NOT_CLEAN,
    "-5 °C throughout, 12.5 A charge from 8 to 25 s", "Charging a frozen cell: likely at once, and not forgotten when it ends.", 45,
    point="3 R3", reach=((21, {"fault"}),), during=((21, 99, NOT_CLEAN),))
seen("charges at -5 °C from 8 s, rtu-tcp", from_on(8, lambda u, t: (u.in_service(t), u.set_temps(-5)), amps(12.5)), "fault",
    "-5 °C throughout, 12.5 A charge from 8 s on",
    "Proven after three samples over five seconds; set charging to zero at the inverter's screen.", 28, link="rtu-tcp", point="3 R3",
    reach=((18, {"fault"}),),
    checks=(first_says(ZERO_AMPS), no_step("unplug")))
seen("8 A while open from 10 s", from_on(10, waiting, put(current=8.0)), NOT_CLEAN, "8 A while every switch reads open, from 10 s on",
    "Current while open over three samples.", 30, truth="open", point="R2", during=((22, 99, NOT_CLEAN),),
    checks=(first_says("current|8(\\.0)? A"),))
seen("terminals come half live at 10 s", from_on(10, waiting, put(terminals=140.0)), NOT_CLEAN,
    "140 V at the terminals from 10 s on, switches open", "Terminals half live behind open switches: hands off.", 30, truth="open",
    point="3", during=((22, 99, NOT_CLEAN),),
    checks=(first_says("terminals|live"),))
seen("pre-charge for ever",
    from_on(6, waiting, lambda u, t: put(state=HV_PRECHARGE, switches=6, a2=0, ever=1, age=0, terminals=140.0)(u, t)), NOT_CLEAN,
    "state pre-charge from 6 s on, terminals stay at 140 V",
    "A pre-charge longer than its window has failed; the plateau is a load or a leak.", 35, truth="fault", point="3",
    during=((18, 99, NOT_CLEAN),),
    checks=(says("pre-?charge"),))
seen("pre-charge for ever, tcp",
    from_on(3, waiting, lambda u, t: put(state=HV_PRECHARGE, switches=6, a2=0, ever=1, age=0, terminals=280.0)(u, t)), NOT_CLEAN,
    "state pre-charge from 3 s on, terminals nearly full", "A pre-charge longer than its window has failed.", 40, truth="fault", point="3",
    during=((20, 99, NOT_CLEAN),))
seen("resistive cell under a load step",
    lambda u, t: (u.in_service(t, -40 if t >= 10 else 0), u.cells[1].__setitem__(11, 2.98) if t >= 10 else None, [u.cells[n].__setitem__(c, u.cells[n][c] - 0.02) for n in range(u.modules) for c in range(30) if t >= 10]),
    NOT_CLEAN, "40 A from 10 s on: one cell sags by 0.31 V, the others by 0.02 V",
    "One cell sagging under current has a high resistance, judged against the other modules in the same step.", 35, truth="fault",
    during=((25, 99, NOT_CLEAN),))
seen("a cell falls at rest and warms",
    lambda u, t: (waiting(u, t), u.cells[1].__setitem__(6, 3.27 - 0.006 * t), u.temps[1].__setitem__(1, 21.3 + 0.25 * t)), NOT_CLEAN,
    "a cell falls by 6 mV a second at rest, the sensor beside it warms by 15 K a minute",
    "A cell that falls and warms at rest is an internal short: nobody near.", 40, link="rtu-tcp", truth="fault", point="4 13 R9",
    during=((32, 99, NOT_CLEAN),),
    checks=(no_step(POWER_CYCLE),))
seen("cells freeze across a load step",
    lambda u, t: (u.in_service(t, -30 if t >= 8 else 0), u.set_cells(3.27), put(rigid=True, beat=1000 + int(t), pack=(294.3 if t < 8 else 287.0), module_v=[98.1 if t < 8 else 95.7] * 3)(u, t)),
    NOT_CLEAN, "30 A from 8 s on: modules sag, not one cell moves",
    "Cells that do not move across a load step are frozen readings: they prove nothing good.", 40, link="rtu-tcp", truth="open",
    point="R5 45", during=((25, 99, NOT_CLEAN),))
seen("pack voltage stands across a load step",
    lambda u, t: (u.in_service(t, -30 if t >= 8 else 0), u.set_cells(3.27 if t < 8 else 3.18), put(pack=294.3)(u, t)), NOT_CLEAN,
    "30 A from 8 s on: cells and modules sag, the pack's own voltage stands still",
    "A pack voltage that stands still proves nothing about the modules: it is suspect itself.", 35, link="rtu-tcp", truth="open", point="5",
    checks=(not_proven(), no_root("configuration-fault")))

# ---- the inverter comes, goes, hangs
def arrives(at):
    def script(u, t):
        if t < at:
            u.waiting()
        elif t < at + 1:
            u.in_service(t)
            u.state, u.switches, u.charge_limit, u.discharge_limit = HV_PRECHARGE, 6, 0, 0
            u.terminals, u.uptime = 200.0, 600 + t
            u.a2 = A2["not-ready"] | A2["limits-zero"]
        else:
            u.in_service(t)
            u.uptime = 600 + t
    return script


seen("inverter arrives at 12 s, tcp", arrives(12), "normal", "waits, pre-charges within a second, serves from 13 s on",
    "It talks, the lamp goes out, pre-charge, switches close, standby.", 40, truth="sound", point="10", root=(),
    during=((0, 99, {"awaiting-inverter", "undecided", "normal"}),))
seen("inverter arrives at 12 s, rtu-tcp", arrives(12), {"normal", "undecided"}, "as before on a raw line",
    "It talks, the lamp goes out, pre-charge, switches close, standby.", 35, link="rtu-tcp", truth="sound", point="10", root=(),
    during=((0, 99, {"awaiting-inverter", "undecided", "normal"}),),
    argue="nobody was overheard on this pair")
seen("inverter arrives with our first question", arrives(1), "normal", "serves two seconds after our first question",
    "By the map only writes feed the supervision: that it came now is chance, and no doubt for ever.", 40, truth="sound", point="10",
    root=())


def goes(at):
    def script(u, t):
        if t < at:
            u.in_service(t)
        elif t < at + 45:
            u.in_service(at)
            u.age, u.inverter_beat, u.uptime = t - at, 500 + at, 86400 + t
        else:
            u.lost(t, -at)
    return script


seen("inverter goes at 8 s", goes(8), "inverter-lost", "last written at 8 s, the flag comes 45 s later",
    "Heard, then lost: cable, or the inverter restarted.", 75, truth="sound", root=(),
    during=((0, 99, {"normal", "undecided", "inverter-lost"}),))


def hangs(u, t):
    u.in_service(t, -10)
    u.inverter_beat = 500 + min(int(t), 10)


seen("inverter's counter hangs", hangs, {"undecided"}, "the inverter's counter moves for 10 s, then stands; flag down, 10 A flow",
    "A counter seen moving, then still for the silence time with the flag down, is a doubt.", 80, truth="open", point="13 R6",
    during=((72, 99, NOT_CLEAN),))
seen("inverter's age runs away with the flag down", lambda u, t: (u.in_service(t), put(age=50 + t, inverter_beat=7)(u, t)), {"undecided"},
    "flag down, age 50 s and rising, silence time 45 s", "Flag and age that can't both be true are a doubt that names both.", 35,
    truth="open", point="2 R6", during=((25, 99, NOT_CLEAN),))
seen("in service with the flag up from 10 s",
    from_on(10, lambda u, t: u.in_service(t, -30), lambda u, t: put(a2=SILENT, age=46 + t, inverter_beat=7)(u, t)), NOT_CLEAN,
    "flag and its statuses up from 10 s on, switches stay closed, 30 A flow",
    "A unit that is dead without an inverter by its map and carries current says so.", 35, truth="open", point="2",
    during=((22, 99, NOT_CLEAN),),
    checks=(first_says(r"30(\.0)? A|current"),))

# ---- the unit's own life
seen("own counter stops at 8 s, pty",
    lambda u, t: (u.in_service(t, -10), put(beat=1000 + min(int(t), 8), uptime=86400 + min(int(t), 8))(u, t)), {"fault", "undecided"},
    "heartbeat and uptime stand from 8 s on, 10 A flow", "A frozen own heartbeat means that the answers are stale.", 60, link="pty",
    truth="fault", point="R7", during=((30, 99, NOT_CLEAN),))
seen("own counter stops at 8 s, uptime runs", lambda u, t: (waiting(u, t), put(beat=1000 + min(int(t), 8))(u, t)), {"undecided"},
    "heartbeat stands from 8 s on, uptime runs", "A heartbeat that stands while the uptime moves is a doubt.", 50, truth="open", point="R7",
    during=((38, 99, NOT_CLEAN),))
seen("gateway falls back to its memory at 8 s", None, {"undecided"}, "from 8 s on the gateway repeats what it has",
    "Answers from a memory say nothing about now.", 50, world=hv(standby, habits=[caches(1e9, 8)]), truth="open", point="R7 10",
    during=((38, 99, NOT_CLEAN),))


def restarts(u, t):
    u.waiting()
    if t >= 10:
        u.uptime, u.beat = t - 10, int(t - 10)
        u.state, u.a2 = (HV_SELF_TEST if t < 18 else HV_WAITING), BLOCKED


seen("restarts at 10 s", restarts, {"undecided"}, "uptime begins anew at 10 s",
    "After a restart the silence time begins anew: too early is not fine.", 35, truth="open", root=(), during=((20, 99, {"undecided"}),))


def fault_then_restart(u, t):
    restarts(u, t)
    if t < 10:
        earth(u, t)
        earth_flag(u, t)


seen("insulation low, then a restart", fault_then_restart, NOT_CLEAN, "42 kOhm and its flag until 10 s, restart, both gone",
    "A restart begins the clearing evidence anew, never the incriminating.", 40, truth="fault", point="1 R2", reach=((12, {"fault"}),),
    during=((12, 99, NOT_CLEAN),),
    checks=(says("insulation"),))
seen("restarts every ten seconds",
    lambda u, t: (waiting(u, t), put(uptime=t % 10, beat=int(t % 10), state=HV_SELF_TEST if t % 10 < 8 else HV_WAITING, a2=BLOCKED)(u, t)),
    NOT_CLEAN, "uptime begins anew every ten seconds", "A restart loop is a fault of the control unit or its supply.", 45, truth="open",
    point="31", during=((5, 99, NOT_CLEAN),),
    checks=(says("restart|uptime|again"),))
seen("another unit from 12 s on", None, NOT_CLEAN, "another serial number answers from 12 s on",
    "Another house behind the address: a verdict about another unit is worse than none.", 35,
    world=lambda: World({1: Hv(waiting)}, [swapped_from(12, Hv(lambda u, t: u.waiting(), serial="TB26-0555"))]), truth="open",
    checks=(says("serial|two units|another unit"),))
seen("door closes at 12 s", lambda u, t: (waiting(u, t), setattr(u, "a2", u.a2 | A2["door-open"]) if t < 12 else None),
    {"awaiting-inverter", "undecided"}, "door open until 12 s", "A condition that was put right is over.", 30, truth="sound", point="",
    reach=((12, {"not-ready"}),),
    argue="the flag clears by itself; a pause before it is believed does no harm")
seen("off button pressed at 10 s",
    from_on(10, standby, lambda u, t: (u.waiting(), put(state=HV_OFF, a2=BLOCKED | A2["off-button"], ever=1, age=1, uptime=86400 + t, inverter_beat=500 + int(t))(u, t))),
    {"not-ready"}, "in service, off button from 10 s on", "An off button is a person: find who pressed it.", 35, truth="sound", point="13",
    root="off-button",
    checks=(first_says("who|person|ask"),))

# ---- the link
for link, at in (("tcp", 12), ("pty", 12), ("rtu-tcp", 12)):
    seen(f"link ends at {at} s, {link}", None, GONE | {"refused"}, f"the link is gone from {at} s on",
        "Link gone: said at once, never a clean verdict from before the loss.", 30, link=link, world=hv(waiting, habits=[link_ends(at)]),
        truth="open", point="10 7", during=((at + 2.5, 99, GONE),), reach=((at + 4, GONE),),
        checks=(no_step("right-profile"),))
    seen(f"unit falls silent at {at} s, {link}", None, GONE, f"no answer from {at} s on, the connection stays",
        "Link loss is told within two time-outs, never a clean verdict from before it.", 30, link=link,
        world=hv(standby, habits=[silent_after(at)]), truth="open", point="10 7", during=((at + 8, 99, GONE),),
        checks=(no_step("right-profile"),))
seen("silent for six seconds", None, {"awaiting-inverter", "undecided"}, "no answer from 10 to 16 s", "What comes back is looked at anew.",
    35, world=hv(waiting, habits=[silent_between(10, 16)]), truth="sound", root=(),
    during=((0, 99, {"awaiting-inverter", "undecided", "bus-problem"}),),
    argue="how soon it is trusted again is the tool's to choose")
seen("busy for ten seconds", None, {"awaiting-inverter", "undecided"}, "exception 06 from 10 to 20 s",
    "Busy: wait, then ask again; that is no fault of the map.", 40, world=hv(waiting, habits=[refuses(6, 10, 20)]), truth="sound", root=(),
    point="7",
    checks=(no_step("right-profile"),),
    argue="how soon it is trusted again is the tool's to choose")
seen("900 ms, time-out 2 s", None, "awaiting-inverter", "every answer after 0.9 s", "A slow unit can be watched.", 40,
    world=hv(waiting, habits=[slow(0.9)]), args=("--time-out", "2000"), truth="sound", root=(), point="8")
seen("hangs up every seventh question", None, {"awaiting-inverter", "undecided"}, "the gateway closes the connection now and then",
    "Gateways close connections without a word: connect again.", 35, world=hv(waiting, habits=[hangs_up_every(7)]), truth="sound", root=(),
    argue="where the link breaks an open verdict is right")
seen("20 % damaged", None, {"awaiting-inverter", "undecided"}, "every fifth answer is damaged",
    "Noise on the line is no fault of the battery.", 30, link="pty", world=hv(waiting, habits=[damages(0.2)]), truth="sound", root=(),
    point="7",
    checks=(no_step("right-profile"), no_root("sensor-fault", "internal-communication")),
    argue="where answers get lost an open verdict is right")

# ---- racks
def joins_at(at):
    return lambda world, ask, outs: [] if ask.unit == 2 and ask.at < at else outs


seen("second pack joins at 12 s", None, "awaiting-inverter", "pack 2 of 2 answers from 12 s on", "A pack that joins completes the rack.",
    40, link="rtu-tcp", map=LV_MAP, world=lambda: (w := each(None, None)(), w.habits.append(joins_at(12)))[0], truth="sound", root=(),
    point="4", during=((5, 11, {"undecided"}),))
seen("second pack vanishes at 12 s", None, {"undecided"}, "pack 2 of 2 silent from 12 s on",
    "A pack that no longer answers is not a sound pack.", 35, link="rtu-tcp", map=LV_MAP,
    world=lambda: (w := each(None, None)(), w.habits.append(silent_unit(2, 12)))[0], truth="open", root=(), point="4",
    during=((26, 99, {"undecided"}),))
seen("pack that joins has another voltage", None, {"undecided", "fault"}, "pack 2 answers from 10 s on, with 53.4 instead of 52.3 V",
    "Packs of unlike voltage are kept apart before they join.", 35, link="rtu-tcp", map=LV_MAP,
    world=lambda: (w := each(None, lambda u, t: u.set_cells(3.34))(), w.habits.append(joins_at(10)))[0], truth="open", point="4 R10",
    during=((22, 99, NOT_CLEAN),))
seen("rack: code for twelve seconds", None, NOT_CLEAN, "code 23 (below minimum) in pack 2 from 8 to 20 s",
    "Below the absolute minimum is never cleared by time.", 40, link="rtu-tcp", map=LV_MAP,
    world=each(None, lambda u, t: put(code=CODE["cell-lost"])(u, t) if 8 <= t < 20 else None), point="1 11", reach=((24, {"fault"}),),
    during=((24, 99, NOT_CLEAN),))
seen("rack: cell high for ten seconds", None, NOT_CLEAN, "a cell of pack 1 at 3.72 V from 6 to 16 s, no code", NUMBERS_TOO, 40,
    link="rtu-tcp", map=LV_MAP, world=each(lambda u, t: u.cells.__setitem__(3, 3.72) if 6 <= t < 16 else None, None), point="1 R2",
    reach=((20, {"fault"}),), during=((20, 99, NOT_CLEAN),))
seen("rack: code appears at 12 s, pty", None, "fault", "code 51 in the only pack from 12 s on",
    "A change is told within one cycle of the question that showed it.", 25, link="pty", map=LV_MAP,
    world=each(lambda u, t: put(code=CODE["measuring-unheard"], state=LV_LOCKED)(u, t) if t >= 12 else None), point="10",
    root="internal-communication", reach=((19, {"fault"}),))
seen("rack: codes take turns", None, "fault", "code 90 and code 41 take turns every two seconds", "Some units rotate their codes.", 30,
    link="rtu-tcp", map=LV_MAP, world=each(lambda u, t: put(code=CODE["sensor-lost"])(u, t) if int(t / 2) % 2 else None), point="11",
    root="sensor-fault")


# ---- an inverter on the pair, overheard
def overheard_until(end, script):
    def make():
        device = Hv(script)
        world = World({1: device}, from_launch=True)
        world.greet = inverter_on_the_pair(1, device, HV_ALL, 2.0, writes=(0, [1]), until=end)
        return world
    return make


seen("overheard, a fault appears at 15 s", None, "fault", "an inverter reads everything every two seconds; 42 kOhm from 15 s on",
    "Read the battery's state from the overheard conversation.", 32, link="rtu-tcp",
    world=overheard_until(None, from_on(15, standby, earth)), root="insulation-low", point="9 10", reach=((24, {"fault"}),),
    checks=(("not one question was asked", lambda r: r["_asked"] == 0),))
