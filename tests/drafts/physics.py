"""A small physics of a battery: what its control unit would measure at any moment.

Cells with an open-circuit curve, a resistance and a slow overvoltage; a current that flows, steps or stands still;
temperatures that drift; sensors that are a little off and a little noisy. Kind of all numbers: invented, of a size
that is usual for lithium-ion storage (from memory). Nothing here is taken from the simulator of the tool.
"""

import math
from bisect import bisect_right

CURVES = {  # share of charge in %, open-circuit volts
    "lfp": [(-5, 2.30), (0, 2.70), (3, 2.98), (6, 3.08), (10, 3.17), (20, 3.235), (30, 3.268), (40, 3.286), (50, 3.292),
            (60, 3.303), (70, 3.324), (80, 3.331), (90, 3.338), (95, 3.352), (98, 3.395), (100, 3.50), (105, 3.7)],
    "nmc": [(-5, 2.7), (0, 3.05), (5, 3.34), (10, 3.45), (20, 3.545), (30, 3.60), (40, 3.642), (50, 3.70), (60, 3.79),
            (70, 3.885), (80, 3.985), (90, 4.08), (100, 4.185), (105, 4.25)],
}


def open_circuit(chemistry, charge):
    curve = CURVES[chemistry]
    charge = min(max(charge, curve[0][0]), curve[-1][0])
    at = min(bisect_right(curve, (charge, math.inf)), len(curve) - 1)
    (left, low), (right, high) = curve[at - 1], curve[at]
    return low + (high - low) * (charge - left) / (right - left)


def course_of_current(random, seconds, amperes, mode):
    """Amperes for each second, charge positive. `mode`: "rest", or "flowing" in steps, ramps, waves or constant."""
    if mode == "rest":
        drawn = random.choice([0.0, 0.0, -0.02, -0.15])
        return [drawn] * seconds
    shape = random.choice(["steps", "ramps", "wave", "household", "household"])
    sign = random.choice([-1, 1])
    level = sign * amperes * random.uniform(0.25, 0.9)
    course, target, left = [], level, random.randint(30, 90)
    period, depth = random.uniform(60, 300), random.uniform(0.2, 0.5)
    for second in range(seconds):
        if shape == "wave":
            course.append(level * (1 - depth + depth * math.cos(second / period * 2 * math.pi)))
            continue
        left -= 1
        if left <= 0:
            left = random.randint(15, 120)
            target = amperes * random.uniform(0.08, 1.0) * (sign if random.random() < 0.85 else -sign)
            if shape == "household" and random.random() < 0.15:
                target = 0.0
        pace = {"steps": 1.0, "ramps": 0.03, "household": 0.35}[shape]
        level += (target - level) * pace
        course.append(level * (1 + random.gauss(0, 0.01 if shape == "household" else 0.001)))
    return course


