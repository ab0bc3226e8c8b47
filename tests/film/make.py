"""Makes films of a housing with lamps that blink: an independent witness, plain Python, no line of ours.

Kind: invented. Raw frames in red, green, blue are drawn here; noise, x264 and the container are ffmpeg's.
"""

import math
import random
import subprocess

WIDTH, HEIGHT, EDGE = 640, 360, 60

# Kind: published (CiA 303-3, reprint): on and off times, ms; then, invented, some that no table holds.
LISTED = {
    "flickering": [50, 50],
    "blinking": [200, 200],
    "single-flash": [200, 1000],
    "double-flash": [200, 200, 200, 1000],
    "triple-flash": [200, 200, 200, 200, 200, 1000],
    "quadruple-flash": [200, 200, 200, 200, 200, 200, 200, 1000],
}
UNLISTED = {
    5: [200, 200] * 4 + [200, 1000],
    6: [200, 200] * 5 + [200, 1000],
    1: [500, 500],
}
COLOURS = {"red": (190, 20, 15), "green": (20, 180, 30), "amber": (190, 120, 5), "blue": (20, 50, 200), "white": (170, 170, 170)}


class Lamp:
    def __init__(self, dice, x, y, cycle, name):
        self.x, self.y, self.cycle, self.name = x, y, cycle, name
        self.colour = dice.choice(sorted(COLOURS))
        self.radius = dice.choice([4, 5, 7])
        self.rate = dice.uniform(0.9, 1.1)
        self.offset = dice.uniform(0, sum(cycle))

    def lit(self, ms):
        rest = (ms * self.rate + self.offset) % sum(self.cycle)
        for index, time in enumerate(self.cycle):
            if rest < time:
                return index % 2 == 0
            rest -= time
        return False

    def shine(self, ms, exposure_ms):
        """Share of the exposure during which it is lit."""
        return sum(self.lit(ms + exposure_ms * part / 8) for part in range(8)) / 8


def background(dice):
    """A housing with a label, screws and a rough surface, wider than the picture by EDGE on each side."""
    width, height = WIDTH + 2 * EDGE, HEIGHT + 2 * EDGE
    tone, slope = dice.randrange(50, 110), dice.uniform(-0.08, 0.08)
    more = lambda by: bytes(max(8, min(200, level + by)) for level in range(256))
    grain = [bytes(max(8, min(200, int(tone + slope * x + dice.randrange(-6, 7)))) for x in range(width)) for _ in range(24)]
    boxes = [(dice.randrange(width), dice.randrange(height), dice.randrange(20, 160), dice.randrange(10, 90), more(dice.randrange(-35, 60))) for _ in range(14)]
    rows, bluer = [], more(6)
    for y in range(height):
        level = bytearray(grain[(y // 3 * 7) % 24])
        for left, top, across, down, table in boxes:
            if top <= y < top + down:
                level[left:left + across] = level[left:left + across].translate(table)
        row = bytearray(3 * width)
        row[0::3], row[1::3], row[2::3] = level, level, level.translate(bluer)
        rows.append(row)
    return rows


def frames(dice, lamps, rows, seconds, rate, shake, exposure, gain_of):
    """Raw frames. The hand moves as a sum of slow swings; `gain_of` is the camera's gain by time."""
    swings = [(dice.uniform(0.3, 2.5), dice.uniform(0, 6.3), dice.uniform(0, 6.3)) for _ in range(3)]
    discs = {}
    for lamp in lamps:
        r = 2 * lamp.radius
        discs[lamp] = [(dx, dy, min(1.0, max(0.0, 1.6 * (1 - math.hypot(dx, dy) / r)) ** 1.5))
                       for dx in range(-r, r + 1) for dy in range(-r, r + 1) if math.hypot(dx, dy) < r]
    for number in range(int(seconds * rate)):
        ms = 1000 * number / rate
        right = sum(math.sin(speed * ms / 1000 * 2 + a) for speed, a, _ in swings) / 3
        down = sum(math.sin(speed * ms / 1000 * 2 + b) for speed, _, b in swings) / 3
        left, top = EDGE + round(shake * right), EDGE + round(shake * down)
        picture = [bytearray(row[3 * left:3 * (left + WIDTH)]) for row in rows[top:top + HEIGHT]]
        for lamp in lamps:
            shine = lamp.shine(ms, exposure * 1000 / rate)
            if shine <= 0:
                continue
            red, green, blue = COLOURS[lamp.colour]
            x0, y0 = lamp.x + EDGE - left, lamp.y + EDGE - top
            for dx, dy, share in discs[lamp]:
                x, y = x0 + dx, y0 + dy
                if 0 <= x < WIDTH and 0 <= y < HEIGHT:
                    row, at = picture[y], 3 * x
                    for part, more in enumerate((red, green, blue)):
                        row[at + part] = min(255, int(row[at + part] + more * share * shine))
        gain = gain_of(ms)
        if gain != 1.0:
            table = bytes(min(255, int(level * gain)) for level in range(256))
            picture = [row.translate(table) for row in picture]
        yield b"".join(picture)


def write(path, every, rate, noise, extra=()):
    """Through ffmpeg: noise, x264. Gives back what it said where it failed."""
    command = ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{WIDTH}x{HEIGHT}", "-r", str(rate), "-i", "-"]
    if noise:
        command += ["-vf", f"noise=alls={noise}:allf=t"]
    command += ["-pix_fmt", "yuv420p", *(extra or ["-c:v", "libx264", "-preset", "veryfast", "-crf", "26"]), str(path)]
    ffmpeg = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
    for frame in every:
        ffmpeg.stdin.write(frame)
    ffmpeg.stdin.close()
    said = ffmpeg.stderr.read().decode(errors="replace")
    return None if ffmpeg.wait() == 0 else said


def four_lamps(dice, unlisted=False):
    """Four lamps, at least 60 pixels apart and 40 from the rim."""
    lamps = []
    while len(lamps) < 4:
        x, y = dice.randrange(40, WIDTH - 40), dice.randrange(40, HEIGHT - 40)
        if any(math.hypot(x - other.x, y - other.y) < 60 for other in lamps):
            continue
        if unlisted and dice.random() < 0.5:
            name, cycle = dice.choice(sorted(UNLISTED.items()))
        else:
            name, cycle = dice.choice(sorted(LISTED.items()))
        lamps.append(Lamp(dice, x, y, cycle, name))
    return lamps


def kinds(dice):
    """One film of each kind: its name and how it is filmed."""
    step = dice.uniform(2000, 5000)
    return [
        ("still, 30", dict(rate=30, shake=0, exposure=0.3, noise=0)),
        ("hand, noise, 30", dict(rate=30, shake=14, exposure=0.5, noise=10)),
        ("hand, noise, 25", dict(rate=25, shake=10, exposure=0.8, noise=10)),
        ("hand, noise, 60", dict(rate=60, shake=20, exposure=0.5, noise=12)),
        ("gain drifts, hand", dict(rate=30, shake=8, exposure=0.5, noise=6, gain=lambda ms: 1 + 0.25 * math.sin(ms / 1700))),
        ("gain steps", dict(rate=30, shake=4, exposure=0.5, noise=6, gain=lambda ms: 1.0 if ms < step else 0.7)),
        ("five flashes and the like", dict(rate=30, shake=8, exposure=0.5, noise=8, unlisted=True)),
    ]
