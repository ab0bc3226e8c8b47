"""Bad lines, gateways, wrong settings. No answer says nothing about the battery, and what the line does is no fault of the map."""
import re
import struct

from case import all_said, case, kind_of, first_says, never_says, no_step, says
from cases_a_sound import HV_ALL, LV_MAP, hv, lv, lv_waiting, standby, waiting
from cases_c_measured import hv_run, hv_wait, put
from habits import *
from images import *
from wire import World

MAP_BLAMED = r"right-profile|(profile|map|firmware)[^.]{0,40}(does not|do not|doesn't|don't) fit"
LINE_FIRST = "Where the line is bad the first reason and the first step are about the line; that map or firmware do not fit is said only from clean answers."
NOTHING_KNOWN = "No answer on the wire says nothing at all about the battery."
NOT_THE_MAP = (no_step("right-profile"), never_says(MAP_BLAMED))


def greeted(script, greet, habits=()):
    def make():
        world = World({1: Hv(script)}, habits, from_launch=True)
        world.greet = greet
        return world
    return make


case("line: port refuses", link="nobody", world=hv(waiting), kinds={"bus-problem"}, truth="line", root=(),
    does="nobody listens at the gateway's port",
    field=NOTHING_KNOWN)
for link in ("tcp", "rtu-tcp", "pty"):
    case(f"line: silence, {link}", link=link, world=hv(waiting, habits=[silent]), kinds={"bus-problem"}, truth="line", root=(),
        does="takes every question, answers none",
        field=NOTHING_KNOWN,
        checks=NOT_THE_MAP)
    case(f"line: noise for answers, {link}", link=link, world=hv(waiting, habits=[garbage_only()]), kinds={"bus-problem", "undecided"},
        truth="line", root=(), point="7",
        does="bytes that make no frame come back for each question",
        field=LINE_FIRST,
        checks=NOT_THE_MAP)
case("line: noise at rest", link="pty", world=greeted(waiting, noise_on_the_pair(), [silent]), kinds={"bus-problem"}, truth="line", root=(),
    point="7",
    does="bytes that make no frame come all the time, no answers",
    field=LINE_FIRST,
    checks=NOT_THE_MAP)
case("line: inverted noise at rest", link="pty", world=greeted(waiting, noise_on_the_pair(kind=(0x7F, 0xFE, 0xFF, 0xFF)), [silent]),
    kinds={"bus-problem"}, truth="line", root=(), point="7",
    does="bytes rich in 7F, FE and FF, no answers",
    field="A swapped pair gives silence, or bursts of garbage rich in 7F, FE, FF.",
    checks=NOT_THE_MAP)
case("line: readable text", link="pty", world=greeted(waiting, noise_on_the_pair(period=0.1, kind=b"temp 21C ok\r\n"), [silent]),
    kinds={"bus-problem"}, truth="line", root=(),
    does="printable text all the time",
    field="Printable text is another protocol.",
    checks=NOT_THE_MAP)
for code, name, link in [(6, "busy", "tcp"), (6, "busy", "pty"), (5, "still working", "tcp")]:
    case(f"line: {name} to everything, {link}", link=link, world=hv(waiting, habits=[refuses(code)]), kinds={"bus-problem", "undecided"},
        truth="line", root=(), point="7",
        does=f"exception 0{code} to every question",
        field="All refused as busy: the unit is busy, wait.",
        checks=(first_says("busy"), *NOT_THE_MAP))
case("line: 0A to everything", world=hv(waiting, habits=[refuses(10)]), kinds={"bus-problem"}, truth="line", root=(),
    does="exception 0A to every question",
    field="0A is the gateway's path: misconfigured or overloaded.",
    checks=(says("gateway"), *NOT_THE_MAP))
case("line: 0B to everything", world=hv(waiting, habits=[refuses(11)]), kinds={"bus-problem"}, truth="line", root=(),
    does="exception 0B to every question",
    field="0B: the gateway works, the unit behind it is silent.",
    checks=(says("behind|serial"), *NOT_THE_MAP))
