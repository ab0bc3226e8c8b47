"""Bad habits of whatever is at the other end: gateways, services of another kind, and nobody.

A habit is a function of server and connection. With each stands what may follow: where no right answer
ever comes there is no word about the battery; where some come, never a verdict that needed more.
"""

import random
import socket
import struct

from .base import BUS, PROFILE, UNDECIDED, WAITING, Group
from .servers import Gone, Server, Unit, crc, polite, silent

GROUP = Group("network")

NOTHING = {BUS}
# Some of the answers are right.
SOME = {BUS, UNDECIDED, WAITING}
# All needed answers are right, only odd in their coming.
SOUND = {WAITING, UNDECIDED}
HABITS = []


def habit(exits, does, slow=False, ways=("tcp", "rtu", "pty")):
    def decorate(act):
        HABITS.append((act.__name__.replace("_", "-"), does, exits, act, slow, ways))
        return act

    return decorate


def answered(change):
    """A habit that sends something made from the right answer, as one or several pieces."""

    def act(server, wire):
        for request in wire.requests():
            for piece in change(server, request, request.frame(server.unit.answer(request.pdu))):
                if isinstance(piece, float):
                    server.pause(piece)
                elif piece is None:
                    return
                else:
                    wire.send(piece)

    act.__name__ = change.__name__
    return act


def reset(wire):
    """Hangs up so that the other end is told it was cut off."""
    if wire.file is not None:
        wire.file.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    raise Gone


TCP = ("tcp", "rtu")
WIRED = ("tcp",)

HABITS.append(("polite", "answers every question as it should", SOUND, polite, False, ("tcp", "rtu", "pty")))
HABITS.append(("silent", "listens and says nothing", NOTHING, silent, False, ("tcp", "rtu", "pty")))


@habit(NOTHING, "takes the connection and never reads", ways=TCP)
def never_reads(server, _):
    while True:
        server.pause(1)


@habit(NOTHING, "leaves connections waiting and never takes one", ways=WIRED)
def never_accepts(_, __):
    raise AssertionError


never_accepts.refuses_to_accept = True
never_accepts.backlog = 0


@habit(NOTHING, "takes the connection and hangs up", ways=TCP)
def hangs_up(_, __):
    raise Gone


@habit(NOTHING, "takes the connection and resets it", ways=TCP)
def resets(_, wire):
    reset(wire)


@habit(NOTHING, "reads one question and hangs up", ways=TCP)
def reads_and_hangs_up(_, wire):
    for _ in wire.requests():
        raise Gone


@habit(NOTHING, "reads one question and resets", ways=TCP)
def reads_and_resets(_, wire):
    for _ in wire.requests():
        reset(wire)


@habit(SOME, "answers one question on each connection, then hangs up", ways=TCP)
def one_answer_each(server, wire):
    for request in wire.requests():
        wire.send(request.frame(server.unit.answer(request.pdu)))
        raise Gone


@habit(SOME, "answers three questions on each connection, then resets", ways=TCP)
def three_answers_each(server, wire):
    for number, request in enumerate(wire.requests()):
        wire.send(request.frame(server.unit.answer(request.pdu)))
        if number == 2:
            reset(wire)


@habit(NOTHING, "closes its half of the connection and goes on listening", ways=TCP)
def half_open(server, wire):
    wire.file.shutdown(socket.SHUT_WR)
    while True:
        wire.more()


