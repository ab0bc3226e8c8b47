"""What is made of several answers: of two units, of two moments.

Each was written before it was run. A sum, an extreme and a spread are read in several answers; where another unit gave some of them
they say nothing about either. A number out of limits stands in one answer, and is one of somebody.
"""
from case import any_root, case, no_root, no_step, says
from cases_a_sound import LV_MAP, waiting
from cases_f_rack import each, with_habits
from cases_i_watch import NOT_CLEAN, seen
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
