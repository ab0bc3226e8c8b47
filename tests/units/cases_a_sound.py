"""Units that are sound: normal, waiting, lost, not ready. Without these "right kind" would mean nothing."""
from case import case, first_step, never_says, no_step, untested
from habits import inverter_on_the_pair, one_at_a_time
from images import *
from wire import World

LV_MAP = "generic-lv-rack"
NOT_YET = r"pre-?charge"


def hv(script=None, habits=(), **values):
    return lambda: World({1: Hv(script, **values)}, habits)


def lv(script, packs=1, habits=(), delay=0.02, **values):
    def make():
        return World({1 + n: Lv(script, packs=packs, serial=f"TR26-00{n + 1}", **values) for n in range(packs)}, habits, delay=delay)
    return make


def waiting(u, t):
    u.waiting()


def standby(u, t):
    u.in_service(t)


def charging(u, t):
    u.in_service(t, 12.5)


def discharging(u, t):
    u.in_service(t, -20.0)


def lost(u, t):
    u.lost(t)


def lv_waiting(u, t):
    u.waiting(t)


def lv_service(u, t):
    u.in_service(t, 6.0)


for n, link in [(2, "tcp"), (3, "rtu-tcp"), (5, "pty"), (6, "tcp")]:
    case(f"hv waits, {n} modules, {link}", link=link, world=hv(waiting, modules=n), kinds="awaiting-inverter", root=(),
         does="powered up without an inverter ten minutes ago, flag and its consequences up",
         field="A unit powered up before the inverter talks to it raises its lamp although nothing is broken.",
         checks=(untested(NOT_YET), untested("main-switch"), untested("fuse")))
for n, link in [(2, "tcp"), (3, "rtu-tcp"), (5, "pty")]:
    case(f"hv stands by, {n} modules, {link}", link=link, world=hv(standby, modules=n), root=(),
         kinds="normal" if link == "tcp" else {"normal", "undecided"},
         does="switches closed, inverter heard every second, no current",
         field="Everything required read, nothing wrong, the inverter heard: that is normal.",
         argue="on the pair itself nobody was overheard, though the map says that the inverter talks there: some would want to know why")
case("hv charges 12.5 A", world=hv(charging), kinds="normal", root=(), does="charges with 12.5 A at 21 °C",
     field="A small charge with the cells inside the charge window is the last step of a good start.")
case("hv discharges 20 A", world=hv(discharging), kinds="normal", root=(), does="discharges with 20 A",
     field="A small discharge, the sign right and the spread small, is normal service.")
for link in ("tcp", "rtu-tcp", "pty"):
    case(f"hv lost its inverter, {link}", link=link, world=hv(lost), kinds="inverter-lost", root=(),
        does="heard it before, silent for 5 minutes",
        field="Heard, then lost is another job than never heard: a cable, or the inverter restarted.",
        checks=(no_step("set-apart|quarantine"),))


# ---- healthy, though a hasty rule would call it broken
def coarse(u, t):
    u.waiting()
    u.cells = [[3.30] * 30 for _ in range(u.modules)]
    u.temps = [[20.0] * 8 for _ in range(u.modules)]
    u.charge = 55


def full(u, t):
    u.in_service(t)
    u.set_cells(3.45)
    u.soc, u.module_soc = 99.0, [99] * u.modules


def heartbeat_wraps(u, t):
    u.waiting()
    u.beat = (65533 + int(t)) & 0xFFFF


def uptime_wraps(u, t):
    u.in_service(t)
    u.uptime = (0xFFFFFFFF - 3 + int(t)) & 0xFFFFFFFF


def warm(u, t):
    u.in_service(t, -20)
    u.set_temps(44.0)


def balancing(u, t):
    u.in_service(t)
    u.warn, u.balancing = WARN["balancing"], [5] * u.modules


def derating(u, t):
    u.in_service(t, -10)
    u.warn, u.charge_limit, u.discharge_limit = WARN["derating"], 20, 20


def age_at_its_end(u, t):
    u.lost(t)
    u.age = 65534


def inrush(u, t):
    u.in_service(t, -115 if t < 1 else -8)


case("hv waits, all cells and sensors alike", world=hv(coarse), kinds="awaiting-inverter", root=(), point="R5",
    does="every cell 3.300 V, every sensor 20.0 °C",
    field="Equal cells or temperatures alone prove nothing: at rest a sound stack reads alike.")
case("hv nearly full", world=hv(full), kinds="normal", root=(),
    does="cells at 3.45 V, 99 %",
    field="A full battery below its limits is sound.")
