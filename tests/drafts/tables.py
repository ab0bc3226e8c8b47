"""A maker's register list of an invented map, as a text file: clean, or as such lists are in the field.

`write(map, random, dirty, half, language)` gives a Table: its text (bytes), how it is laid out, and which of its statements are
wrong or missing. The truth stays in the map; the table is what somebody wrote down about it. Kind: invented.
"""

import copy
import csv
import html
import io
import re
import unicodedata
import zipfile
from dataclasses import dataclass, field

from words import BITS, LANGUAGES, STATES, UNSEEN, Words

COMMA = {"de", "it", "es", "fr"}
DECADES = {"pack_voltage", "terminal_voltage", "pack_current", "pack_power", "cell_voltage", "cell_voltage_max", "cell_voltage_min",
           "module_voltage", "cell_temperature", "cell_temperature_max", "cell_temperature_min", "soc"}
DEFECTS = ["merged", "no-scale", "base", "order", "direction", "signedness", "decade", "pages", "no-offset", "no-type", "no-unit", "formula"]


@dataclass
class Table:
    text: bytes
    suffix: str
    language: str
    half: int
    numbering: str
    style: str
    defects: list
    columns: list
    wrong: dict = field(default_factory=dict)   # id of a point -> what the list says wrongly or leaves out of it
    lines: dict = field(default_factory=dict)   # id of a point -> lines of its rows, from 1

    def about(self):
        return {"language": self.language, "wording": "unseen" if self.half == UNSEEN else "seen", "numbering": self.numbering,
                "scale_style": self.style, "defects": self.defects, "columns": self.columns, "wrong": self.wrong, "lines": self.lines}


def write(unit, random, dirty, half, language=None, file=None):
    writer = Writer(unit, random, dirty, half, language)
    writer.file = file or writer.file
    return writer.table()


def plain(number):
    text = "%.10g" % number
    return text if "e" not in text else ("%.10f" % number).rstrip("0").rstrip(".")


