"""The JSON Schemas and the loader judge the same files alike.

usage: schema_test.py CHECK_FILES SOURCE_FOLDER

Schemas see one file; the loader sees all of them together. So a file that its schema refuses must be refused by the
loader, at the same place; and what the schemas take, the loader may refuse only for a reason that no schema can say
(listed below). The files tried are the shipped examples, bent at every key: taken away, of another type, at and beyond
the ends of every range, misspelt.
"""
import copy
import glob
import json
import os
import subprocess
import sys

import jsonschema

CHECK_FILES, SOURCE = sys.argv[1], sys.argv[2]
TODAY = "2026-11-25"
BUDGET = "budget.json"  # as the job names it
KINDS = ("profile", "bench", "job", "card", "budget")

# Reasons of the loader that a schema cannot know: between keys, between files, or about dates. A part of the text.
BEYOND_SCHEMAS = (
    "at least every_s", "at least twice", "at least the settle window", "a window needs", "sweeps that fit",
    "less than guards/stale_s", "above lowest_c", "above low_", "above the first", "above item_lowest_c",
    "above reference_lowest_c", "at least highest_c", "lowest_c to highest_c", "within leave_between_c",
    "temperatures that", "'s limits)", "limits of sensor", "range of the model", "guards)", "a port of its own",
    "an address of its own", "a name of its own", "a scanner of the bench", "a channel of the bench",
    "a source of the bench", "a channel that is", "a channel that measures", "that with an entry for", "one that gives",
    "an offset (of_reading 0) or a gain", "neither here nor in the defaults", "a reference needs it", "only a survey can do without", "used once",
    "of its own", "not before calibrated", "not after today", "or later", "plugs a thermocouple",
    "a sensor card that can be read", "has for this sensor", "above 0, or a fraction_of_t", "an uncertainty budget that can be read", "a label", "is defined for", "seven days", "resistance falls", "ties to a source")


def beyond_schemas(fault):
    # That a plateau's key stands neither in it nor in the defaults.
    half = fault["file"] == "profile" and fault["pointer"].startswith("/plateau") and "found nothing" in fault["text"]
    return half or any(reason in fault["text"] for reason in BEYOND_SCHEMAS)


def load(path):
    with open(path, encoding="utf-8") as f:
        return json.load(f)


def schemas():
    out = {}
    for kind in KINDS:
        schema = load(f"{SOURCE}/profiles/schema/{kind}.schema.json")
        jsonschema.Draft202012Validator.check_schema(schema)
        out[kind] = jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker(["date"]))
    return out


# The examples, with what they leave out by being optional, so that every key of the formats is bent.
def good_files():
    files = {
        "profile": load(f"{SOURCE}/profiles/cold-store.json"), "bench": load(f"{SOURCE}/demo/bench.json"),
        "job": load(f"{SOURCE}/demo/job.json")}
    # Few of a kind: what holds for one plateau, item or channel holds for the next.
    del files["profile"]["plateaus"][2:]
    items = ("probe-1", "probe-2", "probe-3", "pt100-1")
    files["job"]["items"] = [use for use in files["job"]["items"] if use["channel"] in items]
    uses = files["job"]["references"] + files["job"]["items"] + files["job"]["junctions"]
    files["bench"]["channels"] = {use["channel"]: files["bench"]["channels"][use["channel"]] for use in uses}
    for use in uses:
        files[use["card"]] = load(f"{SOURCE}/demo/{use['card']}")
    files["profile"]["plateaus"][0] = dict(copy.deepcopy(files["profile"]["plateau_defaults"]), setpoint_c=-25, source="cold")
    for plateau in files["profile"]["plateaus"][1:]:
        plateau["source"] = "cold"
    files["job"]["sources"] = {"cold": "bath"}
    files[BUDGET] = load(f"{SOURCE}/demo/{BUDGET}")
    files[BUDGET]["decision"] = {"rule": "largest_risk", "risk": 0.025, "source": "JCGM 106:2012"}
    files[BUDGET]["sensors"]["SB-T-01"] = [
        {"name": "leads", "standard_k": 0.01, "degrees_of_freedom": 12, "of_reading": 0.001, "source": "measured"}]
    files[BUDGET]["scanners"]["scanner-a"]["temperature"] = [
        {"name": "gain", "standard_k": 0, "of_reading": 1e-5, "common_to_channels": True, "source": "certificate"}]
    files[BUDGET]["items_that_measure"]["current"] = files[BUDGET]["items_that_measure"]["temperature"] = []
    files[BUDGET]["scanners"]["scanner-a"]["current"] = [
        {"name": "accuracy", "half_width_a": 1e-6, "shape": "u_shaped", "source": "certificate"}]
    files["cards/probe-1.json"]["tolerance"] = {"standard": "IEC 60584-1", "class": "1"}
    files["cards/probe-2.json"]["tolerance"] = {"constant_k": 0.5, "fraction_of_t": 0.004}
    files["cards/pt100-1.json"]["tolerance"] = {"standard": "IEC 60751", "class": "A", "build": "wire_wound"}
    files["bench"]["wire_log"] = True
    files["bench"]["sources"]["bath"]["attended"] = False
    files["bench"]["scanners"]["scanner-a"]["port"] = {"type": "tcp", "host": "scanner-a", "port": 5025}
    files["bench"]["sources"]["bath"]["port"] = {
        "type": "serial", "path": "/dev/serial/by-id/usb-1", "baud": 9600, "data_bits": 8, "parity": "none", "stop_bits": 1,
        "flow": "none", "dtr": "off", "rts": "on"}
    files["bench"]["channels"]["probe-2"]["junction"] = {"fixed_c": 0.0}
    files["bench"]["channels"]["probe-3"]["junction"] = {"instrument": True}
    return files


