"""An independent validator against the schemas in docs/schema: what every command prints must satisfy its
schema, and must not any more once a field is taken away."""
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
    ("check", ["demo"]),
    ("compared", ["report", VISIT, VISIT]),
    ("explained", ["check", "--explain", "quarantine"]),
    ("failed", ["check", "--simulated", "no-such-scenario"]),
    ("find", ["find", "--simulated", "hv-waiting", "--may-wake"]),
    ("lamp", ["lamp", "--seen", "3 flashes, pause"]),
    ("lamp", ["lamp", "--seen", "power: steady", "--seen", "fault: blinking", "--profile", "generic-hv-stack"]),
    ("listen-line", ["listen", "--simulated", "hv-commissioning", "--seconds", "20", "--profile", "generic-hv-stack"]),
    ("profile", ["profile", "list"]),
    ("profile", ["profile", "show", "generic-hv-stack"]),
    ("profile", ["profile", "show", "no-such-map"]),
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
            # Of the demo only; and one lamp stands at the top, several do not.
            may_lack = field in ("story", "told") or name == "lamp"
            if not may_lack and known.is_valid(less):
                found.append(f"{field}: may be taken away and nobody sees it")
    return found[:5]


def check(tool, folder):
    """Gives (what was run, differences) for all commands."""
    return [(" ".join(arguments), differences(tool, name, arguments, folder)) for name, arguments in PRINTED]


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        wrong = [(what, found) for what, found in check(sys.argv[1], scratch) if found]
    for what, found in wrong:
        print(what, *found, sep="\n    ")
    print(f"{len(PRINTED) - len(wrong)} of {len(PRINTED)} as their schema says")
    sys.exit(bool(wrong))
