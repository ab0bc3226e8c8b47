"""Whether the inverter is heard: flag, age, counter, uptime, states and traffic are looked at together, never one bit."""
from case import case, first_step, never_says, says
from cases_a_sound import HV_ALL, LV_MAP, hv, overheard_hv, overheard_lv
from cases_c_measured import put
from habits import inverter_on_the_pair
from images import *
from wire import World

ONE_BIT = "All evidence together, never the flag alone: what can't be true together is a doubt that names both numbers."
NO_SPAN = never_says(r"(silent|until) [01]( s|\.\d)")


def flag_down_age_old(u, t):
    u.in_service(t)
    u.age, u.inverter_beat = 900 + t, 77


def flag_up_age_young(u, t):
    u.lost(t)
    u.age, u.inverter_beat = int(t) % 2, 500 + int(t)


def age_beyond_uptime(u, t):
    u.waiting()
    u.ever, u.age, u.uptime = 1, 50000 + t, 600 + t


def age_is_uptime(u, t):
    u.waiting()
    u.ever, u.age, u.uptime = 0, 600 + t, 600 + t


def age_never_moves(u, t):
    u.waiting()
    u.age = 0


def too_early(u, t):
    u.waiting()
    u.a2, u.uptime, u.age = BLOCKED, 12 + t, 12 + t


def silent_too_soon(u, t):
    u.waiting()
    u.uptime, u.age = 14 + t, NEVER


def silent_but_no_flag(u, t):
    u.waiting()
    u.a2, u.uptime, u.age = BLOCKED, 3600 + t, NEVER


def serves_unheard(u, t):
    u.in_service(t)
    u.ever, u.age, u.inverter_beat = 0, NEVER, 0


def counter_stands(u, t):
    u.in_service(t)
    u.inverter_beat = 77


def ever_zero_but_age(u, t):
    u.waiting()
    u.ever, u.age, u.uptime = 0, 200 + t, 90000 + t


case("hv flag down, age far beyond the silence time", world=hv(flag_down_age_old), kinds={"undecided"}, truth="open", root=(), point="2 R6",
    does="in service by its flag, age 900 s and rising, silence time 45 s, counter still",
    field=ONE_BIT,
    checks=(says(r"\b9\d\d s|\b9\d\d\b"),))
case("hv flag down, age far beyond, 20 A", world=hv(lambda u, t: (flag_down_age_old(u, t), put(current=-20.0, state=HV_RUNNING)(u, t))),
    kinds={"undecided"}, truth="open", point="2 R6",
    does="as before, and 20 A flow",
    field=ONE_BIT)
case("hv flag up, age one second", world=hv(flag_up_age_young), kinds={"undecided"}, truth="open", root=(), point="2 R6",
    does="flag up, age 0 to 1 s, the inverter's counter runs",
    field=ONE_BIT,
    checks=(NO_SPAN,))
case("hv flag up, age one second, rtu-tcp", link="rtu-tcp", world=hv(flag_up_age_young), kinds={"undecided"}, truth="open", root=(),
    point="2 R6",
    does="as before on a fast link",
    field=ONE_BIT,
    checks=(NO_SPAN,))
case("hv age beyond uptime", world=hv(age_beyond_uptime), kinds={"undecided", "awaiting-inverter"}, truth="open", root=(), point="2 R6",
    does="age 50000 s with an uptime of 600 s, ever heard",
    field="Nothing fell silent before the unit was on.",
    checks=(never_says("fell silent 5|until 5\\d{4}"),),
    argue="the number is a leftover from before the restart: never heard since, or a doubt; lost it can't be called")
case("hv age equals uptime", world=hv(age_is_uptime), kinds={"awaiting-inverter"}, root=(), point="2 R6",
    does="age and uptime both 600 s, never heard",
    field="An age that equals the uptime means never heard, and is no contradiction.",
    checks=(never_says("fell silent|heard its inverter until"),))
case("hv age always 0, flag up", world=hv(age_never_moves), kinds={"awaiting-inverter", "undecided"}, root=(), point="R6",
    does="age 0 in every answer, flag up, never heard",
    field="An age that is always 0 is not implemented, and no number.",
    argue="not implemented is what it most often is; the doubt is lawful for as long as three unequal reads take",
    checks=(NO_SPAN,))
case("hv age at 32767", world=hv(lambda u, t: (u.lost(t), put(age=32767)(u, t))), kinds={"inverter-lost"}, root=(), point="R6",
    does="age stands at 32767, heard before",
    field="A value unmoving at its type's maximum means: at least so long.",
    checks=(never_says("silent 32767 s ago|until 32767 s ago"),))
case("hv too early", world=hv(too_early), kinds={"undecided"}, truth="open", root=(),
    does="up for 12 s, silence time 45 s, flag still down",
    field="Too early is not fine: before the silence time nothing is proven.",
    checks=(first_step("wait"),))
case("hv silent flag before the silence time", world=hv(silent_too_soon), kinds={"undecided", "awaiting-inverter"}, root=(),
    does="up for 14 s, flag already up",
    field="A flag that comes before its time contradicts the map.",
    argue="the unit says what it says; the time in the map may be the wrong number")
case("hv silent for an hour, flag down", world=hv(silent_but_no_flag), kinds={"undecided"}, truth="open", root=None,
    does="up for an hour, waiting, never heard, yet the flag stays down",
    field="The flag should be up by now: something else keeps the unit from starting.")