case("hv own counter wraps", world=hv(heartbeat_wraps), kinds="awaiting-inverter", root=(), point="R7",
     does="the 16-bit counter passes 65535 during the look", field="A counter that wraps has moved.")
case("hv uptime wraps", world=hv(uptime_wraps), kinds={"normal", "undecided"}, root=(), point="R6",
    does="uptime passes the end of its 32 bits during the look",
    field="Uptime falling from the end of its range is a wrap and no restart.",
    argue="a tool that wants one more look before it believes a wrap does no harm")
case("hv warm, discharging", world=hv(warm), kinds="normal", root=(),
    does="44 °C under 20 A, below warning",
    field="Warm under load and inside its limits is normal.")
case("hv balances", world=hv(balancing), kinds="normal", root=(),
    does="balancing status, a few cells",
    field="Balancing is a status, no fault.")
case("hv derates", world=hv(derating), kinds="normal", root=(),
    does="limits reduced, status says so",
    field="Reduced limits are a status, no fault.")
case("hv age at the end of its type", world=hv(age_at_its_end), kinds="inverter-lost", root=(), point="R6",
     does="age stands at 65534, heard before", field="An age that stands at its type's maximum means: at least so long.",
     checks=(never_says(r"silent 65534 s ago|until 65534 s ago"),))


# ---- not ready: a condition or a person
def cold(u, t):
    u.waiting()
    u.set_temps(-13.0)
    u.a1 |= A1["cold"]


def cold_no_flag(u, t):
    u.waiting()
    u.set_temps(-13.0)


def door(u, t):
    u.waiting()
    u.a2 |= A2["door-open"]


def off_button(u, t):
    u.waiting()
    u.state, u.a2 = HV_OFF, BLOCKED | A2["off-button"]


def maintenance(u, t):
    u.waiting()
    u.state, u.a2, u.ever, u.age = HV_MAINTENANCE, BLOCKED | A2["maintenance"], 1, 1


def empty(u, t):
    u.waiting()
    u.set_cells(2.72)
    u.soc, u.module_soc = 2.0, [2] * u.modules
    u.a1 |= A1["cell-low"]
    u.a2 |= A2["charge-low"]


def low_charge(u, t):
    u.waiting()
    u.set_cells(3.0)
    u.soc, u.module_soc = 4.0, [4] * u.modules
    u.a2 |= A2["charge-low"]


case("hv cold, flagged", world=hv(cold), kinds="not-ready", root="under-temperature", does="-13 °C everywhere, flag up, waits",
     field="A cold pack is a condition, not a defect.", checks=(never_says(r"put a heater|heat it"),))
case("hv cold, no flag", world=hv(cold_no_flag), kinds="not-ready", root="under-temperature", does="-13 °C everywhere, no flag",
     field="Every number is judged against its limit, whatever the flags say; cold is a condition.")
case("hv door open", world=hv(door), kinds="not-ready", root="door-open", does="door flag", field="An open door is a condition.")
case("hv off button", world=hv(off_button), kinds="not-ready", root="off-button", point="13",
    does="off button pressed, state off",
    field="Find who pressed it and why before anybody switches it on.",
    checks=(first_step(r"who|person|ask"), never_says(r"switch it on\b(?! again by)")))
case("hv maintenance", world=hv(maintenance), kinds="not-ready", root="maintenance", point="13", does="switched to maintenance",
     field="Somebody may be working on it: find the person.", checks=(first_step(r"who|person|ask"),))
case("hv empty, all cells alike", world=hv(empty), kinds="not-ready", root=("cell-under-voltage", "low-charge"), point="R8",
    does="all cells 2.72 V, 2 %, flags up, switches open",
    field="An empty pack above its absolute minimum, its cells alike, is a condition.",
    checks=(never_says(r"improvised|any charger"),))
case("hv charge low", world=hv(low_charge), kinds="not-ready", root="low-charge", point="R8", does="4 %, cells 3.00 V, flag up",
     field="Too little charge to run is a condition.")

# ---- the rack
for packs, link in [(1, "tcp"), (2, "rtu-tcp"), (3, "pty"), (4, "tcp")]:
    case(f"lv waits, {packs} packs, {link}", map=LV_MAP, link=link, world=lv(lv_waiting, packs, drops_after=60), kinds="awaiting-inverter",
        root=(),
        does="live terminals, code of the silent inverter in every pack; it goes only a minute after our first question",
        field="After the silence time a 48 V pack shows its code for the silent inverter although nothing is broken.",
        checks=(untested("current-sensor"),))
