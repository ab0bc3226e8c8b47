"""An independent server (pymodbus) that plays a generic-hv-stack with two modules.

The register image is typed by hand from the map, not made by our encoder. Kind: invented (the map),
served by an independent library. Heartbeat and uptime are advanced by this script, except in the
case `frozen`. In the case `another` its map mark is another, and it says of itself what it is.

    hv_server.py CASE tcp|rtu-tcp|pty      prints "ready WHERE" when it serves
"""
import asyncio
import os
import sys
import threading
import time

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

CASE, WAY = sys.argv[1], sys.argv[2]
STARTED = time.monotonic()
UPTIME_AT_START = 200


def text(string, registers):
    """A string as registers, two characters each, padded with NUL."""
    data = string.encode().ljust(registers * 2, b"\0")
    return [data[i] << 8 | data[i + 1] for i in range(0, len(data), 2)]


# 30 cells of each module in mV, 8 sensors in tenths of a degree.
CELLS = [
    [3271, 3270, 3272, 3269, 3271, 3270, 3270, 3271, 3272, 3270,
     3271, 3269, 3270, 3271, 3270, 3272, 3271, 3270, 3269, 3271,
     3270, 3271, 3270, 3272, 3271, 3270, 3271, 3269, 3270, 3271],
    [3268, 3270, 3269, 3271, 3270, 3268, 3270, 3269, 3271, 3270,
     3270, 3269, 3268, 3270, 3271, 3270, 3269, 3270, 3268, 3270,
     3271, 3270, 3269, 3270, 3271, 3268, 3270, 3269, 3270, 3271],
]
SENSORS = [[215, 216, 214, 215, 217, 216, 215, 214], [221, 219, 220, 222, 221, 220, 219, 218]]
MODULE_CENTIVOLTS = [9812, 9809]  # 98.12 V and 98.09 V: the sums of the cells
PACK_CENTIVOLTS = 19621

HOLDING = {
    0: [21318],                      # map mark
    1: [2],                          # modules
    2: [1000],                       # 100.0 Ah
    4: text("INV-0042-HV", 8),       # serial
    12: text("Invented stack", 8),   # model
    20: text("2.4", 4),              # firmware
    26: [0x2026, 0x0311],            # built 2026-03-11, BCD
    64: text("MOD-A-0001", 6) + text("1.7", 2) + [1, 0],
    74: text("MOD-A-0002", 6) + text("1.7", 2) + [2, 0],
}
WAITING = {
    0: [2],            # waiting for inverter
    1: [0],            # alarm_1
    2: [0x1F00],       # alarm_2: bit 8 inverter silent, 9-12 its consequences
    3: [0], 4: [0],    # warnings, latched
    5: [0],            # switches open
    6: [65535],        # inverter age: never heard
    7: [0], 8: [0],    # ever heard, its heartbeat
    9: [0],            # own heartbeat, advanced below
    10: [0, 0],        # uptime, low word first, advanced below
    12: [0, PACK_CENTIVOLTS],
    14: [0], 15: [0], 16: [0, 0],
    18: [524], 19: [991],            # 52.4 %, 99.1 %
    20: [3272], 21: [3268],          # highest and lowest cell
    22: [622], 23: [614],            # 22.2 and 21.4 degrees, offset -40
    24: [2200], 25: [1],             # insulation, valid
    26: [0], 27: [0], 28: [17],
}
image = dict(WAITING)
if CASE == "fault":
    image.update({0: [7], 2: [0x1F01], 24: [42]})
elif CASE == "normal":
    image.update({0: [4], 2: [0], 5: [3], 6: [1], 7: [1], 8: [812], 14: [1962], 26: [500], 27: [500]})
INPUT = dict(image)
for number in range(2):
    base = 64 + 48 * number
    INPUT[base] = [MODULE_CENTIVOLTS[number], 52, 0, 0] + CELLS[number] + SENSORS[number]

HEARTBEAT, UPTIME = 9, 10

# Kind: invented (maker, product code, revision)
SAYS = {0: "Invented Storage", 1: "Stack 12", 2: "V2.11"}
IDENTITY = ModbusDeviceIdentification(info=SAYS) if CASE == "another" else None
if CASE == "another":
    HOLDING[0] = [4711]


def block(content, spans):
    """SimData for every span; registers that no point uses are 0, all others are invalid."""
    words = {}
    for first, last in spans:
        words.update({address: 0 for address in range(first, last + 1)})
    for address, values in content.items():
        words.update({address + i: value for i, value in enumerate(values)})
    data = []
    for address in sorted(words):
        data.append(SimData(address, values=words[address], datatype=DataType.REGISTERS))
    return data


async def action(function, start, address, count, registers, values):
    """Advances heartbeat and uptime; refuses the alarm word in the case `unreadable`."""
    if function == 4:
        ran = time.monotonic() - STARTED
        uptime = int(UPTIME_AT_START + ran)
        if CASE != "frozen":
            registers[HEARTBEAT - start] = (uptime * 2) & 0xFFFF
        registers[UPTIME - start], registers[UPTIME + 1 - start] = uptime & 0xFFFF, uptime >> 16
        if CASE == "unreadable" and address <= 1 < address + count:
            return ExcCodes.ILLEGAL_ADDRESS
    return None


def device():
    nothing = [SimData(0, values=False, datatype=DataType.BITS)]
    holding = block(HOLDING, [(0, 27), (64, 83)])
    inputs = block(INPUT, [(0, 29), (64, 159)])
    return SimDevice(1, simdata=(nothing, nothing, holding, inputs), action=action)


def bridge(a, b):
    """Carries bytes from one pseudo-terminal to the other."""
    def carry(source, sink):
        while True:
            try:
                data = os.read(source, 512)
            except OSError:
                time.sleep(0.05)
                continue
            os.write(sink, data)
    for pair in ((a, b), (b, a)):
        threading.Thread(target=carry, args=pair, daemon=True).start()


def raw_pty():
    import tty
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    return master, slave, os.ttyname(slave)


async def main():
    if WAY == "pty":
        ours, keep_ours, server_side = raw_pty()
        theirs, keep_theirs, tool_side = raw_pty()
        bridge(ours, theirs)
        server = ModbusSerialServer(device(), framer=FramerType.RTU, port=server_side, baudrate=9600, parity="N")
        task = asyncio.create_task(server.serve_forever())
        await asyncio.sleep(0.5)
        print("ready", tool_side, flush=True)
        await task
        return
    framer = FramerType.RTU if WAY == "rtu-tcp" else FramerType.SOCKET
    server = ModbusTcpServer(device(), framer=framer, identity=IDENTITY, address=("127.0.0.1", 0))
    task = asyncio.create_task(server.serve_forever())
    while server.transport is None:
        await asyncio.sleep(0.05)
    print("ready", "127.0.0.1:%d" % server.transport.sockets[0].getsockname()[1], flush=True)
    await task


asyncio.run(main())