case("line: 02 to everything", world=hv(waiting, habits=[refuses(2)]), kinds={"undecided", "bus-problem"}, truth="open", root=(),
    does="exception 02 to every question",
    field="Exceptions on registers that exist elsewhere: not configured, another unit, or another map.")
case("line: 04 to everything", world=hv(waiting, habits=[refuses(4)]), kinds={"undecided", "bus-problem"}, truth="open", root=(),
    does="exception 04 to every question",
    field="Any other exception proves that something answers, and nothing about the battery.")
case("line: busy for six seconds", world=hv(waiting, habits=[refuses(6, 0, 6)]), kinds={"awaiting-inverter", "undecided", "bus-problem"},
    truth="sound", root=(), point="7",
    does="exception 06 for six seconds, then sound answers",
    field="Busy: wait, then ask again.",
    checks=NOT_THE_MAP,
    argue="how long to wait is the tool's to choose")
case("line: 15 % damaged, pty", link="pty", world=hv(waiting, habits=[damages(0.15)]), kinds={"awaiting-inverter", "undecided"},
    truth="sound", root=(), point="7",
    does="every seventh answer is damaged",
    field="Inverter noise damages frames; retries help.",
    checks=NOT_THE_MAP,
    argue="where answers get lost an open verdict is right")
case("line: 50 % damaged, rtu-tcp", link="rtu-tcp", world=hv(waiting, habits=[damages(0.5)]),
    kinds={"awaiting-inverter", "undecided", "bus-problem"}, truth="sound", root=(), point="7",
    does="every second answer is damaged",
    field=LINE_FIRST,
    checks=(says("damag|line|unreliable"), *NOT_THE_MAP),
    argue="where answers get lost an open verdict is right")
case("line: all damaged, pty", link="pty", world=hv(waiting, habits=[damages(1.0)]), kinds={"bus-problem"}, truth="line", root=(),
    point="7",
    does="no answer passes its check",
    field=LINE_FIRST,
    checks=NOT_THE_MAP)
case("line: first byte damaged, pty", link="pty", world=hv(waiting, habits=[damages(0.7, at_front=True)]),
    kinds={"awaiting-inverter", "undecided", "bus-problem"}, truth="sound", root=(), point="7",
    does="seven of ten answers have a damaged first byte",
    field="A missing common wire damages the first bytes after a driver takes the line.",
    checks=(first_says("damag|line|wire|common|unreliable|byte"), *NOT_THE_MAP),
    argue="where answers get lost an open verdict is right")
case("line: 30 % damaged hides no fault", link="pty", world=hv(hv_wait(put(insulation=42)), habits=[damages(0.3)]),
    kinds={"fault", "undecided"}, truth="fault",
    does="42 kOhm, every third answer damaged",
    field="A bad line beside a bad battery: both are told, the battery is never cleared.",
    argue="where answers get lost an open verdict is right")
case("line: 30 % lost, tcp", world=hv(waiting, habits=[loses(0.3)]), kinds={"awaiting-inverter", "undecided"}, truth="sound", root=(),
    does="three of ten answers never come",
    field="Retries help; what was never read is not zero.",
    checks=NOT_THE_MAP,
    argue="where answers get lost an open verdict is right")
case("line: 40 % lost hides no fault", world=hv(hv_run(put(insulation=42)), habits=[loses(0.4)]), kinds={"fault", "undecided"},
    truth="fault",
    does="42 kOhm, four of ten answers never come",
    field="What was never read is not zero.",
    argue="where answers get lost an open verdict is right")
SLOW_SAID = ("says that it is slow, where it did not wait for it", lambda r: kind_of(r) == "awaiting-inverter" or re.search(r"slow|later than|after the time-out|--time-out", all_said(r)) is not None)
SLOW = "A slow unit gives the right answer after the time-out: wait longer, never take it for the answer to the next question."
for link in ("tcp", "pty"):
    case(f"line: 900 ms, time-out 2 s, {link}", link=link, world=hv(waiting, habits=[slow(0.9)]), args=("--time-out", "2000"),
        kinds={"awaiting-inverter"}, truth="sound", root=(), point="8",
        does="every answer after 0.9 s, the map says 0.6",
        field=SLOW)
    case(f"line: 900 ms, nothing said, {link}", link=link, world=hv(waiting, habits=[slow(0.9)]),
        kinds={"awaiting-inverter", "undecided", "bus-problem"}, truth="sound", root=(), point="8",
        does="every answer after 0.9 s, the map says 0.6",
        field=SLOW,
        checks=(SLOW_SAID, no_step("packside find"), *NOT_THE_MAP),
        argue="without a longer time-out an open verdict is right, if it says that the unit is slow")
