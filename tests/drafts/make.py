"""One invented unit: its map (truth), its table, its images. Everything follows from a seed."""

import hashlib
import json
import random

import tables
from maps import Map

IMAGES = 60


def generator(salt, *what):
    digest = hashlib.sha256(repr((salt,) + what).encode()).digest()
    return random.Random(int.from_bytes(digest[:8], "big"))


class Unit:
    """Unit number `number` of the family `salt`."""

    def __init__(self, salt, number, mode="flowing"):
        self.salt, self.number, self.mode = salt, number, mode
        draw = generator(salt, number, "map", mode)
        self.period = draw.choice([2, 5, 10, 10, 15])
        self.map = Map(draw, IMAGES * self.period + 10, mode)

    def table(self, dirty, half, language=None, file=None):
        return tables.write(self.map, generator(self.salt, self.number, "table", dirty, half), dirty, half, language, file)

    def writer(self, dirty, half):
        """Who writes the list: knows what it says of each point."""
        return tables.Writer(self.map, generator(self.salt, self.number, "table", dirty, half), dirty, half, None)

    def images(self, count):
        """Lines of JSON, one for each image and function; one image only: at a moment when current flows, if it does."""
        moments = [i * self.period for i in range(count)] if count > 1 else [self.flowing_moment()]
        lines = []
        for moment in moments:
            for function, words in sorted(self.map.image(moment).items()):
                registers = {str(register): word for register, word in sorted(words.items())}
                lines.append(json.dumps({"t": moment, "unit": 1, "function": function, "registers": registers}))
        return "\n".join(lines) + "\n"

    def flowing_moment(self):
        pack = self.map.pack
        for moment in range(IMAGES * self.period):
            if abs(pack.current[moment + pack.margin]) > 0.15 * pack.most:
                return moment
        return 0


def examples(folder, salt="examples"):
    """Ten units of which everything may be shown: wording of the seen half only."""
    from words import LANGUAGES, SEEN
    languages = (LANGUAGES * 2)[:10]
    folder.mkdir(parents=True, exist_ok=True)
    for number, language in enumerate(languages):
        unit, dirty = Unit(salt, number), number % 2 == 1
        table = unit.table(dirty, SEEN, language)
        stem = folder / ("%02d-%s-%s" % (number + 1, language, "dirty" if dirty else "clean"))
        stem.with_suffix("." + table.suffix).write_bytes(table.text)
        truth = unit.map.truth()
        truth["table"] = table.about()
        lines = [json.dumps(point, ensure_ascii=False) for point in truth.pop("points")]
        head = json.dumps(truth, ensure_ascii=False, indent=1)[:-2]
        stem.with_suffix(".truth.json").write_text(head + ',\n "points": [\n  ' + ",\n  ".join(lines) + "\n ]\n}\n", encoding="utf-8")
        stem.with_suffix(".one.jsonl").write_text(unit.images(1))
        if number < 2:  # sixty images are long: two of them
            stem.with_suffix(".sixty.jsonl").write_text(unit.images(IMAGES))


if __name__ == "__main__":
    import pathlib
    import sys

    if sys.argv[1:] != ["examples"]:
        raise SystemExit("usage: python3 tests/drafts/make.py examples")
    examples(pathlib.Path(__file__).parent / "examples")
