"""What is made of several answers: of two units, of two moments.

Each was written before it was run. A sum, an extreme and a spread are read in several answers; where another unit gave some of them
they say nothing about either. A number out of limits stands in one answer, and is one of somebody.
"""
from case import any_root, case, no_root, no_step, says
from cases_a_sound import LV_MAP, standby, waiting
from cases_c_measured import put
from cases_f_rack import each, with_habits
from cases_i_watch import NOT_CLEAN, between, from_on, seen
from cases_l_hidden import mixes
from habits import swapped_from, two_at_one_address
from images import *
from wire import World

ANOTHER = "A verdict about another unit is worse than none: what two units said together is a fault of neither."


def other(volts, change=lambda u, t: None):
    """A second stack, sound, whose cells stand at so many volts."""
    return Hv(lambda u, t: (u.waiting(), u.set_cells(volts), setattr(u, "uptime", 9000 + t), change(u, t)), serial="TB26-0999")


BROKEN = "control unit|ask the maker|claim|sense (wire|connector)"
for seconds in (2.5, 4, 5.5, 7):
    case(f"moments: another unit takes over at {seconds} s, its cells 50 mV lower", world=lambda s=seconds: World({1: Hv(waiting)}, [swapped_from(s, other(3.22))]),
         kinds={"undecided"}, truth="open", root=(), point="60", does=f"from {seconds} s on another sound stack answers, whose cells stand at 3.22 V instead of 3.27 V",
         field=ANOTHER, checks=(no_step(BROKEN), says("two units|serial|another")))
for link in ("tcp", "rtu-tcp"):
    for volts, what in ((3.22, "50 mV"), (3.07, "0.2 V")):
        case(f"moments: two units in turn, the other's cells {what} lower, {link}", link=link,
             world=lambda v=volts: World({1: Hv(waiting)}, [two_at_one_address(other(v))]), kinds={"undecided"}, truth="open", root=(), point="60",
             does=f"two sound stacks answer in turn, the cells of one stand at 3.27 V, of the other at {volts} V", field=ANOTHER,
             checks=(no_step(BROKEN), says("two units|serial|another")))
case("moments: two units in turn, one with a cell below its minimum", link="rtu-tcp",
     world=lambda: World({1: Hv(waiting)}, [two_at_one_address(other(3.22, lambda u, t: u.cells[1].__setitem__(4, 1.9)))]), kinds={"undecided", "fault"},
     truth="fault", point="60", does="two stacks answer in turn, one has a cell at 1.90 V", field="A fault seen in answers of another unit is hidden from nobody.",
     checks=(any_root("cell-below-minimum"), no_root("control-unit-fault", "configuration-fault"), says("do not charge")))
seen("moments: another unit from 12 s on, its cells 50 mV lower", None, NOT_CLEAN, "from 12 s on another sound stack answers, its cells 50 mV lower", ANOTHER, 45,
     link="rtu-tcp", world=lambda: World({1: Hv(waiting)}, [swapped_from(12, other(3.22))]), truth="open", root=(), point="60", during=((20, 99, {"undecided"}),),
     checks=(no_step(BROKEN), says("two units|serial|another")))
case("moments: lv gateway gives a sound pack's answers for pack 1's", map=LV_MAP, link="rtu-tcp",
     world=with_habits(each(None, lambda u, t: u.set_cells(3.21)), mixes), kinds={"undecided"}, truth="open", root=(), point="4 60",
     does="every third question to pack 1 is answered by pack 2, whose cells stand 60 mV lower", field=ANOTHER,
     argue="packs that differ by a volt are told to be kept apart in any case", checks=(no_root("control-unit-fault", "sensor-fault"),))


# ---- flag and age of the inverter in two moments
TWO_LOOKS = "Flag and age contradict each other only in two looks at least five seconds apart: one look may lie between the two."


def late_flag(by):
    """Lost; heard again from 10 s on by its age, by its flag and state so many seconds later."""
    def script(u, t):
        if t >= 10 + by:
            u.in_service(t)
        else:
            u.lost(t)
            if t >= 10:
                u.age, u.inverter_beat = 0, 7700 + int(t - 10)
    return script