def with_model(files, model, channel="pt100-1", measures="resistance"):
    out = copy.deepcopy(files)
    out["cards/pt100-1.json"]["model"] = model
    out["bench"]["channels"][channel]["measures"] = measures
    return out


# Every sensor model of the format, in a set of files that is a plan.
def models(files):
    yield with_model(files, {"kind": "platinum", "r0_ohm": 100, "a_per_c": 3.9e-3, "b_per_c2": -5.8e-7, "c_per_c4": -4e-12})
    yield with_model(files, {"kind": "sprt", "r_tpw_ohm": 25.5, "below": {"subrange": 4, "coefficients": [-1e-4, 1e-5]},
                             "above": {"subrange": 8, "coefficients": [-1e-4, 1e-5]}})
    yield with_model(files, {"kind": "thermistor", "a": 1e-3, "b": 2e-4, "c": 1e-7, "low_c": -40, "high_c": 120})
    yield with_model(files, {"kind": "thermistor", "coefficients": [1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8],
                             "low_c": -40, "high_c": 120})
    yield with_model(files, {"kind": "current_transmitter", "low_c": -50, "high_c": 150, "low_a": 0.004, "high_a": 0.02},
                     measures="current")
    yield with_model(files, {"kind": "indicated"}, measures="temperature")


def kind_of(name):
    return name if name in KINDS else "budget" if name == BUDGET else "card"


def leaves(value, path=()):
    yield path, value
    if isinstance(value, dict):
        for key, inside in value.items():
            yield from leaves(inside, path + (key,))
    elif isinstance(value, list):
        for index, inside in enumerate(value):
            yield from leaves(inside, path + (index,))


def at(document, path):
    for key in path:
        document = document[key]
    return document


REPLACEMENTS = (None, True, False, "text", "", "a\tb", "x" * 401, -1e9, -300, -1, 0, 1e-9, 0.5, 1, 2.5, 11, 1e9, [], [1], {}, {"a": 1})


def bends(document):
    """(what, document) for every way to bend it."""
    for path, value in leaves(document):
        if path:
            parent_path, key = path[:-1], path[-1]
            for replacement in REPLACEMENTS:
                if replacement == value and type(replacement) is type(value):
                    continue
                bent = copy.deepcopy(document)
                at(bent, parent_path)[key] = replacement
                yield f"/{'/'.join(map(str, path))} = {json.dumps(replacement)[:40]}", bent
            bent = copy.deepcopy(document)
            del at(bent, parent_path)[key]
            yield f"/{'/'.join(map(str, path))} taken away", bent
        if isinstance(value, dict):
            bent = copy.deepcopy(document)
            at(bent, path)["unknown_key"] = 1
            yield f"/{'/'.join(map(str, path))}/unknown_key added", bent


