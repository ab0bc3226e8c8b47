"""What lines, gateways and other clients do to a conversation. Each habit takes what the units would say and bends it.

In: the world, one question, the answers as they would go out. Out: the answers as they go out.
Does not: change a unit's registers.
Values: common practice; seeds are fixed, so that a run can be repeated.
"""
import asyncio
import random
import struct

from wire import Out, crc16, refusal, rtu


def slow(seconds):
    def habit(world, ask, outs):
        for out in outs:
            out.delay = seconds
        return outs
    return habit


def slow_sometimes(seconds, every):
    def habit(world, ask, outs):
        if ask.number % every == 0:
            for out in outs:
                out.delay = seconds
        return outs
    return habit


def silent(world, ask, outs):
    return []


def silent_after(seconds):
    return lambda world, ask, outs: [] if ask.at >= seconds else outs


def silent_from_question(number):
    return lambda world, ask, outs: [] if ask.number >= number else outs


def silent_between(start, end):
    return lambda world, ask, outs: [] if start <= ask.at < end else outs


def silent_unit(unit, start=0):
    return lambda world, ask, outs: [] if ask.unit == unit and ask.at >= start else outs


def refuses(code, start=0, end=1e9, pdu_starts=b""):
    """Answers with an exception instead."""
    def habit(world, ask, outs):
        if start <= ask.at < end and ask.pdu.startswith(pdu_starts):
            return [Out(0.02, refusal(ask.pdu, code), ask.unit)]
        return outs
    return habit


def refuses_register(function, address, code):
    """A block that holds this register is refused."""
    def habit(world, ask, outs):
        if ask.pdu[0] == function:
            first, count = struct.unpack(">HH", ask.pdu[1:5])
            if first <= address < first + count:
                return [Out(0.02, refusal(ask.pdu, code), ask.unit)]
        return outs
    return habit


def loses(share, seed=1):
    rng = random.Random(seed)
    return lambda world, ask, outs: [out for out in outs if rng.random() >= share]


def damages(share, seed=2, at_front=False):
    """Turns bytes of a frame over, so that the check value fails (RTU) or the content is cut."""
    rng = random.Random(seed)

    def hit(data):
        data = bytearray(data)
        place = 0 if at_front else rng.randrange(len(data))
        data[place] ^= rng.randrange(1, 256)
        return bytes(data)

    def habit(world, ask, outs):
        for out in outs:
            if rng.random() < share:
                out.damage = hit
        return outs
    return habit


def garbage_only(seed=3):
    """Noise for an answer, never a frame."""
    rng = random.Random(seed)
    return lambda world, ask, outs: [Out(0.03, raw=bytes(rng.choice((0x00, 0x80, 0xF8, 0xE0, rng.randrange(256))) for _ in range(17)))]


def echoes(world, ask, outs):
    return [Out(0.001, raw=rtu(ask.unit, ask.pdu))] + outs


def caches(seconds=1e9, start=0.0):
    """A gateway that answers from its memory: the unit as it was when it last polled, every `seconds`."""
    def habit(world, ask, outs):
        device = world.units.get(ask.unit)
        if device is None or ask.at < start:
            return outs
        copied = start + (ask.at - start) // seconds * seconds
        now, device.kept = device.kept, device.image(copied)
        answer, device.kept = device.reply(ask.pdu), now
        return [Out(0.005, answer, ask.unit)]
    return habit


def twice(change, every=1):
    """Each answer is given twice to the same question, the second time with other content."""
    def habit(world, ask, outs):
        if ask.number % every == 0:
            for out in list(outs):
                outs.append(Out(out.delay + 0.03, change(ask, out.pdu), out.unit))
        return outs
    return habit


def two_at_one_address(other):
    """Another unit answers every second question in its place."""
    def habit(world, ask, outs):
        if ask.number % 2 == 0:
            return [Out(0.02, other.pdu(ask.pdu, ask.at), ask.unit)]
        return outs
    return habit


