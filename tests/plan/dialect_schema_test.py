"""The JSON Schema of dialects and the loader judge the same files alike.

usage: dialect_schema_test.py CHECK_FILES SOURCE_FOLDER [all]

The shipped dialects, with more of what the format has, bent at every key (schema_test.py says how). What the schema
refuses the loader must refuse in that file; what it takes the loader may refuse for the reasons below: those that lie
between templates, fields and commands. Without "all" every twenty-third bend is tried.
"""
import copy
import json
import subprocess
import sys

import jsonschema

from schema_test import CHECK_FILES, SOURCE, TODAY, bends, load, number_bends

BEYOND_SCHEMA = (
    "a template; ", "can be read in one way", "without line ends", "a field of the reply", "the name of a", "that something uses",
    "a command of this dialect", "a choice that shows", "with a channel field", "names its channel itself", "a command marked",
    "a command without a channel", "units of ", "a number with one unit",
    "a number field", "numbers and channels only", "at most one number", "one number field", "none here: only", "/number: found",
    "above lowest_c", "at least lowest", "the length of the reply", "one template", "stands once", "goes into the journal as one",
    "/reply: found nothing", "whose last register is at most 65535", "a raw value of this type", "that can carry the limits", "stands once",
    "bits of the mask", "another value than", "steps never heat", "a start that shows", "a command without a number", "can have; ", "at least every_ms", "a query whose")


def good_dialects():
    bath = load(f"{SOURCE}/drivers/dialects/terse-bath.json")
    bath["fields"]["k"] = {"type": "number", "decimals": 1, "factor": 0.1, "offset": 1, "padded": True}
    bath["commands"]["set_ramp"] = {"kind": "safe_setting", "send": "V{k}", "reply": ["A"], "within_s": 2}
    bath["start_up"].append({"command": "set_ramp", "number": 2})
    scanner = load(f"{SOURCE}/drivers/dialects/chatty-scanner.json")
    scanner["line"]["checksum"] = {"kind": "crc16_modbus", "order": "low_first", "skip": 1}
    scanner["line"]["pause_ms"] = 20
    scanner["fields"]["bits"] = {"type": "integer"}
    scanner["fields"]["called"] = {"type": "channel", "names": {"101": "A1", "102": "B2"}}
    scanner["commands"]["error"] = {"kind": "query", "send": "status", "reply": "{bits} {remark}", "value": "bits",
                                    "text": "remark", "mask": 60}
    scanner["commands"]["clear_errors"] = {"kind": "safe_setting", "send": "clear", "reply": "cleared", "reply_until": "done"}
    scanner["commands"]["choose_input"] = {"kind": "safe_setting", "send": "take {called}", "reply": "taken"}
    scanner["commands"]["read_current"] = {"kind": "query", "send": "amp", "reply": "{x} {x_amperes}", "value": "x",
                                           "choose": "choose_input",
                                           "when_ready": {"query": "state", "is": 16, "mask": 24, "every_ms": 50, "within_s": 5}}
    scanner["fields"]["word"] = {"type": "word"}
    scanner["commands"]["state"] = {"kind": "query", "send": "state", "reply": "{bits}", "value": "bits"}
    scanner["commands"]["progress"] = {"kind": "query", "send": "progress", "reply": "it is {word}"}
    scanner["commands"]["take"] = {"kind": "safe_setting", "send": "take {ch}", "reply": "taking {ch}"}
    scanner["commands"]["read_temperature"].update(
        send="fetch", begin="take",
        when_ready={"query": "progress", "is": ["it is ready", "it is done"], "every_ms": 50, "within_s": 5})
    furnace = load(f"{SOURCE}/drivers/dialects/register-furnace.json")
    furnace["modbus"]["temperature"] = {"table": "holding", "address": 30, "type": "int16", "unit": "kelvin", "factor": 0.1, "offset": 1,
                                        "no_number": {"32767": "open_sensor", "-32768": "overload"}}
    furnace["modbus"]["set_target"]["function"] = 16
    furnace["modbus"]["echo"] = True
    network = load(f"{SOURCE}/drivers/dialects/register-furnace.json")
    network["modbus"].update(framing="tcp", unit_id=255, identity={"table": "holding", "address": 4, "show": "text", "registers": 8})
    network["modbus"]["set_target"].update(type="float32", word_order="high_first", factor=1)
    network["start_up"].append({"table": "coil", "address": 3, "value": 1, "proved_by": {"table": "discrete", "address": 9, "is": 0}})
    network["modbus"]["output"] = {"table": "discrete", "address": 2, "on": [1], "off": [0]}
    network["modbus"]["set_output"] = {"table": "holding", "address": 3, "on": 257, "off": 1, "function": 6}
    return {"bath.json": bath, "scanner.json": scanner, "furnace.json": furnace, "network.json": network}


def request(dialects):
    bench = load(f"{SOURCE}/demo/bench.json")
    bench["sources"]["bath"]["driver"] = {"dialect": "bath.json"}
    for name, more in (("furnace", {}), ("network", {"port": {"type": "tcp", "host": "127.0.0.1", "port": 502}})):
        bench["sources"][name] = dict(bench["sources"]["bath"], driver={"dialect": f"{name}.json"}, **more)
        if not more:
            bench["sources"][name]["port"] = {"type": "pty", "path": f"ports/{name}"}
    bench["scanners"]["scanner-a"]["driver"] = {"dialect": "scanner.json"}
    text = lambda name, value: {"name": name, "text": json.dumps(value)}
    return {"profile": text("profile", load(f"{SOURCE}/profiles/cold-store-look.json")), "bench": text("bench", bench),
            "job": text("job", load(f"{SOURCE}/demo/job.json")), "cards": [],
            "dialects": [text(name, value) for name, value in dialects.items()], "bench_directory": "/bench"}


def main():
    schema = load(f"{SOURCE}/profiles/schema/dialect.schema.json")
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    good = good_dialects()
    cases = [(None, "the good files", good)]
    for name, document in good.items():
        for what, bent in [*bends(document), *number_bends(document, schema)]:
            cases.append((name, what, dict(good, **{name: bent})))
    if "all" not in sys.argv:
        cases = cases[::23]
    plain = json.dumps(request(good))
    texts = {name: json.dumps(json.dumps(value)) for name, value in good.items()}
    lines = [plain if name is None else plain.replace(texts[name], json.dumps(json.dumps(files[name])))
             for name, _, files in cases]
    done = subprocess.run([CHECK_FILES, TODAY], input="\n".join(lines) + "\n", capture_output=True, text=True, check=True)
    answers = done.stdout.splitlines()
    assert len(answers) == len(cases), f"{len(answers)} answers to {len(cases)} questions"
    failures, refused = [], 0
    for (name, what, files), answer in zip(cases, answers):
        own = [f for f in json.loads(answer) if f["file"] in good]
        sound = name is None or validator.is_valid(files[name])
        refused += not sound
        if not sound and not own:
            failures.append(f"{name} {what}: the schema refuses it, the loader does not")
        if sound:
            failures += [f"{name} {what}: the schema takes it, the loader says {f['text']}" for f in own
                         if not any(reason in f["text"] for reason in BEYOND_SCHEMA)]
    for failure in failures[:40]:
        print(failure)
    print(f"{len(cases)} bent dialects, {refused} refused by the schema, {len(failures)} judged differently")
    sys.exit(1 if failures or refused < 400 else 0)


main()