case("line: 900 ms, time-out 2 s, fault", world=hv(hv_wait(put(insulation=42)), habits=[slow(0.9)]), args=("--time-out", "2000"),
    kinds={"fault"}, truth="fault", root="insulation-low", point="8",
    does="42 kOhm, every answer after 0.9 s",
    field=SLOW)
case("line: 900 ms rack, time-out 2 s", map=LV_MAP, link="rtu-tcp", world=lv(lv_waiting, 2, [slow(0.9)], drops_after=600),
    args=("--time-out", "2000"), kinds={"awaiting-inverter"}, truth="sound", root=(), point="8",
    does="two packs, every answer after 0.9 s",
    field=SLOW)
case("line: one answer in three late", link="rtu-tcp", world=hv(waiting, habits=[slow_sometimes(1.1, 3)]),
    kinds={"awaiting-inverter", "undecided"}, truth="sound", root=(), point="8",
    does="every third answer comes after 1.1 s",
    field="A late answer is never the answer to the next question.",
    checks=NOT_THE_MAP,
    argue="where answers get lost an open verdict is right")
GONE = "Link gone: said at once, values marked old, never a clean verdict from before the loss."
for link in ("tcp", "rtu-tcp", "pty"):
    case(f"line: gone in the middle, {link}", link=link, world=hv(waiting, habits=[link_ends_at_question(4)]),
        kinds={"undecided", "bus-problem", "refused"}, truth="open", root=(), point="7",
        does="the link ends instead of the fourth answer", field=GONE, checks=NOT_THE_MAP)
    case(f"line: silent from the middle, {link}", link=link, world=hv(waiting, habits=[silent_from_question(4)]),
        kinds={"undecided", "bus-problem"}, truth="open", root=(), point="7",
        does="no answer from the fourth question on", field=GONE, checks=NOT_THE_MAP)
case("line: silent from the sixth question", link="rtu-tcp", world=hv(waiting, habits=[silent_from_question(6)]),
    kinds={"undecided", "bus-problem"}, truth="open", root=(), point="7",
    does="no answer from the sixth question on",
    field=GONE,
    checks=NOT_THE_MAP)


def other_serial(ask, pdu):
    """The same answer of another unit: its serial number differs where it is asked for, elsewhere the uptime."""
    if len(pdu) > 30 and b"TB26-" in pdu:
        return pdu.replace(b"TB26-", b"XX99-")
    return pdu


def other_uptime(ask, pdu):
    function, first = pdu[0], struct.unpack(">H", ask.pdu[1:3])[0]
    if function == 4 and first <= 10 and len(pdu) > 2 + 2 * (11 - first):
        at = 2 + 2 * (10 - first)
        return pdu[:at] + struct.pack(">H", 7) + pdu[at + 2:]
    return pdu


def next_beat(ask, pdu):
    function, first = pdu[0], struct.unpack(">H", ask.pdu[1:3])[0]
    if function == 4 and first <= 9 and len(pdu) > 2 + 2 * (10 - first):
        at = 2 + 2 * (9 - first)
        return pdu[:at] + struct.pack(">H", struct.unpack(">H", pdu[at:at + 2])[0] + 1) + pdu[at + 2:]
    return pdu


TWICE = "One question answered twice with another identity: two units, or a gateway that mixes them up; no number of either is trusted."
case("line: answered twice, another serial number", world=hv(waiting, habits=[twice(other_serial)]), kinds={"undecided"}, truth="open",
    root=(), point="7 R5",
    does="each answer comes twice, the second time of another unit",
    field=TWICE,
    checks=(says("twice|two units|two answers|another"),))
