"""An independent validator against the schemas in docs/schema: what every command prints must satisfy its
schema, and must not any more once a field is taken away. What the tests printed as JSON is read as well
(`tests/it/tool.rs` keeps it), and JUnit files by the grammar that build servers expect."""
import json
import pathlib
import subprocess
import sys

import jsonschema

ROOT = pathlib.Path(__file__).parent.parent.parent
VISIT = "tests/visits/fault-behind-the-lamp.visit.jsonl"
RACK = "tests/visits/rack-hidden-fault.visit.jsonl"

# Schema, arguments.
PRINTED = [
    ("check", ["check", "--simulated", "hv-waiting"]),
    ("check", ["check", "--simulated", "hv-fault-behind-lamp", "--explain"]),
    ("check", ["check", "--recording", RACK]),
    ("demo", ["demo"]),
    ("compared", ["report", VISIT, VISIT]),
    ("explained", ["check", "--explain", "quarantine"]),
    ("failed", ["check", "--simulated", "no-such-scenario"]),
    ("failed", ["report", "no-such-recording.visit.jsonl"]),
    ("failed", ["retest", "no-such-folder"]),
    ("failed", ["lamp", "--seen", "no such words"]),
    ("draft", ["profile", "from-table", "tests/drafts/examples/01-en-clean.csv"]),
    ("failed", ["profile", "show", "no-such-map"]),
    ("failed", ["watch", "--simulated", "no-such-scenario"]),
    ("failed", ["listen", "--simulated", "no-such-scenario"]),
    ("failed", ["find", "--simulated", "no-such-scenario"]),
    ("failed", ["visit", "--simulated", "no-such-scenario"]),
    ("failed", ["report", "--no-such-option"]),
    ("failed", ["no-such-command"]),
    ("failed", []),
    ("find", ["find", "--simulated", "hv-waiting", "--may-wake"]),
    ("lamp", ["lamp", "--seen", "3 flashes, pause"]),
    ("lamp", ["lamp", "--seen", "power: steady", "--seen", "fault: blinking", "--profile", "generic-hv-stack"]),
    ("listen-line", ["listen", "--simulated", "hv-commissioning", "--seconds", "20", "--profile", "generic-hv-stack"]),
    ("profile", ["profile", "list"]),
    ("profile", ["profile", "show", "generic-hv-stack"]),
    ("profile", ["profile", "check", "profiles/maps/generic-hv-stack.toml", "Cargo.toml"]),
    ("profile", ["profile", "explain", "generic-hv-stack", "cell_voltage"]),
    ("report", ["report", VISIT]),
    ("retest", ["retest", "tests/visits"]),
    ("verified", ["report", VISIT, "--verify"]),
    ("visited", ["visit", "--simulated", "hv-waiting"]),
    ("watch-line", ["watch", "--simulated", "hv-waiting", "--seconds", "20"]),
]


def validator(name):
    schema = json.loads((ROOT / "docs" / "schema" / f"{name}.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def differences(tool, name, arguments, folder):
    """Every line of one command against its schema."""
    command = [tool, *arguments, "--format", "json"]
    if name == "visited":
        answers = pathlib.Path(folder) / "answers.toml"
        answers.write_text('format = 1\n[answers]\nwho = "somebody"\n', encoding="utf-8")
        command += ["--record", str(answers.with_name("schemas.visit.jsonl")), "--answers", str(answers)]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=300, check=False, cwd=ROOT, stdin=subprocess.DEVNULL
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    if not lines:
        return [f"nothing was printed: {done.stderr}"]
    known = validator(name)
    found = []
    for line in lines:
        found += [f"{error.json_path}: {error.message}" for error in known.iter_errors(line)]
        for field in line:
            less = {key: value for key, value in line.items() if key != field}
            # One lamp stands at the top, several do not.
            if name != "lamp" and known.is_valid(less):
                found.append(f"{field}: may be taken away and nobody sees it")
    return found[:5]


# File of the schema, where it is not called as the schema is.
FILES = {"explain": "explained", "listen": "listen-line", "watch": "watch-line"}
KEPT = ROOT / "target" / "tmp" / "printed"


def kept():
    """What the tests printed: every line by the schema that it names, else by that of the first line."""
    found, read = [], 0
    for file in sorted(KEPT.glob("*.jsonl")):
        known = None
        for line in map(json.loads, file.read_text(encoding="utf-8").splitlines()):
            if "schema" in line:
                name = line["schema"].removeprefix("packside.").removesuffix("/1")
                known = validator(FILES.get(name, name))
            read += 1
            found += [f"{file.name}: {error.json_path}: {error.message}" for error in known.iter_errors(line)]
    print(f"       {read} lines of {len(list(KEPT.glob('*.jsonl')))} outputs of the tests")
    return found[:10] if read else ["the tests kept nothing: cargo test --workspace goes before"]


def junit(tool, folder):
    """What `retest --junit` writes, by the grammar and by another author's reader."""
    import junitparser
    import xmlschema

    file = pathlib.Path(folder) / "retest.xml"
    cases = pathlib.Path(folder) / "cases"
    cases.mkdir()
    cold = (ROOT / "simulator" / "scenarios" / "hv-cold.toml").read_text(encoding="utf-8")
    (cases / "wrong.toml").write_text(cold.replace('["not-ready"]', '["normal"]'), encoding="utf-8")
    (cases / "right.toml").write_text(cold, encoding="utf-8")
    (cases / "cut.visit.jsonl").write_text('{"type":"hea', encoding="utf-8")
    subprocess.run([tool, "retest", cases, "--junit", file], capture_output=True, timeout=300, check=False)
    grammar = xmlschema.XMLSchema(str(pathlib.Path(__file__).with_name("junit.xsd")))
    found = [str(error.reason) for error in grammar.iter_errors(str(file))]
    read = junitparser.JUnitXml.fromfile(str(file))
    counted = (read.tests, read.failures, read.errors, [suite.tests for suite in read])
    # Kind: derived (one expectation each, of the three files above)
    if counted != (3, 1, 1, [3]):
        found.append(f"junitparser: expected 3 tests, 1 failure, 1 error in one suite, found {counted}")
    return found


def check(tool, folder):
    """Gives (what was run, differences) for all commands."""
    printed = [(" ".join(arguments), differences(tool, name, arguments, folder)) for name, arguments in PRINTED]
    return [*printed, ("what the tests printed", kept()), ("retest --junit", junit(tool, folder))]


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        all_of_it = check(sys.argv[1], scratch)
        wrong = [(what, found) for what, found in all_of_it if found]
    for what, found in wrong:
        print(what, *found, sep="\n    ")
    print(f"{len(all_of_it) - len(wrong)} of {len(all_of_it)} as their schema says")
    sys.exit(bool(wrong))