class Writer:
    def __init__(self, unit, random, dirty, half, language):
        self.unit, self.random, self.dirty, self.half = unit, random, dirty, half
        self.language = language or random.choices(LANGUAGES, [34, 16, 26, 8, 8, 8])[0]
        self.words = Words(random, self.language, half)
        self.points = [copy.copy(point) for point in unit.points]
        self.wrong = {}
        self.defects = []
        self.choose_defects()
        self.choose_layout()
        self.spoil()

    def about(self):
        return {"language": self.language, "numbering": self.numbering, "scale_style": self.style, "defects": self.defects, "wrong": self.wrong, "lines": {}}

    def has(self, defect):
        return defect in self.defects

    def choose_defects(self):
        if not self.dirty:
            return
        share = {"merged": 0.4, "no-scale": 0.3, "base": 0.3, "order": 0.2, "direction": 0.08, "signedness": 0.15, "decade": 0.3,
                 "pages": 0.45, "no-offset": 0.12, "no-type": 0.1, "no-unit": 0.06, "formula": 0.12}
        self.defects = [defect for defect in DEFECTS if self.random.random() < share[defect]] or [self.random.choice(DEFECTS[:8])]

    # -- how the list looks ------------------------------------------------------------------------------------

    def choose_layout(self):
        random = self.random
        self.file = random.choices(["csv", "tsv", "semicolon", "pasted"], [35, 25, 25, 15])[0]
        self.comma = self.language in COMMA and random.random() < 0.6
        both = len({p.function for p in self.points}) > 1
        base = self.unit.base
        self.numbering = random.choices(["from-0", "hex", "with-table", "from-1"], [45, 22, 23, 10])[0]
        if max(p.places[-1] for p in self.points) > 9900 and (self.numbering == "with-table" or not self.dirty):
            self.numbering = "hex"  # 30001 could be either
        self.six_digits = random.random() < 0.15
        self.base_said = self.numbering == "from-1" or random.random() < 0.3
        self.shift = {"from-0": 0, "hex": 0, "with-table": 1, "from-1": 1}[self.numbering]
        if self.has("base"):
            self.base_said = False
            if self.numbering == "from-1":       # counts from 1 and does not say so
                self.note_wrong("*", "base")
            elif self.numbering == "with-table":  # 40000 is the first one
                self.shift = 0
                self.note_wrong("*", "base")
            else:                                 # says nothing, and the numbers are one too high
                self.shift = 1
                self.note_wrong("*", "base")
        self.hex_form = random.choice(["0x%04X", "0x%X", "%04XH", "0x%04x", "%04Xh"])
        self.style = random.choices(["column", "gain", "unit", "slash", "times", "x10", "remark"], [34, 14, 16, 8, 10, 8, 10])[0]
        self.milli = random.random() < 0.5
        self.range_sign = random.choice(["-", "–", "~", "..", "…", " - ", " to " if self.language == "en" else "-"])
        self.array_style = random.choices(["range", "rows", "dots"], [45, 40, 15])[0]
        self.offset_column = any(p.offset for p in self.points) and random.random() < 0.45
        self.kelvin_said = random.random() < 0.6
        self.order_said = random.choices(["note", "each", "none"], [55, 25, 20])[0]
        columns = ["address", "name"]
        text = any(p.type == "string" for p in self.points)
        for column, share in (("type", 0.0 if self.has("no-type") else 1.0), ("unit", 0.92), ("length", 0.5), ("access", 0.4), ("remark", 0.9),
                              ("number", 0.3), ("range", 0.15)):
            if random.random() < share:
                columns.append(column)
        if "type" not in columns and "length" not in columns:
            columns.append("length")
        self.formula = self.has("formula") and any(p.per_module for p in self.points)
        if self.has("formula") and not self.formula:
            self.defects.remove("formula")
        if self.has("no-unit") and self.style == "unit":
            self.style = "column"
        if "unit" not in columns and self.style == "unit":
            columns.append("unit")
        if self.has("no-unit") and "unit" in columns:
            columns.remove("unit")
        self.unit_in_name = "unit" not in columns and not self.has("no-unit")
        self.milli = self.milli and not self.has("no-unit")
        scale_column = {"column": "scale", "gain": "gain", "slash": "scale", "times": "scale", "x10": "scale"}.get(self.style)
        if scale_column:
            columns.append(scale_column)
        elif self.style == "remark" and "remark" not in columns:
            columns.append("remark")
        if self.offset_column:
            columns.append("offset")
        elif any(p.offset for p in self.points) and "remark" not in columns:
            columns.append("remark")
        self.function_column = (both or random.random() < 0.2) and not (self.numbering == "with-table")
        if self.function_column:
            columns.append("function")
        self.range_addresses = random.random() < 0.35 or (text and "length" not in columns)
        first = [c for c in ("number",) if c in columns]
        rest = [c for c in columns if c not in first]
        if random.random() < 0.6:
            usual = ["address", "name", "function", "length", "type", "access", "scale", "gain", "offset", "unit", "range", "remark"]
            rest.sort(key=usual.index)
        else:
            random.shuffle(rest)
        self.columns = first + rest
        self.sections = random.random() < 0.35
        self.signed_said = random.random() < (0.75 if not self.dirty else 0.6)

    def note_wrong(self, id, what):
        self.wrong.setdefault(id, []).append(what)

    def spoil(self):
        """What the list says of single points and is not so."""
        random = self.random
        self.no_scale, self.no_offset = set(), set()
        if self.has("no-scale"):
            if random.random() < 0.2 and self.style in ("column", "slash", "times", "gain", "x10"):
                chosen = [p for p in self.points if p.scale != 1]
            else:
                chosen = random.sample(self.points, min(len(self.points), random.randint(1, 4)))
            self.no_scale = {p.id for p in chosen if p.scale != 1 and p.type != "string"}
            for id in self.no_scale:
                self.note_wrong(id, "no-scale")
        if self.has("no-offset"):
            self.no_offset = {p.id for p in self.points if p.offset}
            for id in self.no_offset:
                self.note_wrong(id, "no-offset")
        if self.has("decade"):
            chosen = [p for p in self.points if p.key in DECADES and p.type != "f32" and p.id not in self.no_scale]
            for point in random.sample(chosen, min(len(chosen), random.randint(1, 2))):
                point.scale = point.scale * random.choice([10, 0.1])
                self.note_wrong(point.id, "decade")
        if self.has("signedness"):
            for point in self.points:
                if point.type in ("i16", "i32") and random.random() < 0.6:
                    point.type = "u" + point.type[1:]
                    self.note_wrong(point.id, "signedness")
        wide = [p for p in self.points if p.registers > 1 and p.type != "string"]
        if self.has("order"):
            if random.random() < 0.5:
                self.order_said = "none"
            for point in wide:
                if random.random() < 0.6:
                    point.order = "low-first" if point.order == "high-first" else "high-first"
                    self.note_wrong(point.id, "order")
        if self.order_said == "none" and any(p.order == "low-first" for p in wide):
            if self.dirty and self.has("order"):
                for point in wide:
                    true = next(p for p in self.unit.points if p.id == point.id)
                    self.wrong[point.id] = [w for w in self.wrong.get(point.id, []) if w != "order"]
                    if true.order == "low-first":
                        self.note_wrong(point.id, "order-not-said")
            else:
                self.order_said = "note"
        if self.has("direction"):
            for point in self.points:
                if point.positive:
                    point.positive = "charge" if point.positive == "discharge" else "discharge"
                    self.note_wrong(point.id, "direction")
            self.signed_said = True
        if not self.signed_said:
            for point in self.points:
                if point.positive:
                    self.note_wrong(point.id, "direction-not-said")
        orders = [p.order for p in wide]
        self.usual_order = max(set(orders), key=orders.count) if orders else None
        if any(p.type == "string" or p.registers > 1 for p in self.points) and self.order_said == "each" and "remark" not in self.columns:
            self.order_said = "note"
        needs = any(p.order != self.usual_order for p in wide) or (self.signed_said and any(p.positive for p in self.points)) \
            or any(p.values or p.bits for p in self.points)
        if needs and "remark" not in self.columns:
            self.columns.append("remark")
        self.wrong = {id: what for id, what in self.wrong.items() if what}

    # -- cells of the list -------------------------------------------------------------------------------------

    def number(self, text):
        return text.replace(".", ",") if self.comma else text

    def address(self, point, register, registers=1, always=False):
        def one(at):
            at += self.shift
            if self.numbering == "with-table":
                table = 4 if point.function == 3 else 3
                return "%d%0*d" % (table, 5 if self.six_digits else 4, at)
            return self.hex_form % at if self.numbering == "hex" else str(at)
        if registers > 1 and (always or self.range_addresses):
            return one(register) + self.range_sign + one(register + registers - 1)
        return one(register)

    def name(self, point, element=None, last=None):
        pattern = self.words.quantity(point.key)
        if point.count == 1:
            if "{k}" in pattern:
                return " ".join(pattern.replace("{k}", str(point.number) if point.number else "").split())
            return pattern.replace("{n}", "1") + (" %d" % point.number if point.number else "")
        def index(i):
            return i % point.per_module + 1 if point.per_module else i + 1
        text = str(index(element))
        if last is not None and last != element:
            text += ("-" if "\n" in self.range_sign or self.range_sign == "…" else self.range_sign) + str(index(last))
        if point.per_module > 1 or (point.per_module == 1 and "{n}" not in pattern):
            module = self.words.quantity("module").replace("{m}", str(element // point.per_module + 1))
            return module + (" " if self.language != "zh" else "") + pattern.replace("{n}", text)
        if point.per_module == 1:
            return pattern.replace("{n}", str(element + 1))
        return pattern.replace("{n}", text)

    def unit_and_scale(self, point):
        """The unit as printed and the scale that goes with it."""
        unit, scale = point.unit, point.scale
        if unit == "degC":
            kelvin = point.offset in (-273.1, -273.15) and self.kelvin_said
            unit = "K" if kelvin else {"zh": "℃"}.get(self.language, self.words.chosen.setdefault("degC", self.random.choice(["°C", "°C", "℃", "degC", "C"])))
        elif unit in ("mOhm", "kOhm"):
            unit = self.words.chosen.setdefault(unit, self.random.choice([unit.replace("Ohm", "Ω"), unit.replace("Ohm", "ohm")]))
        elif unit in ("V", "A", "Ah") and abs(scale - 0.001) < 1e-9 and self.milli and point.type != "f32":
            unit, scale = "m" + unit, 1
        elif unit == "kW" and abs(scale - 0.001) < 1e-9 and self.milli:
            unit, scale = "W", 1
        return unit, scale

    def scale_cells(self, point, row):
        unit, scale = self.unit_and_scale(point)
        numeric = point.type not in ("string", "bits16", "bits32", "enum16")
        row["unit"] = unit if numeric else ""
        if not numeric:
            row["scale"] = row["gain"] = self.words.chosen.setdefault("no number", self.random.choice(["", "", "-", "1"]))
            return
        if point.id in self.no_scale:
            return
        inverse = plain(round(1 / scale, 9))
        style = self.style
        if style == "column":
            row["scale"] = self.number(plain(scale))
        elif style == "gain":
            row["gain"] = self.number(inverse)
        elif style == "slash":
            form = self.words.chosen.setdefault("slash", self.random.choice(["/%s", "1/%s", "÷%s"]))
            row["scale"] = (form % inverse if scale < 1 else "x" + plain(scale)) if scale != 1 else "1"
        elif style == "times":
            form = self.words.chosen.setdefault("times", self.random.choice(["x%s", "×%s", "*%s", "x %s"]))
            row["scale"] = form % self.number(plain(scale))
        elif style == "x10":
            form = self.words.chosen.setdefault("x10", self.random.choice(["x%s", "×%s", "*%s"]))
            row["scale"] = form % inverse if scale < 1 else ("/" + plain(scale) if scale > 1 else "x1")
        elif style == "unit" and scale != 1:
            form = self.words.chosen.setdefault("unit", self.random.choice(["%s%s", "%s %s"]))
            row["unit"] = form % (self.number(plain(scale)), unit)
        elif style == "remark" and scale != 1:
            forms = {"en": ["unit: %s %s", "%s %s/bit", "resolution %s %s"], "zh": ["单位%s%s", "分辨率%s%s"], "de": ["Auflösung %s %s", "%s %s/Bit"]}
            form = self.words.chosen.setdefault("remark", self.random.choice(forms.get(self.language, ["%s %s/bit"])))
            row["remark"].append(form % (self.number(plain(scale)), unit))

    def type_of(self, point):
        word = self.words.type(point.type)
        if point.type == "string":
            if "length" not in self.columns and not self.range_addresses or self.random.random() < 0.3:
                word += self.words.chosen.setdefault("length of texts", self.random.choice(["(%d)", "[%d]", " %d"])) % (2 * point.registers)
        return word

    def remarks(self, point, row):
        words, remark = self.words, row["remark"]
        wide = point.registers > 1 and point.type != "string"
        if wide and (self.order_said == "each" or (self.order_said == "note" and point.order != self.usual_order)):
            remark.append(words.note("high_first" if point.order == "high-first" else "low_first"))
        if point.positive and self.signed_said:
            remark.append(words.note(point.positive + "_positive"))
        if point.offset and point.id not in self.no_offset and not (row["unit"].endswith("K") and point.offset < -270):
            text = self.number(plain(point.offset))
            if self.offset_column:
                row["offset"] = text
            else:
                remark.append(words.note("offset").format(o=text, s=plain(point.scale), r=plain(round(-point.offset / point.scale))))
        elif self.offset_column:
            row["offset"] = words.chosen.setdefault("no offset", self.random.choice(["", "0", "0"])) if point.type not in ("string", "bits16", "bits32", "enum16") else ""
        if point.values:
            colon = words.chosen.setdefault("colon", self.random.choice([": ", "=", " = ", "-"]))
            between = words.chosen.setdefault("between", self.random.choice(["; ", ", ", " / ", "\n" if self.file in ("csv", "semicolon") and self.dirty else "; "]))
            remark.append(between.join("%d%s%s" % (n, colon, STATES[self.language][s]) for n, s in point.values.items()))
        if point.bits:
            form = words.chosen.setdefault("bit", self.random.choice(["bit%d: %s", "Bit %d %s", "b%d=%s", "bit%d %s", "Bit%d: %s"]))
            between = words.chosen.setdefault("between bits", self.random.choice(["; ", ", ", " | " if self.file != "pasted" else "; "]))
            remark.append(between.join(form % (n, BITS[self.language][b]) for n, b in point.bits.items()))

    # -- rows --------------------------------------------------------------------------------------------------

    def row(self, point, first, last):
        """The row of elements first to last of a point."""
        row = dict.fromkeys(self.columns, "")
        row.update(unit="", remark=[])
        registers = point.places[last] - point.places[first] + point.registers
        row["address"] = self.address(point, point.places[first], registers, always=last > first)
        row["name"] = self.name(point, first, last)
        if self.unit_in_name and point.unit:
            row["name"] += self.words.chosen.setdefault("unit in name", self.random.choice([" (%s)", " [%s]", ", %s"])) % self.unit_and_scale(point)[0]
        row["type"] = self.type_of(point)
        row["length"] = str(registers)
        row["access"] = self.words.chosen.setdefault("access", self.random.choice(["R", "RO", "R", "Read"]))
        row["function"] = self.words.chosen.setdefault("function", self.random.choice(["%02d", "0x%02X", "%d", "FC%d"])) % point.function
        self.scale_cells(point, row)
        self.remarks(point, row)
        if "range" in self.columns and point.most and point.type not in ("f32", "string"):
            unit = self.unit_and_scale(point)[0]
            most = plain(round(point.most * {"k": 0.001, "m": 1000}.get(unit[0], 1)) if unit not in ("", "kΩ", "kohm", "kWh") else round(point.most))
            if unit != "K":
                row["range"] = "%s..%s" % ("-" + most if point.signed else "0", most)
        row["remark"] = "; ".join(row["remark"])
        row["id"] = point.id
        return row

    def rows_of(self, point):
        if point.count == 1:
            return [self.row(point, 0, 0)]
        each = point.per_module or point.count
        starts = range(0, point.count, each)
        if self.array_style == "rows" or each == 1:
            return [self.row(point, i, i) for i in range(point.count)]
        if self.array_style == "dots" and each > 3:
            rows = []
            for start in starts:
                between = dict.fromkeys(self.columns, "")
                between.update(address="...", name="...", id=point.id, unit="")
                rows += [self.row(point, start, start), self.row(point, start + 1, start + 1), between, self.row(point, start + each - 1, start + each - 1)]
            return rows
        return [self.row(point, start, start + each - 1) for start in starts]

    def reserved_row(self, function, first, last):
        row = dict.fromkeys(self.columns, "")
        like = copy.copy(self.points[0])
        like.function = function
        row["address"] = self.address(like, first, last - first + 1, always=last > first)
        row["name"] = self.words.quantity("reserved")
        row["length"] = str(last - first + 1)
        if "function" in row:
            row["function"] = self.words.chosen.setdefault("function", "%02d") % function
        row["id"] = ""
        return row

    def by_register(self):
        found = []
        for point in self.points:
            each = point.per_module or point.count
            rows = self.rows_of(point)
            if point.count == 1:
                found.append((point.function, point.places[0], point.section, rows[0]))
                continue
            modules = max(point.count // each, 1)
            share = len(rows) // modules
            if self.formula and point.per_module and modules > 1:
                rows = rows[:share]
                for row in rows:
                    row["name"] = row["name"].replace(self.words.quantity("module").replace("{m}", "1"), self.words.quantity("module").replace("{m}", "n"), 1) \
                        if point.per_module > 1 or "{n}" not in self.words.quantity(point.key) else self.words.quantity(point.key).replace("{n}", "n")
            for number, row in enumerate(rows):
                module, inside = divmod(number, share)
                found.append((point.function, point.places[module * each] + inside * 0.001, point.section, row))
        if self.random.random() < 0.6:
            runs = []
            for function, register in sorted(self.unit.fill):
                if runs and runs[-1][0] == function and runs[-1][2] + 1 == register:
                    runs[-1][2] = register
                else:
                    runs.append([function, register, register])
            found += [(f, a, None, self.reserved_row(f, a, b)) for f, a, b in runs]
        found.sort(key=lambda one: one[:2])
        return found

    def merge(self, rows):
        """Cells that a spreadsheet shows as one: only the first keeps its text."""
        last = {}
        names = self.random.random() < 0.5
        columns = [c for c in ("type", "unit", "scale", "gain", "offset", "access", "function", "length", "remark") if c in self.columns and self.random.random() < 0.6]
        for row in rows:
            before = dict(row)
            for column in columns:
                if row["id"] and last.get("id") == row["id"] and before[column] == last.get(column):
                    row[column] = ""
            if names and row["id"] and last.get("id") == row["id"] and row["name"] != "..." and "module" not in row["id"]:
                row["name"] = ""
            last = before
        pairs = ("unit", "scale", "gain", "type")
        if self.random.random() < 0.4:
            last = {}
            for row in rows:
                before = dict(row)
                if row["id"] and last.get("id") and row["id"] != last["id"] and all(row.get(c, "") == last.get(c, "") for c in pairs):
                    if row["id"].startswith(("cell_voltage_", "cell_temperature_")):
                        for column in pairs:
                            if column in row:
                                row[column] = ""
                last = before

    # -- the file ----------------------------------------------------------------------------------------------

    def preamble(self):
        words, random = self.words, self.random
        lines = []
        if random.random() < 0.7:
            lines.append(words.note("title"))
        functions = {p.function for p in self.points}
        if len(functions) == 1 and not self.function_column and (self.numbering != "with-table") and random.random() < (0.95 if not self.dirty else 0.7):
            lines.append(words.note("holding" if functions == {3} else "input"))
        elif len(functions) == 1 and functions == {4} and not self.function_column and self.numbering != "with-table" and not self.dirty:
            lines.append(words.note("input"))
        if self.base_said and self.numbering != "with-table":
            told = {"from-1": {"en": "Register numbers count from 1.", "de": "Registernummern zählen ab 1.", "zh": "寄存器编号从1开始。",
                               "it": "I numeri di registro partono da 1.", "es": "Los registros se numeran desde 1.", "fr": "Les registres sont numérotés à partir de 1."},
                    "from-0": {"en": "Register addresses count from 0.", "de": "Registeradressen zählen ab 0.", "zh": "寄存器地址从0开始。",
                               "it": "Gli indirizzi di registro partono da 0.", "es": "Las direcciones se numeran desde 0.", "fr": "Les adresses commencent à 0."}}
            lines.append(told["from-1" if self.numbering == "from-1" else "from-0"][self.language])
        if self.formula:
            for point in self.points:
                if point.per_module:
                    step = point.places[point.per_module] - point.places[0]
                    word = self.words.quantity("module").replace("{m}", "n")
                    lines.append("%s (n = 1..%d): +%d x (n-1)" % (word if self.unit.records else self.words.quantity(point.key).replace("{n}", "n"), self.unit.modules, step))
                    if self.unit.records:
                        break
        if self.order_said == "note" and self.usual_order:
            lines.append(words.note("all_high_first" if self.usual_order == "high-first" else "all_low_first"))
        return lines

    def table(self):
        random, words = self.random, self.words
        placed = self.by_register()
        rows = [row for _, _, _, row in placed]
        for number, row in enumerate(rows, 1):
            row["number"] = str(number)
        if self.has("merged"):
            self.merge(rows)
        heading = [words.heading(c) for c in self.columns]
        out = [[line] for line in self.preamble()]
        if out and random.random() < 0.5:
            out.append([])
        out.append(heading)
        page, every, section_before, self.ids = 1, random.randint(18, 40), None, {}
        for number, (function, _, section, row) in enumerate(placed):
            if self.sections and section and section != section_before:
                out.append([words.note("section_" + {"limits": "electric"}.get(section, section))] if section_before != section else [])
                section_before = section
            if self.has("pages") and number and number % every == 0:
                if random.random() < 0.6:
                    out.append([words.note("page").format(p=page, q=len(rows) // every + 1)])
                if random.random() < 0.4:
                    out.append([])
                if random.random() < 0.7:
                    out.append(heading)
                page += 1
            self.ids[len(out)] = row["id"]
            out.append([row.get(c, "") for c in self.columns])
        if self.has("pages"):
            out.append([])
            out.append([words.note("page").format(p=page, q=page)])
        self.lines = {}
        text, suffix = self.render(out)
        return Table(text, suffix, self.language, self.half, self.numbering, self.style, self.defects, self.columns, self.wrong, self.lines)

    def on_line(self, row, line):
        """Row `row` of the list begins at a line of the file."""
        if self.ids.get(row):
            self.lines.setdefault(self.ids[row], []).append(line)

    def render(self, out):
        random = self.random
        if self.file == "xlsx":
            for number in range(len(out)):
                self.on_line(number, number + 1)
            return workbook(out, self.comma), "xlsx"
        end = "\r\n" if random.random() < 0.3 else "\n"
        if self.file == "pasted":
            text, suffix = pasted(out, len(self.columns), self.dirty and random.random() < 0.4, self.on_line), "txt"
        else:
            sign, suffix = {"csv": (",", "csv"), "tsv": ("\t", "tsv"), "semicolon": (";", "csv")}[self.file]
            width = len(self.columns) if random.random() < 0.5 else 0
            kept = io.StringIO()
            writer = csv.writer(kept, delimiter=sign, lineterminator="\n")
            for number, row in enumerate(out):
                self.on_line(number, kept.getvalue().count("\n") + 1)
                writer.writerow(row + [""] * (width - len(row)))
            text = kept.getvalue()
        coding = "utf-8-sig" if random.random() < 0.15 else "utf-8"
        if self.dirty and random.random() < 0.08:
            coding = "gb18030" if self.language == "zh" else "cp1252"
        return text.replace("\n", end).encode(coding, "replace"), suffix


SHEET = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
PARTS = {  # Kind: published, Office Open XML (ECMA-376), the least that makes a workbook; from memory.
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" '
        'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
        'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="Registers" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" '
        'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}


def workbook(out, comma):
    """A workbook of one sheet. Plain decimal numbers are numbers, as a spreadsheet keeps them."""
    rows = []
    for number, row in enumerate(out, 1):
        cells = []
        for column, text in enumerate(row):
            place = "%s%d" % (chr(65 + column), number)
            figure = text.replace(",", ".") if comma else text
            if re.fullmatch(r"-?(0|[1-9]\d*)(\.\d+)?", figure):
                cells.append('<c r="%s"><v>%s</v></c>' % (place, figure))
            elif text:
                cells.append('<c r="%s" t="inlineStr"><is><t xml:space="preserve">%s</t></is></c>' % (place, html.escape(text, quote=False)))
        rows.append('<row r="%d">%s</row>' % (number, "".join(cells)))
    sheet = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>' % "".join(rows)
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as book:
        for name, text in [*PARTS.items(), ("xl/worksheets/sheet1.xml", sheet)]:
            book.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), SHEET + text)
    return kept.getvalue()


def width_of(text):
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def pasted(out, columns, wrap, on_line):
    """Columns kept apart by blanks, as a page copied from a document; long remarks may go on in the next line."""
    table = [row for row in out if len(row) == columns]
    most = 40 if wrap else 10_000
    widths = [min(max([width_of(row[c]) for row in table] or [0]), most) for c in range(columns)]
    lines = []
    for number, row in enumerate(out):
        on_line(number, len(lines) + 1)
        if len(row) != columns:
            lines.append(row[0] if row else "")
            continue
        parts = [fold(cell, most) for cell in row]
        for n in range(max(map(len, parts))):
            cells = [part[n] if n < len(part) else "" for part in parts]
            lines.append("  ".join(cell + " " * (width - width_of(cell)) for cell, width in zip(cells, widths)).rstrip())
    return "\n".join(lines) + "\n"


def fold(text, most):
    lines, line = [], ""
    for word in text.split(" "):
        if line and width_of(line) + 1 + width_of(word) > most:
            lines.append(line)
            line = word
        else:
            line = line + " " + word if line else word
    return lines + [line]