case("line: answered twice, another uptime", world=hv(waiting, habits=[twice(other_uptime)]), kinds={"undecided"}, truth="open", root=(),
    point="7 R5",
    does="each answer comes twice, with uptimes that differ by minutes",
    field=TWICE,
    checks=(says("twice|two units|two answers|another"),))
case("line: answered twice, a late retry", world=hv(waiting, habits=[twice(next_beat)]), kinds={"awaiting-inverter", "undecided"},
    truth="sound", root=(), point="R5",
    does="each answer comes twice, the own counter one further",
    field="A retry that comes late differs lawfully: only identity or uptime contradict.",
    argue="a doubt about the line does no harm")
case("line: answered twice, the same", world=hv(waiting, habits=[twice(lambda ask, pdu: pdu)]), kinds={"awaiting-inverter"}, truth="sound",
    root=(), point="R5",
    does="each answer comes twice, unchanged",
    field="Gateways repeat themselves; the same twice contradicts nothing.")
OTHER = dict(serial="TB26-0999", modules=3)
for link in ("tcp", "rtu-tcp"):
    case(f"line: two units at one address, {link}", link=link,
        world=lambda: World({1: Hv(waiting)}, [two_at_one_address(Hv(lambda u, t: (u.waiting(), put(uptime=9000 + t, beat=40000 + int(t), soc=30.0)(u, t)), **OTHER))]),
        kinds={"undecided"}, truth="open", root=(),
        does="two stacks answer in turn",
        field="Two units that answer in turn: identity and uptime jump; a verdict about another unit is worse than none.",
        checks=(says("two units"),))
case("line: two units at one address, one has a fault",
    world=lambda: World({1: Hv(waiting)}, [two_at_one_address(Hv(lambda u, t: (u.waiting(), put(uptime=9000 + t, insulation=42)(u, t)), **OTHER))]),
    kinds={"undecided", "fault"}, truth="fault",
    does="two stacks answer in turn, one with 42 kOhm",
    field="Two units that answer in turn: a verdict about another unit is worse than none.",
    argue="a fault that was read in one of them is a fault of one of them")
case("line: gateway speaks RTU, asked as Modbus TCP", link="rtu-asked-tcp", world=hv(waiting), kinds={"bus-problem"}, truth="line", root=(),
    does="takes the connection, nothing parses",
    field="Connects, then silence or bytes that do not parse: the framing.",
    checks=(says("framing"),))
case("line: gateway speaks Modbus TCP, asked as RTU", link="tcp-asked-rtu", world=hv(waiting), kinds={"bus-problem"}, truth="line", root=(),
    does="takes the connection, nothing parses",
    field="Connects, then silence or bytes that do not parse: the framing.",
    checks=(says("framing"),))
case("line: gateway writes text between answers", link="rtu-tcp", world=hv(waiting, habits=[gateway_text]),
    kinds={"awaiting-inverter", "undecided"}, truth="sound", root=(),
    does="a line of text before each answer",
    field="What is no frame is passed over.",
    checks=NOT_THE_MAP,
    argue="a doubt about the line does no harm")
case("line: adapter echoes", link="pty", world=hv(waiting, habits=[echoes]), kinds={"awaiting-inverter"}, truth="sound", root=(),
    does="every request comes back first",
    field="An adapter that echoes is no second client.")
case("line: adapter echoes, fault", link="pty", world=hv(hv_wait(put(insulation=42)), habits=[echoes]), kinds={"fault"}, truth="fault",
    root="insulation-low",
    does="every request comes back first, 42 kOhm",
    field="An adapter that echoes hides nothing.")
case("line: wrong address, pty", link="pty", world=lambda: World({3: Hv(waiting)}), kinds={"bus-problem"}, truth="line", root=(),
    does="the unit is at 3, asked is 1",
    field="Wrong address: clean silence.",
    checks=(says("address"),))
case("line: wrong address behind a gateway", world=lambda: World({3: Hv(waiting)}, missing=11), kinds={"bus-problem"}, truth="line",
    root=(),
    does="the unit is at 3, asked is 1, the gateway says 0B",
    field="0B: the unit behind the gateway is silent.",
    checks=(says("address|behind"),))