def range_ends(schema):
    """Every (keyword, number) in a schema: the ends of its ranges."""
    if isinstance(schema, dict):
        for keyword in ("minimum", "maximum", "exclusiveMinimum"):
            if isinstance(schema.get(keyword), (int, float)):
                yield schema[keyword]
        for inside in schema.values():
            yield from range_ends(inside)
    elif isinstance(schema, list):
        for inside in schema:
            yield from range_ends(inside)


# Numbers replaced by each end of each range of the schema, and by what lies just beside it.
def number_bends(document, schema):
    ends = sorted(set(range_ends(schema)))
    tries = sorted({t for end in ends for t in (end, end - 1e-6, end + 1e-6, int(end) - 1, int(end) + 1)})
    for path, value in leaves(document):
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            continue
        for number in tries:
            bent = copy.deepcopy(document)
            at(bent, path[:-1])[path[-1]] = number
            yield f"/{'/'.join(map(str, path))} = {number!r}", bent


def request(files):
    text = lambda name: {"name": name, "text": json.dumps(files[name])}
    return {"profile": text("profile"), "bench": text("bench"), "job": text("job"),
            "cards": [text(name) for name in files if name not in KINDS], "bench_directory": "/bench"}


class Tally:
    def __init__(self, validators):
        self.validators, self.cases, self.failures = validators, [], []

    def add(self, files, name, what):
        self.cases.append((files, name, what))

    def run(self):
        lines = "".join(json.dumps(request(files)) + "\n" for files, _, _ in self.cases)
        done = subprocess.run([CHECK_FILES, TODAY], input=lines, capture_output=True, text=True)
        if done.returncode != 0:
            sys.exit(f"{CHECK_FILES} ended with {done.returncode}: {done.stderr}")
        answers = done.stdout.splitlines()
        assert len(answers) == len(self.cases), f"{len(answers)} answers to {len(self.cases)} questions"
        refused = 0
        for (files, name, what), answer in zip(self.cases, answers):
            faults = json.loads(answer)
            refused += self.judge(files, name, what, faults)
        return refused

    def judge(self, files, name, what, faults):
        good = name is None or self.validators[kind_of(name)].is_valid(files[name])
        own = [f for f in faults if f["file"] == name]
        if not good and not own:
            self.failures.append(f"{name} {what}: the schema refuses it, the loader says {faults[:2]}")
        if good:
            for fault in faults:
                if not beyond_schemas(fault):
                    self.failures.append(f"{name} {what}: the schema takes it, the loader says {fault['text']}")
        return not good


def main():
    validators = schemas()
    examples = [("profile", f) for f in glob.glob(f"{SOURCE}/profiles/*.json")]
    examples += [("bench", f"{SOURCE}/demo/bench.json"), ("job", f"{SOURCE}/demo/job.json")]
    examples += [("card", f) for f in glob.glob(f"{SOURCE}/demo/cards/*.json")]
    for kind, path in examples:
        for error in validators[kind].iter_errors(load(path)):
            sys.exit(f"{path}: {error.json_path}: {error.message}")

    tally = Tally(validators)
    good = good_files()
    tally.add(good, None, "the good files")
    for name in ("profile", "bench", "job", "cards/reference.json", "cards/probe-1.json", BUDGET):
        for what, bent in bends(good[name]):
            tally.add(dict(good, **{name: bent}), name, what)
        for what, bent in number_bends(good[name], validators[kind_of(name)].schema):
            tally.add(dict(good, **{name: bent}), name, what)
    for files in models(good):
        name = "cards/pt100-1.json"
        tally.add(files, None, json.dumps(files[name]["model"]))
        for what, bent in bends(files[name]):
            if what.startswith("/model"):
                tally.add(dict(files, **{name: bent}), name, what)
    look = dict(good, profile=load(f"{SOURCE}/profiles/cold-store-look.json"))
    for what, bent in bends(look["profile"]):
        tally.add(dict(look, profile=bent), "profile", what)
    refused = tally.run()

    for failure in tally.failures[:30]:
        print(failure)
    print(f"{len(examples)} examples, {len(tally.cases)} bent sets of files, {refused} refused by a schema, "
          f"{len(tally.failures)} judged differently")
    if refused < 1000:
        sys.exit("too few were refused: is the corpus empty?")
    sys.exit(1 if tally.failures else 0)


if __name__ == "__main__":
    main()