case("lv waits, our question puts the code out", map=LV_MAP, link="pty", world=lv(lv_waiting, 1), kinds={"awaiting-inverter", "undecided"},
    root=(),
    does="the code falls a second after our first question",
    field="Our own questions can be taken for the inverter: what they brought about is no inverter.",
    argue="the code seen up once, then fallen after only our questions, is silent; a look that never saw it up can't tell")
case("lv in service behind Modbus TCP", map=LV_MAP, world=lv(lv_service, 2), kinds={"undecided"}, root=(),
     does="active with 6 A a pack, age a second, yet every question counts as the inverter",
     field="Where any question counts, our own may have put the flag down: whether the inverter is heard is unknown.",
     checks=(first_step(r"listen|lamp|inverter|look"),))


def lv_empty(u, t):
    u.waiting(t)
    u.set_cells(2.9)
    u.soc, u.code = 3, CODE["charge-low"]


def lv_cold(u, t):
    u.waiting(t)
    u.set_temps(-14.0)
    u.code = CODE["cold"]


def lv_maintenance(u, t):
    u.waiting(t)
    u.state, u.code, u.switches, u.terminals, u.notes = LV_SERVICE, 0, 0, 0.0, NOTE["switches-open"] | NOTE["limits-zero"]


case("lv charge low", map=LV_MAP, world=lv(lv_empty), kinds={"not-ready"}, root=("low-charge", "cell-under-voltage"), point="R8",
     does="3 %, cells 2.90 V, code 71", field="Too little charge to run is a condition.")
case("lv cold", map=LV_MAP, world=lv(lv_cold), kinds={"not-ready", "undecided"}, root="under-temperature",
    does="-14 °C, the code for cold, which outranks only low charge and the inverter",
    field="A cold pack is a condition; what one code hides has to be measured.",
    argue="cold hides nothing that no number shows except low charge and the inverter; the switches are closed, which a cold pack should not have")
case("lv in service mode", map=LV_MAP, world=lv(lv_maintenance), kinds={"not-ready", "undecided"}, root=None, point="13",
     does="state service, switches open, terminals dead", field="Service mode: somebody switched it, find the person.",
     argue="no flag of this map says it, only the state", checks=(first_step(r"who|person|ask|look|listen|lamp"),))


# ---- overheard: the whole conversation of an inverter, nothing asked
HV_ALL = [(3, 0, 28), (3, 64, 30), (4, 0, 30), (4, 64, 48), (4, 112, 48), (4, 160, 48)]
LV_ALL = [(3, 100, 20), (4, 0, 23), (4, 32, 20)]


def overheard_hv(script, period=2.0, reads=HV_ALL):
    def make():
        device = Hv(script)
        world = World({1: device}, from_launch=True)
        world.greet = inverter_on_the_pair(1, device, reads, period, writes=(0, [1, 2]))
        return world
    return make


def overheard_lv(script, period=2.0):
    def make():
        device = Lv(script, serial="TR26-001")
        world = World({1: device}, from_launch=True)
        world.greet = inverter_on_the_pair(1, device, LV_ALL, period)
        return world
    return make


for link in ("rtu-tcp", "pty"):
    case(f"hv overheard in service, {link}", link=link, world=overheard_hv(charging), kinds={"normal", "undecided"}, root=(), point="9",
        does="its inverter reads everything and writes every two seconds",
        field="Where somebody else asks, do not ask: read the battery from the overheard conversation.",
        checks=(("not one question was asked", lambda r: r["_asked"] == 0),),
        argue="how long is long enough to have heard all is the tool's to choose")
    case(f"lv overheard in service, {link}", map=LV_MAP, link=link, world=overheard_lv(lv_service), kinds={"normal", "undecided"}, root=(),
        point="9", wake=True,
        does="its inverter reads everything every two seconds; consent to wake was given, none to ask beside it",
        field="Consent that asking may wake the unit is no consent to ask into somebody's conversation.",
        checks=(("not one byte was sent into it", lambda r: r["_asked"] == 0),),
        argue="as above")
case("lv overheard, no consent at all", map=LV_MAP, link="rtu-tcp", world=overheard_lv(lv_service), kinds={"normal", "undecided"}, root=(),
    point="9", wake=False,
    does="its inverter reads everything every two seconds; no consent was given",
    field="Listening needs no consent: an overheard conversation is judged, not thrown away.",
    checks=(("not one byte was sent into it", lambda r: r["_asked"] == 0),),
    argue="as above")
case("hv behind a slow line", world=hv(waiting, habits=[one_at_a_time(0.35)]), kinds="awaiting-inverter", root=(),
    does="each answer takes 0.35 s, one after the other",
    field="A slow gateway line is no fault of the battery.")