case("line: wrong address, asked with the right one", world=lambda: World({3: Hv(waiting)}, missing=11), args=("--unit", "3"),
    kinds={"awaiting-inverter"}, truth="sound", root=(),
    does="the unit is at 3, asked is 3",
    field="The address is the user's to give.")
case("line: answers of another address", link="rtu-tcp",
    world=hv(waiting, habits=[lambda w, a, o: [setattr(x, "unit", 9) or x for x in o]]), kinds={"bus-problem", "undecided"}, truth="line",
    root=(),
    does="every answer carries address 9",
    field="An answer of another address is no answer to our question.")
case("line: answers of another function", link="rtu-tcp",
    world=hv(waiting, habits=[lambda w, a, o: [setattr(x, "pdu", bytes([7 - x.pdu[0]]) + x.pdu[1:]) or x for x in o if x.pdu[0] in (3, 4)]]),
    kinds={"bus-problem", "undecided"}, truth="line", root=(),
    does="every answer has the other function code",
    field="An answer of another function is no answer to our question.")
case("line: answers cut short",
    world=hv(waiting, habits=[lambda w, a, o: [setattr(x, "pdu", x.pdu[:1] + bytes([x.pdu[1] - 2]) + x.pdu[2:-2]) or x for x in o if x.pdu[0] in (3, 4)]]),
    kinds={"bus-problem", "undecided"}, truth="line", root=(),
    does="every answer has one register less than asked",
    field="An answer of another length is no answer to our question.")
case("line: hangs up after every fourth question", world=hv(waiting, habits=[hangs_up_every(4)]), kinds={"awaiting-inverter", "undecided"},
    truth="sound", root=(),
    does="the gateway closes the connection now and then",
    field="Gateways close idle or old connections without a word: connect again.",
    argue="where the link breaks an open verdict is right")
case("line: hangs up hides no fault", world=hv(hv_wait(put(insulation=42)), habits=[hangs_up_every(4)]), kinds={"fault", "undecided"},
    truth="fault",
    does="42 kOhm, the gateway closes the connection now and then",
    field="A link that breaks hides no fault that was read.",
    argue="where the link breaks an open verdict is right")
case("line: one module's block is refused", world=hv(waiting, habits=[refuses_register(4, 120, 4)]), kinds={"undecided", "fault"},
    truth="open",
    does="the block of module 2 is answered with exception 04",
    field="What could not be read is not zero.",
    argue="an internal link may be what fails")
case("line: the alarm words are refused", world=hv(waiting, habits=[refuses_register(4, 1, 4)]), kinds={"undecided"}, truth="open", root=(),
    does="blocks with the alarm words are answered with exception 04",
    field="An alarm word that could not be read is not an alarm word that is zero.",
    checks=(says("alarm"),))
case("line: the alarm words are silent in service",
    world=hv(standby, habits=[lambda w, a, o: [] if a.pdu[0] == 4 and struct.unpack(">H", a.pdu[1:3])[0] <= 2 else o]), kinds={"undecided"},
    truth="open", root=(),
    does="blocks with the alarm words get no answer",
    field="An alarm word that could not be read is not an alarm word that is zero.")
case("line: wrong map for the unit", map=LV_MAP, world=hv(waiting), kinds={"undecided"}, truth="open",
    does="a stack is looked at with the rack's map",
    field="Another unit under this map: a verdict about another unit is worse than none.")
case("line: firmware beyond the map", world=hv(hv_wait(put(firmware="3.1"))), kinds={"undecided"}, truth="open", root=None,
    does="firmware 3.1, the map ends below 3.0",
    field="The wrong firmware edition for the map: nothing clean can be said.",
    checks=(says("firmware"),))
case("line: firmware beyond the map, fault", world=hv(hv_wait(put(firmware="3.1", insulation=42))), kinds={"fault", "undecided"},
    truth="fault",
    does="firmware 3.1 and 42 kOhm",
    field="Unconfirmed, no less a fault.",
    argue="fault marked unconfirmed, or undecided that names it")
case("line: another mark", world=hv(hv_wait(put(map_mark=777))), kinds={"undecided"}, truth="open",
    does="the map's mark does not hold",
    field="A unit that is not recognised gets no clean verdict.")