for link, settled in (("rtu-tcp", 4), ("tcp", 12)):
    seen(f"moments: one look between flag and age, {link}", between(13, 15.5, standby, put(age=900)), {"normal"}, "in service; age 900 s with the flag down, from 13 to 15.5 s",
         TWO_LOOKS, 35, link=link, truth="sound", root=(), point="2 R6", during=((settled, 99, {"normal"}),))
    seen(f"moments: the flag follows three seconds late, {link}", late_flag(3), {"normal"}, "lost; its inverter is heard again from 10 s on, the flag falls at 13 s",
         TWO_LOOKS, 45, link=link, truth="sound", root=(), point="2 R6", during=((settled, 13, {"inverter-lost"}),), reach=((40, {"normal"}),),
         checks=(("is never open in between", lambda r: "undecided" not in [kind for at, kind in r["_course"] if at > 4]),))
    seen(f"moments: flag and age differ from 13 s on, {link}", from_on(13, standby, lambda u, t: setattr(u, "age", 900 + t)), {"undecided"},
         "in service; age 900 s and rising with the flag down, from 13 s on", TWO_LOOKS, 50, link=link, truth="open", root=(), point="2 R6",
         during=((settled, 13, {"normal"}), (30, 99, {"undecided"})))
seen("moments: flag and age differ again and again", lambda u, t: (standby(u, t), setattr(u, "age", 900) if t % 10 >= 6 else None), {"normal", "undecided"},
     "in service; age 900 s with the flag down for four seconds in every ten", "What contradicts itself in two looks five seconds apart is open, though others agree in between.",
     50, link="rtu-tcp", truth="open", root=(), point="2 R6", reach=((45, {"undecided"}),))
seen("moments: a late flag each minute is no contradiction", lambda u, t: (standby(u, t), setattr(u, "age", 900) if 6 <= t % 75 < 8 else None), {"normal"},
     "in service; age 900 s with the flag down for two seconds, and again 75 s later", TWO_LOOKS, 90, link="rtu-tcp", truth="sound", root=(), point="2 R6",
     during=((12, 99, {"normal"}),))
seen("moments: agreed before the restart, differs after it", lambda u, t: (u.in_service(t), put(uptime=86400 + t)(u, t)) if t < 12 else (u.in_service(t), put(uptime=100 + t, age=95)(u, t)), NOT_CLEAN,
     "in service; a restart at 12 s, then age 95 s with the flag down", "Evidence that clears begins anew with a restart.", 30, link="rtu-tcp", truth="open", root=(),
     point="2 R6 31", during=((20, 99, NOT_CLEAN),))


def apart(seconds):
    """The age was asked for in two moments so far from each other."""
    def holds(r):
        asked = [at for at, _, pdu in r["_log"] if pdu.startswith("04") and int(pdu[2:6], 16) <= 6 < int(pdu[2:6], 16) + int(pdu[6:10], 16)]
        return asked and asked[-1] - asked[0] >= seconds
    return (f"asks for the age in looks {seconds} s apart", holds)


for link in ("rtu-tcp", "tcp"):
    case(f"moments: checked between flag and age, {link}", link=link, world=lambda: World({1: Hv(between(0, 3.2, standby, put(age=900)))}), kinds={"normal"}, truth="sound",
         root=(), point="2 R6", does="in service; age 900 s with the flag down in the first 3.2 s", field=TWO_LOOKS, long=20)
    case(f"moments: checked, flag and age differ, {link}", link=link, world=lambda: World({1: Hv(from_on(0, standby, put(age=900)))}), kinds={"undecided"}, truth="open",
         root=(), point="2 R6", does="in service; age 900 s with the flag down all the time", field=TWO_LOOKS, long=20, checks=(apart(5), says("again|5 s")))
case("moments: checked while its inverter comes back", link="rtu-tcp", world=lambda: World({1: Hv(lambda u, t: late_flag(3)(u, t + 10))}), kinds={"normal", "undecided"},
     truth="sound", root=(), point="2 R6", does="heard again by its age, its flag falls three seconds after the first question", field=TWO_LOOKS,
     argue="whether our own questions woke it may be open", long=20)
