"""What the thirteen points name and no other table shows: a pre-charge that does not end, a step that stops the inverter and says that it
is a deed, a reversed module in the very first sentence, a pause between questions.

Each was written before it was run.
"""
from case import POWER_CYCLE, ZERO_AMPS, a_step, case, headline_says, no_step, not_proven, paced, says
from cases_a_sound import hv, waiting
from cases_c_measured import hv_run, hv_wait, put
from cases_c_measured import reversed_module
from cases_h_maps import HV, changed
from cases_i_watch import NOT_CLEAN, from_on, seen
from habits import caches
from images import *

PRECHARGE = "A pre-charge takes 0.1 to 2 s. One that is still on after half a minute has failed: a fault, and no moment to wait for."
for link, volts in (("tcp", 280.0), ("rtu-tcp", 140.0)):
    seen(f"a pre-charge of half a minute has failed, {link}",
        from_on(6, waiting, lambda u, t, volts=volts: put(state=HV_PRECHARGE, switches=6, a2=0, ever=1, age=int(t) % 2, inverter_beat=int(t),
                                                          terminals=volts)(u, t)),
        "fault", f"state pre-charge from 6 s on, terminals stay at {volts:.0f} V of 294", PRECHARGE, 45, link=link, point="3",
        root="precharge-failed", during=((22, 99, NOT_CLEAN),))



def slow_precharge(u, t):
    if t < 18:
        from_on(6, waiting, put(state=HV_PRECHARGE, switches=6, a2=0, ever=1, age=0, terminals=200.0))(u, t)
    else:
        u.in_service(t)
        u.uptime = 600 + t


seen("a slow pre-charge, then in service", slow_precharge, NOT_CLEAN, "pre-charge from 6 to 18 s, then the switches close",
    "What lasted far too long once is not forgotten when it ends.", 40, link="rtu-tcp", truth="open", point="1 3", during=((16, 99, NOT_CLEAN),))
case("hv cell 3.72 V under charge, the stop is a deed", world=hv(hv_run(lambda u, t: u.cells[0].__setitem__(4, 3.72), 12.5)), kinds="fault",
    truth="fault", root="cell-over-voltage", point="12 13", does="cell 3.72 V under 12.5 A of charge",
    field="Whoever stops an inverter operates it: the step is there, and it is not called a look.",
    checks=(a_step(ZERO_AMPS, "operate"),))
case("hv module reversed, in the first sentence", world=hv(reversed_module), kinds="fault", truth="fault", point="12 14",
    does="pack 98 V where three modules of 98 V add up to 294 V",
    field="A module that takes its voltage away twice is wired the wrong way round: that is the first thing to know.",
    checks=(headline_says(r"revers|polarity|wrong way"),))
case("hv cell 1.90 V, its flag clears by a restart", kinds="fault", truth="fault", root="cell-below-minimum", point="13",
    world=hv(hv_wait(lambda u, t: (u.cells[1].__setitem__(4, 1.90), setattr(u, "a1", A1["cell-low"] | A1["modules-unheard"])))),
    does="cell 1.90 V, the flags for a low cell and for the internal link up",
    field="After a cell below its minimum no restart is offered, which could charge it.",
    checks=(no_step(POWER_CYCLE),))

PAUSED = changed(HV, r"^(time_out_ms = 600)$", r"\1\npause_ms = 400", 1)
for link in ("pty", "rtu-tcp"):
    case(f"hv waits, and wants a pause of 400 ms, {link}", map=PAUSED, link=link, world=hv(waiting), kinds="awaiting-inverter", root=(), point="8",
        does="the map says that the unit wants 400 ms of quiet before the next question",
        field="Some units miss a question that follows too soon: the map says how long to wait.",
        checks=(paced(0.4),))

# ---- what is live DC, and what a memory proves
LIVE = "Cells can't be switched off: whoever works at the fuse, the pre-charge or the cables between modules works on live DC."
for flag, word, root, about in (
        ("a2", A2["fuse-open"], "fuse-open", r"fuse"),
        ("a2", A2["pre-charge-failed"], "precharge-failed", r"fuse|resistor"),
        ("a1", A1["modules-unheard"], "internal-communication", r"link|cable|connector")):
    case(f"hv {root} by its flag, work on live DC", world=hv(hv_wait(lambda u, t, flag=flag, word=word: setattr(u, flag, getattr(u, flag) | word))),
        kinds="fault", truth="fault", root=root, point="12", does=f"the flag for {root} is up", field=LIVE, checks=(a_step(about, "live-dc"),))
COPY = "Two answers of a memory are one sample: they prove nothing, and every value beside them is marked as old."
for name, change, root in (("insulation 42 kOhm", put(insulation=42), "insulation-low"),
                           ("cell 3.72 V", lambda u, t: u.cells[1].__setitem__(4, 3.72), "cell-over-voltage")):
    case(f"hv {name} in a gateway's memory is not proven", world=hv(hv_wait(change), habits=[caches()]), kinds={"fault", "undecided"}, truth="fault",
        point="R1 R7", long=40, does=f"{name}, and the gateway repeats what it has", field=COPY, checks=(not_proven(), says("memory|old")))