case("line: another house behind the address",
    world=lambda: World({1: Hv(waiting)}, [swapped_from(4, Hv(lambda u, t: u.waiting(), serial="TB26-0555"))]), kinds={"undecided"},
    truth="open", root=(),
    does="from 4 s on another serial number answers",
    field="Another house behind a changed address: a verdict about another unit is worse than none.")
case("line: two ask, collisions", link="rtu-tcp", beside=True,
    world=greeted(standby, inverter_on_the_pair(1, Hv(standby), HV_ALL[:3], 0.6), [damages(0.3)]),
    kinds={"normal", "undecided", "bus-problem"}, truth="sound", root=(), point="9",
    does="an inverter asks twice a second, a third of our answers is damaged, we were told to ask all the same",
    field="Two clients on one pair damage each other's answers in bursts.",
    checks=NOT_THE_MAP,
    argue="where answers get lost an open verdict is right")
case("line: the wake consent is no consent to disturb", link="rtu-tcp", map=LV_MAP, wake=True,
    world=lambda: (w := World({1: Lv(lv_waiting)}, from_launch=True), setattr(w, "greet", inverter_on_the_pair(5, Lv(lv_waiting, serial="TR26-005"), [(4, 0, 23)], 1.0)))[0],
    kinds={"undecided", "bus-problem"}, truth="open", root=(), point="9",
    does="an inverter asks pack 5 every second; we may wake pack 1",
    field="Two consents: that asking may wake the unit is no leave to ask into somebody's conversation.",
    checks=(("not one question was asked", lambda r: r["_asked"] == 0),))
case("line: port is not there", link="pulled-out", world=hv(waiting), kinds={"refused"}, truth="line", root=None,
    does="the adapter was pulled out before", field="Trouble of this computer says nothing about the battery.")
for link, size in (("tcp", 5), ("rtu-tcp", 8), ("pty", 8)):
    case(f"line: answers in pieces, {link}", link=link, world=hv(waiting, habits=[in_pieces(size)]), kinds={"awaiting-inverter"}, root=(),
        does=f"each answer comes {size} bytes at a time",
        field="An adapter holds packets back: the silences between pieces say nothing, content decides.")
case("line: answers in pieces, fault", link="pty", world=hv(hv_wait(put(insulation=42)), habits=[in_pieces(3)]), kinds={"fault"},
    truth="fault", root="insulation-low",
    does="42 kOhm, each answer comes three bytes at a time",
    field="An adapter holds packets back: content decides.")
case("line: answers of another transaction", world=hv(waiting, habits=[other_transaction]), kinds={"bus-problem", "undecided"},
    truth="line", root=(),
    does="every answer carries another transaction number",
    field="An answer to another question is no answer to ours.")
case("line: a byte of noise before each answer", link="pty", world=hv(waiting, habits=[glitch_first]),
    kinds={"awaiting-inverter", "undecided"}, root=(), point="7",
    does="one byte 00 before each answer, the answer itself whole",
    field="A driver that takes the line leaves a byte of noise; the frame behind it is whole.",
    checks=NOT_THE_MAP,
    argue="a tool that would rather ask again does no harm")
case("line: long blocks are refused", world=hv(waiting, habits=[at_most(60)]), kinds={"awaiting-inverter", "undecided"}, root=(), long=30,
    does="more than 60 registers at once are answered with exception 03",
    field="Weak firmware takes short blocks only; what was not read is not zero.",
    argue="to ask in shorter blocks, or to say what was not read")


def quiet_after_foreign(r):
    first = min(r["_foreign"], default=None)
    return first is not None and not any(at > first + 1.0 for at, _, _ in r["_log"])


case("line: an inverter that talks every nine seconds", link="rtu-tcp",
    world=greeted(waiting, inverter_on_the_pair(1, Hv(waiting), [(4, 0, 30)], 9.0, start=6.4), [slow(0.35)]),
    kinds={"undecided", "awaiting-inverter"}, root=(), point="9",
    does="nobody is heard while we listen, then an inverter asks while we do",
    field="While asking, a question of somebody else sends us back to listening.",
    checks=(("no question a second after somebody else was heard", quiet_after_foreign),),
    argue="what was read until then may be enough or not")