@habit(NOTHING, "answers with the first half of every answer", slow=True)
@answered
def half_answers(_, __, frame):
    yield frame[: len(frame) // 2]


@habit(NOTHING, "sends half an answer and hangs up", ways=TCP)
@answered
def half_and_hangs_up(_, __, frame):
    yield frame[: len(frame) // 2]
    yield None


@habit(NOTHING, "all but the last byte of every answer")
@answered
def lacks_one_byte(_, __, frame):
    yield frame[:-1]


@habit(SOME, "a byte too many behind every answer")
@answered
def one_byte_more(_, __, frame):
    yield frame + b"\0"


@habit(SOME, "one byte, a tenth of a second, one byte", slow=True)
@answered
def byte_by_byte(_, __, frame):
    for at in range(len(frame)):
        yield frame[at : at + 1]
        yield 0.1


@habit(SOME, "one byte a second", slow=True)
@answered
def one_byte_a_second(_, __, frame):
    for at in range(len(frame)):
        yield frame[at : at + 1]
        yield 1.0


@habit(SOUND, "every answer in two pieces", ways=TCP)
@answered
def two_pieces(_, __, frame):
    yield frame[:5]
    yield 0.03
    yield frame[5:]


@habit(NOTHING, "a length of 65,535, and bytes without end", ways=WIRED)
@answered
def huge_length(_, request, __):
    yield request.frame(b"\x03\xfa", length=65535)
    for _ in range(400):
        yield b"\0" * 65536


@habit(NOTHING, "a length of 65,535, and then nothing", ways=WIRED)
@answered
def huge_length_then_nothing(_, request, __):
    yield request.frame(b"\x03\xfa", length=65535)


@habit(NOTHING, "a length of 0", ways=WIRED)
@answered
def zero_length(_, request, __):
    yield request.frame(b"", length=0)


@habit(NOTHING, "a length of 1: a unit and no function", ways=WIRED)
@answered
def length_of_one(_, request, __):
    yield request.frame(b"", length=1)


@habit(NOTHING, "another protocol number in every header", ways=WIRED)
@answered
def other_protocol_number(server, request, _):
    yield request.frame(server.unit.answer(request.pdu), protocol=0x5A5A)


@habit(NOTHING, "answers to transactions that nobody began", ways=WIRED)
@answered
def other_transaction(server, request, _):
    yield request.frame(server.unit.answer(request.pdu), transaction=request.transaction ^ 0x4000)


@habit({BUS, UNDECIDED}, "answers in the name of another unit")
@answered
def other_unit(server, request, _):
    yield request.frame(server.unit.answer(request.pdu), unit=request.unit % 200 + 40)


@habit(NOTHING, "answers with another function")
@answered
def other_function(server, request, _):
    yield request.frame(bytes([request.pdu[0] ^ 7]) + server.unit.answer(request.pdu)[1:])


@habit(NOTHING, "a byte count of 255")
@answered
def count_of_255(server, request, _):
    answer = server.unit.answer(request.pdu)
    yield request.frame(answer[:1] + b"\xff" + answer[2:])


@habit(NOTHING, "a byte count of 0 and no values")
@answered
def count_of_0(_, request, __):
    yield request.frame(request.pdu[:1] + b"\0")


@habit(NOTHING, "an odd byte count")
@answered
def odd_count(server, request, _):
    answer = server.unit.answer(request.pdu)
    yield request.frame(answer[:1] + bytes([max(answer[1] - 1, 1)]) + answer[2:-1])


@habit(SOME, "one register less than was asked for")
@answered
def one_register_less(server, request, _):
    answer = server.unit.answer(request.pdu)
    yield request.frame(answer[:1] + bytes([max(answer[1] - 2, 0)]) + answer[2:-2] if len(answer) > 4 else answer)


@habit(SOME, "every answer twice")
@answered
def doubled(_, __, frame):
    yield frame + frame


@habit(SOME, "every answer ten times", slow=True)
@answered
def ten_times(_, __, frame):
    yield frame * 10


@habit(SOME, "the answer to the question before", ways=("tcp", "pty"))
def one_behind(server, wire):
    before = None
    for request in wire.requests():
        if before is not None:
            wire.send(before)
        before = request.frame(server.unit.answer(request.pdu))


@habit(SOME, "answers after three seconds", slow=True)
@answered
def late(_, __, frame):
    yield 3.0
    yield frame


@habit(SOUND, "answers after 300 ms")
@answered
def slow(_, __, frame):
    yield 0.3
    yield frame


@habit(SOME, "every second question is lost")
def every_second(server, wire):
    for number, request in enumerate(wire.requests()):
        if number % 2:
            wire.send(request.frame(server.unit.answer(request.pdu)))


@habit(SOME, "the question comes back before the answer")
@answered
def echo_and_answer(_, request, frame):
    yield request.frame(request.pdu) + frame


@habit(NOTHING, "only the question comes back")
@answered
def echo_only(_, request, __):
    yield request.frame(request.pdu)


@habit(NOTHING, "random bytes instead of answers (seed 18)")
def random_bytes(_, wire):
    dice = random.Random(18)
    for _ in wire.requests():
        wire.send(dice.randbytes(dice.randrange(1, 300)))


@habit(SOME, "two random bits of every answer are turned (seed 18)", ways=("rtu", "pty"))
def turned_bits(server, wire):
    dice = random.Random(18)
    for request in wire.requests():
        frame = bytearray(request.frame(server.unit.answer(request.pdu)))
        for _ in range(2):
            frame[dice.randrange(len(frame))] ^= 1 << dice.randrange(8)
        wire.send(frame)


@habit(NOTHING, "the two bytes of every check value are exchanged", ways=("rtu", "pty"))
@answered
def check_value_exchanged(_, __, frame):
    yield frame[:-2] + frame[:-3:-1]


@habit(NOTHING, "a check value of zero", ways=("rtu", "pty"))
@answered
def check_value_zero(_, __, frame):
    yield frame[:-2] + b"\0\0"


def refuses(code):
    def change(_, request, __):
        yield request.frame(bytes([request.pdu[0] | 0x80, code]))

    return answered(change)


# Kind: published (Modbus Application Protocol V1.1b3, section 7), and codes that no standard names.
for code in (1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B):
    HABITS.append(
        (
            f"refuses-with-{code:02x}",
            f"refuses everything with exception {code:02X}",
            {BUS, UNDECIDED},
            refuses(code),
            code not in (5, 0x0A),
            ("tcp",) if code > 6 else ("tcp", "pty"),
        )
    )
for code in (0, 0x7F, 0xFF):
    HABITS.append(
        (
            f"refuses-with-{code:02x}",
            f"refuses everything with the undefined exception {code:02X}",
            {BUS, UNDECIDED},
            refuses(code),
            True,
            ("tcp",),
        )
    )


@habit({BUS, UNDECIDED}, "every register is 0")
def all_zero(server, wire):
    server.unit.fill = 0
    polite(server, wire)


@habit({BUS, UNDECIDED}, "every register is FFFF")
def all_ones(server, wire):
    server.unit.fill = 0xFFFF
    polite(server, wire)


@habit({BUS, UNDECIDED}, "every register is 5A5A")
def all_alike(server, wire):
    server.unit.fill = 0x5A5A
    polite(server, wire)


@habit({UNDECIDED, BUS}, "another serial number on every question for it")
def identity_jumps(server, wire):
    for number, request in enumerate(wire.requests()):
        server.unit.put(server.unit.holding, 4, [0x4100 + number % 26, 0x4200 + number % 10])
        wire.send(request.frame(server.unit.answer(request.pdu)))


def speaks_first(name, does, greeting, answer=b"", slow=False):
    """A service of another kind."""

    def act(_, wire):
        wire.send(greeting)
        while True:
            if wire.more() and answer:
                wire.send(answer)

    HABITS.append((name, does, NOTHING, act, slow, TCP))


# Kind: published (RFC 9112, RFC 8446 alert, RFC 4253, RFC 854) for the shapes, invented for the words.
speaks_first(
    "http", "a web server", b"", b"HTTP/1.1 400 Bad Request\r\nServer: invented\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
)
speaks_first("http-page", "a web server with a long page", b"", b"HTTP/1.1 200 OK\r\n\r\n<html>" + b"<p>invented</p>" * 4000)
speaks_first("tls", "a TLS service refuses us", b"", bytes.fromhex("15030100020246"))
speaks_first("tls-hello", "a TLS service greets us", bytes.fromhex("160303005a020000560303") + bytes(range(83)))
speaks_first("ssh", "a secure shell", b"SSH-2.0-invented_1.0\r\n")
speaks_first(
    "telnet", "a terminal server that negotiates", bytes.fromhex("fffb01fffb03fffd18fffd1f") + b"\r\nlogin: ", b"\r\npassword: "
)
speaks_first("escape-sequences", "lines full of escape sequences", b"\x1b]0;taken\x07\x1b[2J\x1b[31mFAULT\x1b[0m\r\n" * 50)
speaks_first("direction-changes", "lines full of direction changes", "\u202etluaf\u202c \u2066x\u2069\r\n".encode() * 50)


def floods(name, does, block, exits=NOTHING, slow=False, ways=("tcp", "rtu", "pty")):
    """Bytes that nobody asked for, as fast as they go."""

    def act(_, wire):
        for _ in range(4000):
            wire.send(block)
        while True:
            wire.more()

    HABITS.append((name, does, exits, act, slow, ways))


def foreign(pdu, unit=9):
    body = bytes([unit]) + pdu
    return body + crc(body)


floods("flood-of-zeros", "zeros as fast as they go", bytes(8192))
floods("flood-of-ones", "FF as fast as they go", b"\xff" * 8192, slow=True)
floods("flood-of-noise", "noise as fast as it goes (seed 18)", random.Random(18).randbytes(8192))
floods("flood-of-text", "lines of text as fast as they go", b"invented line of a log\r\n" * 300)
floods(
    "flood-of-writes",
    "another's write commands as fast as they go",
    foreign(bytes.fromhex("0600010002")) * 900,
    {BUS, UNDECIDED, WAITING},
    ways=("rtu", "pty"),
)
floods(
    "flood-of-answers",
    "answers to nobody as fast as they go",
    struct.pack(">HHHB", 7, 0, 5, 1) + bytes.fromhex("04020005") * 1,
    slow=True,
    ways=WIRED,
)


@habit(SOME, "a line of its log before every answer", ways=TCP)
@answered
def says_text_between(_, __, frame):
    yield b"invented: client connected\r\n"
    yield frame


@habit(SOME, "a keep-alive byte all the time", ways=TCP)
def keep_alive_bytes(server, wire):
    while True:
        if not wire.more(0.05):
            wire.send(b"\0")
            continue
        while (request := wire.next_whole()) is not None:
            wire.send(request.frame(server.unit.answer(request.pdu)))


@habit(SOUND, "urgent data beside the answers", ways=WIRED)
def urgent_data(server, wire):
    for request in wire.requests():
        wire.file.send(b"!", socket.MSG_OOB)
        wire.send(request.frame(server.unit.answer(request.pdu)))


@habit(SOME, "the first connection works, every later one hangs", ways=WIRED)
def first_connection_only(server, wire):
    if wire.number > 1:
        silent(server, wire)
    polite(server, wire)


@habit(SOME, "the first connection is reset, every later one works", ways=WIRED)
def first_connection_fails(server, wire):
    if wire.number == 1:
        reset(wire)
    polite(server, wire)


def place(server, way):
    if way == "pty":
        return ["--serial", server.address, "--line", "9600-8N1", "--listen-first", "1"]
    return ["--gateway", server.address, *(["--framing", "rtu", "--listen-first", "1"] if way == "rtu" else [])]


# However an end behaves it is not hammered. Kind: invented; a gateway of 1998 bears this.
CONNECTIONS_A_SECOND = 12
QUESTIONS_A_SECOND = 250


def not_hammered(t, server, questions=QUESTIONS_A_SECOND):
    most = server.busiest_second(server.connected)
    t.expect(most <= CONNECTIONS_A_SECOND, f"connections: expected at most {CONNECTIONS_A_SECOND} in a second, found {most}")
    most = server.busiest_second(server.ask_times)
    t.expect(most <= questions, f"questions: expected at most {questions} in a second, found {most}")


def check(exits, act, way):
    def attack(t):
        server = t.keep(Server(act, framing="rtu" if way != "tcp" else "tcp", pty=way == "pty"))
        record = t.folder / "a.visit.jsonl"
        # A sound answer may be told from a wrong one only after some looks: up to a minute.
        t.tool(
            "check", *place(server, way), "--profile", PROFILE, *t.consents("check"), "--record", record, exits=exits, seconds=75
        )
        not_hammered(t, server)
        if act is not polite and getattr(act, "refuses_to_accept", False):
            return
        if record.exists():
            t.expect(record.stat().st_size < 8 << 20, f"recording: expected below 8 MB, found {record.stat().st_size >> 20} MB")
            t.opens(record, sealed=True)

    return attack


for name, does, exits, act, slow, ways in HABITS:
    for way in ways:
        GROUP.add(
            f"check-{way}-{name}",
            f"check over {way}: {does}",
            "one of " + "/".join(map(str, sorted(exits))) + ", only reads sent, at most "
            f"{CONNECTIONS_A_SECOND} connections a second, a sealed recording that opens",
            check(exits, act, way),
            slow=slow or way == "rtu" and name not in ("polite", "silent", "turned-bits") or way == "pty" and "refuses" in name,
            weight=20,
        )


FIND = (
    "silent",
    "hangs-up",
    "resets",
    "never-reads",
    "http",
    "tls-hello",
    "random-bytes",
    "flood-of-noise",
    "escape-sequences",
    "refuses-with-01",
    "refuses-with-0a",
    "refuses-with-0b",
    "huge-length",
    "zero-length",
    "all-zero",
    "doubled",
)


def find(act, way):
    def attack(t):
        server = t.keep(Server(act, Unit(mark=4711), pty=way == "pty"))
        where = ["--serial", server.address] if way == "pty" else ["--gateway", server.address]
        # A search goes on for an hour: what matters is that it stops when it is told.
        t.tool("find", *where, "--listen-first", "0", *t.consents("find"), exits={0, 3, 130}, seconds=12, interrupt=True)
        # It asks as fast as it is answered.
        not_hammered(t, server, questions=2_000)

    return attack


WATCH = (
    "hangs-up",
    "resets",
    "reads-and-hangs-up",
    "one-answer-each",
    "silent",
    "flood-of-zeros",
    "refuses-with-06",
    "polite",
    "never-reads",
    "doubled",
)


def watch(exits, act):
    def attack(t):
        server = t.keep(Server(act))
        record = t.folder / "a.visit.jsonl"
        ran = t.tool(
            "watch",
            "--gateway",
            server.address,
            "--profile",
            PROFILE,
            *t.consents("watch"),
            "--seconds",
            "10",
            "--record",
            record,
            exits=exits | {BUS, UNDECIDED},
            seconds=40,
        )
        not_hammered(t, server)
        # Kind: invented: a person has to read it.
        lines = ran.err.count(b"\n") + ran.out.count(b"\n")
        t.expect(lines <= 120, f"lines in 10 s: expected at most 120, found {lines}")
        t.opens(record, sealed=True)
        if server.asked == 0 and server.connected:
            t.expect("only listening" not in ran.text, 'expected the lost link to be named, found "only listening"')
        size = record.stat().st_size if record.exists() else 0
        t.expect(size < 512 << 10, f"recording of 10 s: expected below 512 kB, found {size >> 10} kB")

    return attack


def listen(act):
    def attack(t):
        server = t.keep(Server(act, pty=True))
        before = server.line_settings()
        record = t.folder / "a.visit.jsonl"
        t.tool(
            "listen",
            "--serial",
            server.address,
            "--line",
            "9600-8N1",
            "--seconds",
            "6",
            "--record",
            record,
            exits={0, 3},
            seconds=40,
        )
        t.expect(not server.heard, f"listen: expected not a byte sent, found {server.heard[:16].hex()}")
        t.expect(server.line_settings() == before, "port settings: expected as they were, found others")
        t.opens(record, sealed=True)

    return attack


def talks(name, does, block, pause):
    def act(server, wire):
        while True:
            wire.send(block)
            server.pause(pause)

    GROUP.add(
        f"listen-{name}",
        f"listen on a pty while the line carries {does}",
        "0 or 3, not a byte sent, port as it was, a sealed recording that opens",
        listen(act),
        weight=8,
    )


ASKS, SAYS = foreign(bytes.fromhex("0400000002"), 1), foreign(bytes.fromhex("040400050006"), 1)
talks("sound-talk", "a client and its unit", ASKS + SAYS, 0.1)
talks("asked-in-vain", "a client without a unit", ASKS, 0.2)
talks("noise", "noise (seed 18)", random.Random(18).randbytes(400), 0.1)
talks("flood", "noise as fast as it goes", random.Random(18).randbytes(4096), 0.0)
talks("text", "lines of text with escape sequences", b"\x1b]0;taken\x07\x1b[2Jlog of an invented box\r\n", 0.1)
talks("writes", "write commands of another", foreign(bytes.fromhex("0600010002"), 1) * 2, 0.1)
talks(
    "identity",
    "an identity full of escape sequences",
    foreign(bytes.fromhex("2b0e0100"), 1) + foreign(bytes.fromhex("2b0e01810000010010") + b"\x1b]0;x\x07\xe2\x80\xae0123456", 1),
    0.2,
)
talks("exceptions", "nothing but exceptions", ASKS + foreign(b"\x84\x02", 1), 0.1)
talks("zeros", "a line that hangs low", bytes(64), 0.05)
talks("one-byte", "one byte now and then", b"\x01", 0.7)
talks(
    "long-frames",
    "frames of the full length",
    foreign(bytes.fromhex("040000007d"), 1) + foreign(b"\x04\xfa" + bytes(250), 1),
    0.3,
)
talks("cut-frames", "frames cut in the middle", ASKS[:5] + SAYS[:4], 0.15)

for name, does, exits, act, _, ways in HABITS:
    if name in FIND:
        for way in ("tcp", "pty"):
            if way in ways:
                GROUP.add(
                    f"find-{way}-{name}",
                    f"find over {way}: {does}",
                    "0, 3, or 130 after Ctrl-C at 12 s; only reads sent, not hammered",
                    find(act, way),
                    weight=12,
                    slow=name in ("doubled", "zero-length", "resets") or way == "pty" and name.startswith("refuses"),
                )
    if name in WATCH:
        GROUP.add(
            f"watch-{name}",
            f"watch for 10 s: {does}",
            "a verdict in time, at most 120 lines, below 512 kB recorded, sealed",
            watch(exits, act),
            weight=30,
            slow=name in ("never-reads", "refuses-with-06"),
        )


@GROUP.attack(
    "fast-unit-is-no-flood",
    "a unit answers every question at once over TCP, watched for 25 s",
    "never called a flood: what was asked for is none",
    slow=True,
    weight=25,
)
def _(t):
    server = t.keep(Server(polite))
    ran = t.tool(
        "watch",
        "--gateway",
        server.address,
        "--profile",
        PROFILE,
        *t.consents("watch"),
        "--seconds",
        "25",
        exits={WAITING, UNDECIDED},
        seconds=60,
    )
    t.expect("lood" not in ran.text, "expected no word of a flood, found one")


def only_unit_one(server, wire):
    """Others behind the same gateway are silent."""
    for request in wire.requests():
        if request.unit == 1:
            wire.send(request.frame(server.unit.answer(request.pdu)))


@GROUP.attack(
    "silent-neighbours",
    "find --all over TCP for 12 s: unit 1 answers, all others behind the gateway are silent",
    "0 or 130; a silent unit does not cost the others their connection",
    weight=14,
)
def _(t):
    server = t.keep(Server(only_unit_one))
    words = ["find", "--gateway", server.address, "--all", "--listen-first", "0", *t.consents("find")]
    t.tool(*words, exits={0, 130}, seconds=12, interrupt=True)
    t.expect(len(server.connected) <= 4, f"connections in 12 s: expected at most 4, found {len(server.connected)}")


@GROUP.attack("refused-port", "a TCP port where nobody listens", "3, and a hint about the port")
def _(t):
    with socket.create_server(("127.0.0.1", 0)) as free:
        address = "127.0.0.1:%d" % free.getsockname()[1]
    ran = t.tool("check", "--gateway", address, "--profile", PROFILE, *t.consents("check"), exits={BUS})
    t.error_shape(ran, address)


@GROUP.attack(
    "sixty-other-clients", "60 connections of others hold the gateway while it is asked", "a verdict, only reads", weight=10
)
def _(t):
    server = t.keep(Server(polite))
    host, port = server.address.split(":")
    others = [socket.create_connection((host, int(port)), 5) for _ in range(60)]
    t.tool("check", *place(server, "tcp"), "--profile", PROFILE, *t.consents("check"), exits=SOUND)
    for other in others:
        other.close()


@GROUP.attack("two-tools-one-gateway", "two checks ask one gateway at once", "both end with a verdict; only reads", weight=10)
def _(t):
    server = t.keep(Server(polite))
    runs = [t.spawn(["check", *place(server, "tcp"), "--profile", PROFILE, *t.consents("check")]) for _ in range(2)]
    for run in runs:
        t.judge(run.end(40), SOUND)


def hidden_in_environment(name):
    def attack(t):
        server = t.keep(Server(polite))
        t.tool(
            "check",
            *place(server, "tcp"),
            "--profile",
            PROFILE,
            *t.consents("check"),
            exits=SOUND,
            env={name: "\x1b]0;x\x07\u202e"},
        )

    return attack


for name in ("NO_COLOR", "PACKSIDE_LOG", "TERM", "COLUMNS", "LC_ALL"):
    GROUP.add(
        f"environment-{name}",
        f"a hostile {name} while a unit is asked",
        "the verdict as without it, plain text",
        hidden_in_environment(name),
    )