def swapped_from(seconds, other):
    """From this time on another unit stands behind the address."""
    return lambda world, ask, outs: [Out(0.02, other.pdu(ask.pdu, ask.at), ask.unit)] if ask.at >= seconds else outs


def link_ends(seconds, back=None):
    """The link is gone at this time of the unit: the connection breaks, new ones are refused."""
    def habit(world, ask, outs):
        if not hasattr(world, "ends"):
            async def end():
                await asyncio.sleep(max(0.0, seconds - world.now()))
                world.server.vanish()
            world.ends = True
            world.server.spawn(end())
        return outs
    return habit


def link_ends_at_question(number):
    """The link is gone instead of this answer."""
    def habit(world, ask, outs):
        if ask.number < number:
            return outs
        asyncio.get_running_loop().call_soon(world.server.vanish)
        return []
    return habit


def hangs_up_every(questions):
    """A gateway that closes the connection without a word now and then."""
    def habit(world, ask, outs):
        if ask.number % questions == 0:
            asyncio.get_running_loop().call_later(0.1, world.server.hang_up)
        return outs
    return habit


def one_at_a_time(seconds):
    """A serial line behind a gateway: each question takes its turn, the next one waits."""
    state = {"free": 0.0}

    def habit(world, ask, outs):
        begin = max(ask.at, state["free"])
        state["free"] = begin + seconds
        for out in outs:
            out.delay = state["free"] - ask.at
        return outs
    return habit


def in_pieces(size):
    """Each answer comes in pieces of so many bytes, as adapters and gateways hand them on."""
    def habit(world, ask, outs):
        for out in outs:
            out.pieces = size
        return outs
    return habit


def other_transaction(world, ask, outs):
    for out in outs:
        out.transaction = 40000 + ask.number
    return outs


def glitch_first(world, ask, outs):
    """A byte of noise as the driver takes the line, then the answer whole."""
    for out in outs:
        out.damage = lambda data: b"\x00" + data
    return outs


def at_most(registers):
    """Weak firmware: longer blocks are refused as an illegal value."""
    def habit(world, ask, outs):
        if ask.pdu[0] in (3, 4) and struct.unpack(">H", ask.pdu[3:5])[0] > registers:
            return [Out(0.02, refusal(ask.pdu, 3), ask.unit)]
        return outs
    return habit


def gateway_text(world, ask, outs):
    return [Out(0.001, raw=b"log: 1 client, idle\r\n")] + outs


# ---- other clients
def inverter_on_the_pair(unit, device, reads, period=1.0, writes=None, until=None, start=0.0):
    """An inverter that asks on this pair: its questions and the unit's answers are heard by everybody.

    reads: [(function, address, count)]; writes: (address, [words]) as function 16, which the unit takes for a sign of life.
    """
    async def talk(server):
        await asyncio.sleep(start + 0.3)
        world = server.world
        loop = asyncio.get_running_loop()
        began = loop.time()
        while until is None or loop.time() - began < until:
            world.foreign.append(world.now())
            for function, address, count in reads:
                ask = struct.pack(">BHH", function, address, count)
                server.send(rtu(unit, ask))
                await asyncio.sleep(0.03)
                if device is not None:
                    server.send(rtu(unit, device.pdu(ask, world.now())))
                await asyncio.sleep(0.03)
            if writes:
                address, words = writes
                body = struct.pack(f">BHHB{len(words)}H", 16, address, len(words), len(words) * 2, *words)
                server.send(rtu(unit, body))
                await asyncio.sleep(0.03)
                server.send(rtu(unit, body[:5]))
            await asyncio.sleep(max(0.05, period - 0.06 * len(reads)))
    return talk


def noise_on_the_pair(period=0.2, seed=4, kind=None):
    rng = random.Random(seed)

    async def talk(server):
        while True:
            length = rng.randrange(1, 9)
            choice = kind or range(256)
            server.send(bytes(rng.choice(choice) for _ in range(length)))
            await asyncio.sleep(period)
    return talk


def checked(data):
    return data + crc16(data)