class Pack:
    """Modules of cells, in series or side by side, over a stretch of time."""

    def __init__(self, random, chemistry, modules, cells, parallel, capacity, seconds, mode):
        self.random, self.chemistry, self.parallel, self.capacity = random, chemistry, parallel, capacity
        self.modules, self.cells = modules, cells
        strings = modules if parallel else 1
        count = modules * cells
        level = random.uniform(12, 96)
        self.level = level
        self.spread = [random.gauss(0, random.choice([0.3, 0.8, 2.0])) for _ in range(count)]
        self.size = [random.gauss(1, 0.008) for _ in range(count)]
        ohm = random.uniform(0.03, 0.09) / capacity
        self.ohm = [ohm * random.uniform(0.8, 1.25) for _ in range(count)]
        self.cell_gain = [random.gauss(1, 0.0003) for _ in range(count)]
        self.noise = random.choice([0.0002, 0.0005, 0.001])
        most = capacity * random.uniform(0.15, 0.5) * (strings if parallel else 1)
        margin = 120
        self.current = course_of_current(random, seconds + 2 * margin, most, mode)
        self.most = most
        self.margin = margin
        self.flow(strings)
        self.pack_is_sum = random.random() < 0.5
        self.pack_gain, self.terminal_gain = random.gauss(1, 0.0008), random.gauss(1, 0.001)
        self.module_gain = [random.gauss(1, 0.0006) for _ in range(modules)]
        self.line = random.uniform(0.0005, 0.005)
        self.current_gain, self.current_bias = random.gauss(1, 0.003), random.gauss(0, 0.0003) * most
        self.current_noise = most * random.choice([0.0002, 0.001])
        self.share = [random.uniform(0.92, 1.08) for _ in range(strings)]
        self.share = [one / sum(self.share) for one in self.share]
        self.warm = random.uniform(8, 34)
        self.closed = mode == "flowing" or random.random() < 0.6
        self.dead_volts = random.choice([0.0, 0.0, random.uniform(0.5, 9)])
        self.health = random.uniform(82, 100)
        self.warming = random.uniform(0.2, 2.5) * (1 if mode == "flowing" else 0.1)
        self.warm_at = [random.gauss(0, 0.9) for _ in range(count)]
        self.seen = {}

    def flow(self, strings):
        """Charge moved and the slow overvoltage, second by second."""
        self.moved, self.slow = [0.0], [0.0]
        tau = self.random.uniform(30, 90)
        for amperes in self.current:
            amperes /= strings
            self.moved.append(self.moved[-1] + amperes / 3600 / self.capacity * 100)
            self.slow.append(self.slow[-1] + (amperes - self.slow[-1]) / tau)

    def at(self, moment):
        """What is measured at a moment in seconds: one scan of the control unit."""
        second = int(moment) + self.margin
        if second not in self.seen:
            self.seen[second] = Scan(self, second)
        return self.seen[second]


class Scan:
    """One scan: every measured number, before it is put into registers."""

    def __init__(self, pack, second):
        gauss = pack.random.gauss
        strings = pack.modules if pack.parallel else 1
        amperes = pack.current[second] / strings
        drop = amperes + 0.6 * pack.slow[second]
        charge = pack.level + pack.moved[second]
        self.charge = min(max(charge, 0.0), 100.0)
        true = []
        for i, (spread, size, ohm) in enumerate(zip(pack.spread, pack.size, pack.ohm)):
            share = pack.share[i // pack.cells] * strings if pack.parallel else 1
            volts = open_circuit(pack.chemistry, charge / size + spread) + ohm * drop * share
            true.append(volts)
        self.cells = [volts * gain + gauss(0, pack.noise) for volts, gain in zip(true, pack.cell_gain)]
        own = [sum(true[m * pack.cells:(m + 1) * pack.cells]) for m in range(pack.modules)]
        if pack.parallel:
            level = sum(own) / len(own)
            own = [level + 0.05 * (one - level) for one in own]
        shown = [sum(self.cells[m * pack.cells:(m + 1) * pack.cells]) for m in range(pack.modules)]
        self.modules = [volts * gain + gauss(0, 0.01) for volts, gain in zip(own, pack.module_gain)]
        stack = sum(own) / len(own) if pack.parallel else sum(own)
        added = sum(shown) / len(shown) if pack.parallel else sum(shown)
        self.pack = added if pack.pack_is_sum else stack * pack.pack_gain + gauss(0, 0.0001 * stack)
        behind = stack + pack.current[second] * pack.line if pack.closed else pack.dead_volts
        self.terminal = behind * pack.terminal_gain + gauss(0, 0.0001 * stack)
        self.current = pack.current[second] * pack.current_gain + pack.current_bias + gauss(0, pack.current_noise)
        self.currents = [self.current * share + gauss(0, pack.current_noise) for share in pack.share]
        self.power = self.pack * self.current
        minutes = (second - pack.margin) / 60
        heat = pack.warming * (1 - math.exp(-minutes / 12))
        self.temperatures = [pack.warm + off + heat * (1 + 0.2 * off) + gauss(0, 0.04) for off in pack.warm_at]
        self.board = pack.warm + 4 + 3 * heat + gauss(0, 0.1)
        self.ambient = pack.warm - 3 + gauss(0, 0.1)
