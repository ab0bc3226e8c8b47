"""Judges films of four lamps at once: python3 tests/film/run.py PACKSIDE [films of each kind] [seed]

Prints each lamp that is not read right, then the shares. Fails above 0.5 % wrong though sure, and below LEAST_RIGHT,
which is the goal. Needs ffmpeg.
"""

import json
import pathlib
import random
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
import make

SECONDS = 8
LEAST_RIGHT = 95


def judged(tool, film, *more):
    done = subprocess.run([tool, "--format", "json", "lamp", "--film", str(film), *more], capture_output=True, text=True)
    if done.returncode not in (0, 6):
        raise SystemExit(f"{film}: exit {done.returncode}: {done.stderr}")
    return json.loads(done.stdout)


def outcome(lamp, answer):
    """right, open, wrong or not found; the second says what was read."""
    near = [one for one in answer["lamps"]
            if one["place"]["left"] - 24 <= lamp.x <= one["place"]["right"] + 24
            and one["place"]["top"] - 24 <= lamp.y <= one["place"]["bottom"] + 24]
    if not near:
        return "not found", ""
    one = near[0]
    said = one["recognised"] if one["unnamed"] is None else one["unnamed"]["text"]
    if not one["enough"]:
        return "open", f"{said} {one['unclear']}"
    if isinstance(lamp.name, int):
        right = one["unnamed"] is not None and one["unnamed"]["flashes"] == lamp.name
    else:
        right = one["unnamed"] is None and one["recognised"] == lamp.name
    if right and one["place"]["colour"] not in (None, lamp.colour):
        return "right", f"colour {one['place']['colour']}"
    return ("right" if right else "wrong"), str(said)


def main():
    tool = sys.argv[1]
    films = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 20261130
    total, colours, extra = {}, 0, 0
    with tempfile.TemporaryDirectory() as folder:
        for film in range(films):
            for kind, (name, how) in enumerate(make.kinds(random.Random(seed + film))):
                dice = random.Random(1000 * (seed + film) + kind)
                lamps = make.four_lamps(dice, how.get("unlisted", False))
                path = pathlib.Path(folder) / "film.mp4"
                every = make.frames(dice, lamps, make.background(dice), SECONDS, how["rate"], how["shake"], how["exposure"], how.get("gain", lambda ms: 1.0))
                failed = make.write(path, every, how["rate"], how["noise"])
                if failed is not None:
                    raise SystemExit(f"ffmpeg: {failed}")
                answer = judged(tool, path)
                extra += max(0, len(answer["lamps"]) - 4)
                for lamp in lamps:
                    what, said = outcome(lamp, answer)
                    total[what] = total.get(what, 0) + 1
                    colours += said.startswith("colour")
                    if what != "right" or said.startswith("colour"):
                        print(f"  seed {seed + film}, {name}: {lamp.name} ({lamp.colour}) at {lamp.x},{lamp.y}: {what} {said}")
        picture = pathlib.Path(folder) / "seen.png"
        judged(tool, path, "--picture", str(picture))
        read = subprocess.run(["ffmpeg", "-v", "error", "-i", str(picture), "-f", "null", "-"], capture_output=True, text=True)
        if read.returncode or read.stderr:
            raise SystemExit(f"the still is no sound PNG: {read.stderr}")
    count = sum(total.values())
    share = lambda what: 100 * total.get(what, 0) / count
    print(f"{count} lamps in {count // 4} films: right {share('right'):.1f} % (>= 95), cannot tell {share('open'):.1f} %, "
          f"wrong though sure {share('wrong'):.1f} % (<= 0.5), not found {share('not found'):.1f} %, wrong colour {colours}, places that are no lamp {extra}")
    if share("right") < LEAST_RIGHT or share("wrong") > 0.5:
        raise SystemExit(1)


main()
