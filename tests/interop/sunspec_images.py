"""Register images of batteries that describe themselves, made by PyPI pysunspec2: its model files give the
points, its type encoders the registers. Nothing of the tool is used here.

Kind of all content: invented (random). Kind of what stands where: published (pysunspec2 1.3.7).
"""
import random
import struct

import sunspec2.device
import sunspec2.mb as mb

BATTERY = (1, 713, 802, 803, 804, 805)
SENTINEL = {"uint16": 0xFFFF, "enum16": 0xFFFF, "int16": 0x8000, "sunssf": 0x8000, "uint32": 0xFFFFFFFF, "bitfield32": 0xFFFFFFFF}
RANGE = {"uint16": (0, 0xFFFE), "enum16": (0, 0xFFFE), "int16": (-0x7FFF, 0x7FFF), "uint32": (0, 0xFFFFFFFE)}


def definition(model):
    return sunspec2.device.get_model_def(model)["group"]


def encode(point, value):
    """A point's registers as pysunspec2 writes them; None is 'not implemented'."""
    length = point["size"] * 2
    if point["type"] == "pad":
        return struct.pack(">H", 0x8000)
    if point["type"] == "string":
        return (value or "").encode().ljust(length, b"\0")
    if value is None:
        data = mb.create_unimpl_value(point["type"], length)
    else:
        data = mb.point_type_info[point["type"]].to_data(value, length)
    assert len(data) == length, point["name"]
    return data


def build(model, values, blocks=()):
    """Registers of a model with its header; `blocks` are the values of what repeats."""
    group = definition(model)
    data = b"".join(encode(p, values.get(p["name"])) for p in group["points"][2:])
    for block in blocks:
        data += b"".join(encode(p, block.get(p["name"])) for p in group["groups"][0]["points"])
    return struct.pack(">HH", model, len(data) // 2) + data


def chain(models, end=struct.pack(">HH", 0xFFFF, 0)):
    data = b"SunS" + b"".join(models) + end
    return list(struct.unpack(f">{len(data) // 2}H", data))


# ---- one bank with words that mean something, for verdicts

def common(**more):
    return build(1, {"Mn": "ExampleCo", "Md": "Demo-ESS", "Vr": "1.2.3", "SN": "SN0001", "DA": 1} | more)


def bank(**more):
    values = dict(
        AHRtg=100, WHRtg=512, WChaRteMax=500, WDisChaRteMax=500, SoCMax=1000, SoCMin=0, SoC=437, SoH=985, NCyc=70000,
        ChaSt=6, LocRemCtl=0, Hb=1234, CtrlHb=50, AlmRst=0, Typ=4, State=4, Evt1=0, Evt2=0, EvtVnd1=0, EvtVnd2=0,
        V=5217, CellVMax=3272, CellVMin=3251, CellVAvg=3262, A=0, W=0, AHRtg_SF=0, WHRtg_SF=1, WChaDisChaMax_SF=1,
        SoC_SF=-1, SoH_SF=-1, V_SF=-2, CellV_SF=-3, A_SF=-1, AMax_SF=0, W_SF=0,
    )
    return build(802, values | more)


def a_string(**more):
    values = dict(
        StrNMod=4, StrSt=3, StrConFail=0, StrSoC=437, StrA=0, StrCellVMax=3272, StrCellVMin=3251, StrCellVAvg=3262,
        StrModTmpMax=251, StrModTmpMin=180, StrModTmpAvg=210, StrDisRsn=0, StrConSt=1, StrEvt1=0,
    )
    return values | more


def strings(*blocks, **more):
    values = dict(
        NStr=len(blocks), NStrCon=len(blocks), ModTmpMax=251, ModTmpMin=180, CellV_SF=-3, ModTmp_SF=-1, A_SF=-1, SoC_SF=-1
    )
    return build(803, values | more, blocks)


# ---- random ones, to be read value by value

def scale(rng):
    return None if rng.random() < 0.08 else rng.randint(-10, 10) if rng.random() < 0.2 else rng.randint(-4, 2)


def value(rng, point, count_of):
    kind = point["type"]
    if point["name"] in count_of:
        return count_of[point["name"]]
    if kind == "sunssf":
        return scale(rng)
    if rng.random() < 0.15:
        return None
    if kind == "string":
        letters = "ABCabc012 -./"
        return "".join(rng.choice(letters) for _ in range(rng.randint(1, point["size"] * 2))).strip()
    if kind == "bitfield32":
        # With the highest bit set everything else is to be ignored.
        return rng.choice([0, 1 << rng.randint(0, 30), rng.getrandbits(31), 0x80000000 | rng.getrandbits(31)])
    low, high = RANGE[kind]
    return rng.choice([low, high, rng.randint(low, high), rng.randint(max(low, 0), min(high, 5000))])


def random_model(rng, model, blocks, count_of):
    group = definition(model)
    fixed = {p["name"]: value(rng, p, count_of) for p in group["points"][2:] if p["type"] != "pad"}
    repeating = group.get("groups")
    inner = [
        {p["name"]: value(rng, p, {}) for p in repeating[0]["points"] if p["type"] != "pad"} for _ in range(blocks)
    ] if repeating else []
    return fixed, inner


def random_image(seed):
    """An image, its start, and the models in it: [(id, start, fixed values, values of blocks)]."""
    rng = random.Random(seed)
    order = [(802, 0, {"Typ": 4}), (1, 0, {})]
    if rng.random() < 0.5:
        order.append((713, 0, {}))
    several = rng.randint(0, 3)
    if rng.random() < 0.8:
        order.append((803, several or 1, {"NStr": several or 1}))
    for string in range(1, rng.randint(0, 3) + 1):
        modules = rng.choice([0, 1, 4, 5, 8, 20])
        order.append((804, modules, {"Idx": string, "NMod": modules}))
        for module in range(1, rng.randint(0, 2) + 1):
            cells = rng.choice([0, 1, 4, 16, 24, 40])
            order.append((805, cells, {"StrIdx": string, "ModIdx": module, "NCell": cells}))
    if rng.random() < 0.5:
        rng.shuffle(order)
    else:
        order[:2] = order[1::-1]
    parts, models, at = [], [], 2
    for model, blocks, counts in order:
        if rng.random() < 0.3:
            length = rng.randint(0, 90)
            unknown = struct.pack(">HH", rng.choice([2, 120, 160, 701, 64001, 65534]), length)
            unknown += bytes(rng.getrandbits(8) for _ in range(length * 2))
            parts.append(unknown)
            at += length + 2
        fixed, inner = random_model(rng, model, blocks, counts)
        data = build(model, fixed, inner)
        models.append((model, at, fixed, inner))
        parts.append(data)
        at += len(data) // 2
    return chain(parts), rng.choice([40000, 40000, 0, 50000]), models