case("hv in service, never heard", world=hv(serves_unheard), kinds={"undecided"}, truth="open", root=(), point="2",
    does="switches closed, flag down, yet never heard since power-up",
    field=ONE_BIT)
case("hv counter never seen moving", world=hv(counter_stands), kinds={"normal", "undecided"}, root=(), point="R6",
    does="in service, age 0 to 1 s, the inverter's counter stands at 77",
    field="A counter that was never seen moving is no evidence.",
    argue="harmless doubt")
case("hv never heard, yet an age", world=hv(ever_zero_but_age), kinds={"undecided", "awaiting-inverter", "inverter-lost"}, root=(),
    point="R6",
    does="never heard by one point, 200 s by the other, up for a day",
    field="Where points tell different stories, say that it is unknown.",
    argue="all of these say silent, none hides a fault")
case("hv we sit in its socket", world=hv(lambda u, t: u.lost(t)), args=("--plugged", "instead-of-inverter"), kinds={"awaiting-inverter"},
    root=(),
    does="heard before, silent since the laptop took the socket",
    field="If the laptop sits in the inverter's socket, the inverter was silenced by us.",
    checks=(says("socket"),))
case("hv we sit in its socket, insulation low", world=hv(lambda u, t: (u.lost(t), put(insulation=42)(u, t))),
    args=("--plugged", "instead-of-inverter"), kinds={"fault"}, truth="fault", root="insulation-low",
    does="as before, 42 kOhm",
    field="Silenced by us explains the silence, and nothing else.")


def heard_asking_in_vain():
    device = Hv(lambda u, t: u.waiting())
    world = World({1: device}, from_launch=True)
    world.greet = inverter_on_the_pair(1, device, HV_ALL, 2.0)
    return world


def heard_asking_another():
    device = Hv(lambda u, t: u.waiting())
    world = World({1: device}, from_launch=True)
    world.greet = inverter_on_the_pair(7, None, [(4, 0, 10)], 1.0)
    return world


def overheard_fault(u, t):
    u.in_service(t, -10)
    u.insulation = 42


def overheard_hot(u, t):
    u.in_service(t, -10)
    u.temps[1] = [61.0] * 8


case("hv asked by its inverter and says it hears none", link="rtu-tcp", world=heard_asking_in_vain,
    kinds={"undecided", "awaiting-inverter"}, truth="sound", root=(),
    does="somebody reads everything every two seconds, nothing is written, flag up",
    field="The unit is asked and does not count it: its supervision wants something else, or its receiver is broken.",
    argue="reads are no sign of life by this map")
case("hv the inverter asks another address", link="rtu-tcp", world=heard_asking_another,
    kinds={"undecided", "bus-problem", "awaiting-inverter"}, truth="sound", root=(), point="9",
    does="somebody asks address 7 on this pair and gets no answer",
    field="An inverter that asks another address: settings on its screen.",
    checks=(says(r"\b7\b"),),
    argue="where nothing was asked nothing is known of the unit; that it asks 7 is what matters")
case("hv overheard, insulation low", link="rtu-tcp", world=overheard_hv(overheard_fault), kinds={"fault"}, truth="fault",
    root="insulation-low", point="9",
    does="42 kOhm in an inverter's own conversation",
    field="Read the battery's state from the overheard conversation: a fault is one there as well.",
    checks=(("not one question was asked", lambda r: r["_asked"] == 0),))
case("hv overheard, 61 °C", link="pty", world=overheard_hv(overheard_hot), kinds={"fault"}, truth="fault",
    root=("over-temperature", "temperature-imbalance"), point="9",
    does="a module at 61 °C in an inverter's own conversation",
    field="Read the battery's state from the overheard conversation.",
    checks=(("not one question was asked", lambda r: r["_asked"] == 0),))
case("hv overheard, only the alarm words are asked for", link="rtu-tcp",
    world=overheard_hv(lambda u, t: u.in_service(t), reads=[(4, 0, 12)]), kinds={"undecided"}, truth="open", root=(), point="9",
    does="the inverter reads state and alarms, never cells",
    field="What nobody asked for was not read: that is no zero.")
case("hv consent to ask beside the inverter", link="rtu-tcp", beside=True, world=overheard_hv(lambda u, t: u.in_service(t), period=3.0),
    kinds={"normal", "undecided"}, root=(), point="9",
    does="its inverter talks, and we were told to ask all the same",
    field="Two clients on one pair may damage each other; with the word for it we ask, and say so.",
    argue="two ask at once: an open verdict is as right")

for name, change, root in (("hot", lambda u, t: u.set_temps(61), ("over-temperature",)), ("below minimum", lambda u, t: u.cells.__setitem__(5, 1.9), ("cell-below-minimum",))):
    case(f"lv overheard without any consent, {name}", map=LV_MAP, link="rtu-tcp", wake=False, kinds={"fault"}, truth="fault", root=root,
        point="9", world=overheard_lv(lambda u, t, change=change: (u.in_service(t, 6.0), change(u, t))),
        does=f"its inverter reads everything every two seconds, {name}; no consent was given",
        field="Listening needs no consent: an overheard conversation is judged, not thrown away.",
        checks=(("not one question was asked", lambda r: r["_asked"] == 0),))
