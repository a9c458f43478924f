"""Every record of several nights fits profiles/schema/journal.schema.json, and docs/journal.md names the same kinds and fields.

Needs python3-jsonschema, a validator that shares nothing with the program, and python3-cryptography. The nights are chosen so
that together they write every kind of record; what they cannot write is listed below with the reason.
"""
import concurrent.futures
import copy
import datetime
import json
import os
import re
import shutil
import sys

import jsonschema

from lab import BIN, PLATINUM, SOURCE, Bench, Lab, check, lasting, main, profile, wait_for, write

sys.dont_write_bytecode = True
sys.path.append(f"{SOURCE}/tests/journal")
import independent_check  # noqa: E402

FRAME = ("n", "utc", "up_s", "kind", "prev")

# Values that the document lists and no night of this test writes.
NOT_HERE = {
    ("storage", "event", "space_low"): "a disk that is full to the last MiB (tests/crash)",
    ("storage", "event", "space_out"): "the same",
    ("storage", "event", "unreserved"): "a file system that cannot reserve room (tests/crash)",
    ("opening", "format", "nightwell-journal/1"): "the first format is read, and not written any more",
    ("hook", "outcome", "overflow"): "more calls than a night makes (tests/daemon/hook_queue_test.cpp)",
    ("guard", "guard", "reference_limit"): "a reference beyond its card: the same code as item_limit",
}

# Values that these nights write only where the machine is slow: then they are held against the schema, too.
IF_SLOW = {
    ("storage", "event", "slow"): "a disk that hangs for seconds (tests/crash has one)",
    ("overdue", "phase", "approach"): "longer nights than these (tests/sequence/overdue_test.cpp)",
    ("overdue", "phase", "settle"): "the same",
    ("overdue", "phase", "capture"): "the same",
    ("overdue", "phase", "cooldown"): "the same",
}


# --- nights -------------------------------------------------------------------------------------------------------------------

def journal_of(path):
    """The records of a closed journal, in as many files as it has. The second reader of tests/journal finds it whole."""
    verdict = independent_check.check(path)
    check(verdict.code == 0, f"{path}: {verdict}")
    records = []
    for number in range(1, 10):
        name = path if number == 1 else path.replace(".ndjson", f"-{number}.ndjson")
        if not os.path.exists(name):
            break
        with open(name, "rb") as f:
            own = [json.loads(line) for line in f.read().split(b"\n")[:-1]]
        records = [r for r in records if not own or r["n"] < own[0]["n"]] + own
    check(len(records) == verdict.lines, f"{len(records)} records, and the second reader counts {verdict.lines}")
    return records


def every_sensor_sealed_with_a_budget():
    """One item of each sensor model, junctions, tolerances, a budget, an overdue reference; one item fails."""
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").source().scanner("scanner-a")
        span = {"low_c": -60.0, "high_c": 150.0}
        models = {
            "sprt": {"kind": "sprt", "r_tpw_ohm": 100.0, "below": {"subrange": 4, "coefficients": [0.0, 0.0]},
                     "above": {"subrange": 9, "coefficients": [0.0, 0.0]}},
            "steinhart": {"kind": "thermistor", "a": 1.1e-3, "b": 2.4e-4, "c": 7e-8, **span},
            "polynomial": {"kind": "thermistor", "coefficients": [1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8], **span},
            "own-platinum": {"kind": "platinum", "r0_ohm": 100.0, "a_per_c": 3.9083e-3, "b_per_c2": -5.775e-7,
                             "c_per_c4": -4.183e-12}}
        bench.channel("reference", "scanner-a", 101, "references", PLATINUM, "resistance")
        bench.channel("block", "scanner-a", 102, "junctions", PLATINUM, "resistance", {"in": "scanner-a"})
        for address, (name, model) in enumerate(models.items(), 103):
            bench.channel(name, "scanner-a", address, "items", model, "resistance")
        kelvin = {"kind": "thermocouple", "type": "K"}
        bench.channel("by-block", "scanner-a", 110, "items", dict(kelvin, deviation_uv=[0.0, 0.01]), "voltage", {}, "block")
        bench.channel("fixed", "scanner-a", 111, "items", kelvin, "voltage", {}, {"fixed_c": 0.0})
        transmitter = {"kind": "current_transmitter", "low_c": -50.0, "high_c": 150.0, "low_a": 0.004, "high_a": 0.02}
        bench.channel("transmitter", "scanner-a", 112, "items", transmitter, "current")
        bench.channel("indicated", "scanner-a", 113, "items", {"kind": "indicated"}, "temperature")
        bench.channel("opens", "scanner-a", 114, "items", PLATINUM, "resistance")
        bench.cards["cards/one-reference.json"]["due"] = "2026-02-01"
        bench.cards["cards/one-fixed.json"]["tolerance"] = {"standard": "IEC 60584-1", "class": "1"}
        bench.cards["cards/one-own-platinum.json"]["tolerance"] = {"constant_k": 0.5, "fraction_of_t": 0.004}
        bench.cards["cards/one-opens.json"]["tolerance"] = {"standard": "IEC 60751", "class": "A", "build": "wire_wound"}
        with open(f"{SOURCE}/demo/budget.json") as f:
            budget = json.load(f)
        for measures, unit in (("current", "a"), ("temperature", "k")):
            budget["scanners"]["scanner-a"][measures] = [
                {"name": "accuracy", f"half_width_{unit}": 1e-6, "shape": "rectangular", "source": "of the simulated scanner"}]
            budget["items_that_measure"][measures] = []
        write(f"{lab.folder}/one/budget.json", budget)
        bench.job.update({"budget": "budget.json", "customer_reference": "order caf\u00e9"})
        lab.start_sim(bench, "--control", lab.control)
        lab.order({"instrument": "scanner-a", "fault": "open_sensor", "channel": 114})
        lab.command("keys", "make", f"{lab.folder}/key")
        lab.start_daemon("--seal-key", f"{lab.folder}/key")
        run = lab.start(bench.files(profile([40, 15])), "--accept-overdue")
        lab.wait_state(run, "finished")
        lab.command("verify", run, "--key", f"{lab.folder}/key.pub")
        check(lab.records(run, "card")[0]["u95_k"] == 0.02, "a reference's uncertainty")
        return journal_of(lab.journal(run))


def a_window_that_is_the_capture():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=2).speak_dialects()
        lab.start_sim(bench)
        lab.start_daemon()
        rule = {"window_s": 300, "largest_drift_k": 0.02, "largest_spread_k": 0.05, "item_drift_k": 0.02}
        inside = {"placement": "inside", "order": "bracketed", "sweeps": 4, "pause_s": 20}
        straight = {"placement": "after", "order": "straight", "sweeps": 1, "pause_s": 0}
        night = profile([35, 30], settle=rule, capture=inside)
        night["plateaus"][1]["capture"] = straight
        run = lab.start(bench.files(night))
        lab.wait_state(run, "finished")
        return journal_of(lab.journal(run))


def people_and_an_attended_source():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        entry = bench.bench["sources"]["bath"]
        bench.bench["sources"]["bath"] = dict(
            {k: entry[k] for k in ("kind", "lowest_c", "highest_c", "safe_c", "absolute_highest_c")}, attended=True)
        lab.start_daemon()
        run = lab.start(bench.files(profile([21])))
        wait_for(lambda: lab.records(run, "overdue"))
        lab.command("ready", run)
        lab.wait_state(run, "cooldown")
        lab.command("ready", run)
        lab.wait_state(run, "finished")
        return journal_of(lab.journal(run))


def holds_skips_and_stops():
    """A hold in a capture, which is then done again; a plateau skipped; heat that goes off while nobody resumes; stop."""
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        lab.start_daemon()
        # A capture that lasts for hours, so that it is not over before somebody sees it.
        run = lab.start(bench.files(profile([25, 60, 80], capture={"placement": "after", "order": "mirrored", "sweeps": 1000,
                                                                   "pause_s": 30})))
        wait_for(lambda: lab.state_of(run) == "capture", 60, 0.02)
        lab.command("hold", run, "--why", "look at the probe")
        wait_for(lambda: any("held for more" in r["text"] for r in lab.records(run, "note")), 60)
        lab.command("resume", run)
        lab.command("skip", run)
        wait_for(lambda: lab.status(run)["plateau"]["number"] == 2)
        lab.command("stop", run)
        lab.wait_state(run, "stopped")
        return journal_of(lab.journal(run))


def a_plateau_that_does_not_settle():
    """The policies of a limit: capture all the same, skip. Then a person parks."""
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        lab.start_daemon()
        def limits(policy):
            return {"approach": {"within_s": 14400, "otherwise": "park"}, "settle": {"within_s": 900, "otherwise": policy},
                    "capture": {"within_s": 3600, "otherwise": "park"}}
        rule = {"window_s": 600, "largest_drift_k": 1e-6, "largest_spread_k": 1e-6}
        night = profile([25, 26, 110], settle=rule, limits=limits("skip"))
        night["plateaus"][0]["limits"] = limits("capture")
        run = lab.start(bench.files(night))
        wait_for(lambda: len(lab.records(run, "plateau")) == 2, 60)
        lab.command("park", run)
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def a_survey():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one").simple(items=4)
        bench.sim["sensors"]["item-2"]["model"] = {"kind": "platinum", "r0_ohm": 1000.0}
        bench.sim["sensors"]["item-3"]["offset_k"] = 5.0
        del bench.sim["scanners"]["scanner"]["channels"]["105"]
        lab.start_sim(bench)
        lab.start_daemon()
        look = {"format": "nightwell-profile/1", "profile": "look",
                "survey": {"every_s": 10, "lasts_s": 60, "expected_c": 21, "outlier_k": 2}}
        lab.command("survey", *bench.files(look))
        return journal_of(lab.journal(lab.runs()[-1]["run"]))


def a_source_that_is_another_one():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one", lease_s=600).simple(items=1)
        lab.start_sim(bench)
        bench.bench["sources"]["bath"]["identity"] = "another bath"
        lab.start_daemon()
        run = lab.start(bench.files(profile([25])))
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def a_dead_heater():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        # The run must notice: its guardian would, too, and sooner.
        bench.bench["sources"]["bath"]["heating"] = {"window_s": 86400, "gain_k": 1}
        lab.start_sim(bench, "--control", lab.control)
        lab.order({"instrument": "bath", "fault": "heater_dead"})
        lab.start_daemon()
        run = lab.start(bench.files(profile([90])))
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def an_unplugged_scanner():
    with Lab(speed=200) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(profile([90], stale_s=600)))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.order({"instrument": "scanner", "fault": "unplug", "for_s": 100000})
        lab.wait_state(run, "parked", seconds=120)
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def a_silent_source():
    """A reading that comes only when asked for again; then a park that is not proved until the source answers again."""
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one", stale_s=300).simple(items=1)
        bench.bench["scanners"]["scanner"]["reply_s"] = 0.5
        lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(profile([90])))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.order({"instrument": "scanner", "fault": "silent", "times": 1})
        wait_for(lambda: any("odd" in sweep for sweep in lab.records(run, "sweep")))
        lab.order({"instrument": "bath", "fault": "silent"})
        lab.wait_state(run, "parked", seconds=120)
        wait_for(lambda: lab.status(run)["parked"]["confirmed"] is False)
        lab.order({"instrument": "bath", "fault": "clear"})
        wait_for(lambda: lab.records(run, "closing"), 90)
        return journal_of(lab.journal(run))


def an_item_beyond_its_card():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        night = profile([60])
        night["guards"]["item_highest_c"] = 50
        bench.sim["sensors"]["item-1"]["offset_k"] = 30.0
        lab.start_sim(bench)
        lab.start_daemon()
        night["plateaus"] = [{"setpoint_c": 45}]
        run = lab.start(bench.files(night))
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def a_journal_that_moves():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=2)
        lab.start_sim(bench)
        lab.daemon = lab.spawn("daemon", ["bash", "-c", f"ulimit -f 30; exec {BIN}/nightwelld --runtime {lab.folder}/runtime "
                                          f"--state {lab.state} --speed {lab.speed}"])
        wait_for(lab.answers)
        run = lab.start(bench.files(profile([30])))
        lab.wait_state(run, "finished")
        return journal_of(lab.journal(run))


def a_second_copy_that_lags():
    """Something stands where the copy wants to be: it is not written over. Once it is gone, the copy catches up."""
    with Lab(speed=60) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        second = f"{lab.folder}/second"
        now = datetime.datetime.now(datetime.timezone.utc)
        for ahead in range(60):  # a run is named by its second
            stamp = (now + datetime.timedelta(seconds=ahead)).strftime("%Y%m%d-%H%M%S")
            write(f"{second}/test-night-{stamp}/journal.ndjson", "somebody else's")
        lab.start_daemon("--second", second)
        run = lab.start(bench.files(profile([90])))
        check(os.path.exists(f"{second}/{run}"), f"the run is named otherwise than expected: {run}")
        wait_for(lambda: any(r["event"] == "copy_behind" for r in lab.records(run, "storage")), 60)
        shutil.rmtree(f"{second}/{run}")
        wait_for(lambda: any(r["event"] == "copy_caught_up" for r in lab.records(run, "storage")), 60)
        lab.command("park", run)
        wait_for(lambda: lab.records(run, "closing"), 60)
        return journal_of(lab.journal(run))


def hooks_of_all_outcomes():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        programs = {"good": "echo told", "fails": "exit 3", "dies": "kill -9 $$", "sleeps": "exec sleep 1000", "changes": ""}
        hooks = {"format": "nightwell-hooks/1", "hooks": []}
        for name, text in programs.items():
            os.makedirs(f"{lab.folder}/hooks", exist_ok=True)
            with open(f"{lab.folder}/hooks/{name}", "w") as f:
                f.write(f"#!/bin/sh\n{text}\n")
            os.chmod(f.name, 0o700)
            hooks["hooks"].append({"name": name, "on": ["started"], "run": [f.name], "within_s": 0.2 if name == "sleeps" else 60})
        lab.start_daemon("--hooks", write(f"{lab.folder}/hooks.json", hooks))
        os.chmod(f.name, 0o600)
        run = lab.start(bench.files(lasting(profile([90]))))
        wait_for(lambda: len(lab.records(run, "hook")) == len(programs))
        lab.command("park", run)
        wait_for(lambda: lab.records(run, "closing"))
        return journal_of(lab.journal(run))


NIGHTS = (a_second_copy_that_lags, hooks_of_all_outcomes, every_sensor_sealed_with_a_budget, a_silent_source, an_unplugged_scanner,
          a_window_that_is_the_capture, holds_skips_and_stops, a_plateau_that_does_not_settle, a_survey, a_dead_heater,
          people_and_an_attended_source, an_item_beyond_its_card, a_source_that_is_another_one, a_journal_that_moves)


def nights():
    """(night, record) of all nights; several at a time, as most of a night is waiting."""
    if not nights.written:
        with concurrent.futures.ThreadPoolExecutor(3) as pool:
            for night, records in zip(NIGHTS, pool.map(lambda night: night(), NIGHTS)):
                nights.written += [(night.__name__, record) for record in records]
    return nights.written


nights.written = []


# --- the schema ---------------------------------------------------------------------------------------------------------------

def load(name):
    with open(f"{SOURCE}/profiles/schema/{name}.schema.json", encoding="utf-8") as f:
        return json.load(f)


def validator():
    schema = load("journal")
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker(["date"]))


def kinds_of(schema):
    """{kind: (its fields, in order; those that may be left out)} of the schema."""
    out = {}
    for choice in schema["allOf"]:
        kind = choice["if"]["properties"]["kind"]["const"]
        check(choice["then"]["$ref"] == f"#/$defs/{kind}", f"{kind} points elsewhere")
        definition = schema["$defs"][kind]
        check(definition["additionalProperties"] is False, f"{kind} takes any key")
        fields = [key for key in definition["properties"] if key not in FRAME]
        check(len(definition["properties"]) == len(fields) + len(FRAME), f"{kind} lacks a key of the frame")
        out[kind] = (fields, set(fields) - set(definition["required"]))
    return out


def rows_of_the_document():
    """({kind: the text of its fields} of the table of docs/journal.md, the text below the table)"""
    with open(f"{SOURCE}/docs/journal.md", encoding="utf-8") as f:
        section = f.read().split("\n## Records\n")[1].split("\n## ")[0]
    rows = re.findall(r"^\| `([a-z_]+)` \| (.*) \| .* \|$", section, re.MULTILINE)
    return dict(rows), section.rsplit("|\n", 1)[1]


def fields_of(text):
    """The fields that a row names: what stands in backquotes outside brackets of any kind."""
    while (flat := re.sub(r"\([^(){}\[\]]*\)|\{[^(){}\[\]]*\}|\[[^(){}\[\]]*\]", "", text)) != text:
        text = flat
    return re.findall(r"`([a-z0-9_]+)`", text)


def parts_of(definition):
    """(names of nested fields, words of enumerations) of a definition, without what it takes from other definitions."""
    names, words = set(), set()
    for key, inside in definition.items() if isinstance(definition, dict) else enumerate(definition):
        if key == "properties":
            names |= set(inside)
        if key == "enum":
            words |= {word for word in inside if isinstance(word, str)}
        if isinstance(inside, (dict, list)):
            more_names, more_words = parts_of(inside)
            names, words = names | more_names, words | more_words
    return names, words


def every_record_fits_the_schema():
    judge, wrong = validator(), []
    for night, record in nights():
        for error in judge.iter_errors(record):
            wrong.append(f"{night}: n {record['n']}, {record['kind']}: {error.json_path}: {error.message[:300]}")
    budgets = jsonschema.Draft202012Validator(load("budget"))
    for night, record in nights():
        if record["kind"] == "budget":
            wrong += [f"{night}: budget: {error.json_path}: {error.message}" for error in budgets.iter_errors(record["budget"])]
    dialects = jsonschema.Draft202012Validator(load("dialect"))
    for night, record in nights():
        if record["kind"] == "dialect":
            wrong += [f"{night}: dialect: {error.json_path}: {error.message}" for error in dialects.iter_errors(record["dialect"])]
    check(not wrong, f"{len(wrong)} faults:\n" + "\n".join(sorted(set(wrong))[:40]))


def every_kind_and_every_word_was_written():
    schema = load("journal")
    kinds = kinds_of(schema)
    written, wrong = {}, []
    for _, record in nights():
        written.setdefault(record["kind"], []).append(record)
    check(set(written) == set(kinds),
          f"never written: {set(kinds) - set(written)}; not in the schema: {set(written) - set(kinds)}")
    for kind, (fields, optional) in kinds.items():
        for field in optional:
            there = [field in record for record in written[kind]]
            check(any(there) and not all(there), f"{kind}/{field} is always there or never: is it optional?")
        for field in fields:
            seen = [record.get(field) for record in written[kind]]
            # Of the codes of faults any may come from an instrument; they are the program's own list.
            for word in [] if field == "code" else schema["$defs"][kind]["properties"][field].get("enum", []):
                if (kind, field, word) not in IF_SLOW and (word not in seen) != ((kind, field, word) in NOT_HERE):
                    wrong.append(f"{kind}/{field} = {word} was {'written after all' if word in seen else 'never written'}")
    check(not wrong, "\n".join(wrong))


def what_files_share_with_records_is_the_same():
    """The schema stands by itself: what a record has from an input file is defined as in that file's schema."""
    own, checked = load("journal")["$defs"], set()
    shared = {"card": ("temperature_c", "model_c", "resistance", "coefficient", "date", "model"),
              "bench": ("temperature_c", "difference_k", "reply_s", "port", "heating"),
              "hooks": ("hook_event",),
            "profile": ("temperature_c", "difference_k", "within_s", "limit", "capture_limit")}
    for name, keys in shared.items():
        for key in keys:
            check(own[key] == load(name)["$defs"][key], f"$defs/{key} differs from that of {name}.schema.json")
            checked.add(key)
    check(own["tolerance"] == load("card")["properties"]["tolerance"], "tolerance differs from that of card.schema.json")
    check(own["survey_plan"] == load("profile")["$defs"]["survey"], "survey_plan differs from that of profile.schema.json")
    rest = set(own) - checked - set(kinds_of(load("journal"))) - {"tolerance", "survey_plan"}
    check(rest == {"text", "name", "index", "position", "date_or_empty", "dialect_file", "driver_program"}, f"from which schema are these? {rest}")


def the_document_names_the_same_kinds_and_fields():
    schema, (rows, below) = load("journal"), rows_of_the_document()
    kinds = kinds_of(schema)
    check(list(rows) == list(kinds), f"kinds: document {list(rows)}, schema {list(kinds)}")
    for kind, (fields, _) in kinds.items():
        check(fields_of(rows[kind]) == fields, f"{kind}: the document names {fields_of(rows[kind])}, the schema {fields}")
        if kind == "plan":
            continue  # the document leaves what is in its objects to the input files' own
        names, words = parts_of({key: schema["$defs"][kind]["properties"][key] for key in fields})
        in_row = set(re.findall(r"`([a-z0-9_]+)`", rows[kind]))
        limit = set(schema["$defs"]["limit"]["properties"]) if "limit" in rows[kind] else set()
        check(in_row - set(fields) - limit <= names, f"{kind}: only the document names {in_row - set(fields) - limit - names}")
        known = set(re.findall(r"[A-Za-z0-9_/-]+", rows[kind] + (below if "code" in in_row else "")))
        unsaid = (names | words) - known - {"format"}
        check(not unsaid, f"{kind}: the document does not name {sorted(unsaid)}")


def wrong_records_are_refused():
    judge, examples = validator(), {}
    for _, record in nights():
        # The richest record of each kind, so that what may be left out is bent too.
        if len(json.dumps(record)) > len(json.dumps(examples.get(record["kind"], {}))) or "faults" in record:
            examples[record["kind"]] = record
    kinds, bent = kinds_of(load("journal")), 0
    for kind, record in examples.items():
        fields, optional = kinds[kind]
        for key in (*fields, *FRAME):
            if key in record and key not in optional:
                bad = copy.deepcopy(record)
                del bad[key]
                check(not judge.is_valid(bad), f"{kind} without {key} is taken")
                bent += 1
            if key in record:
                # Of no field may a value be of another type: a list where none is, a number where a text is, and so on.
                other = {"a": 1} if isinstance(record[key], list) else [[]]
                check(not judge.is_valid(dict(record, **{key: other})), f"{kind} with {key} = {other} is taken")
                bent += 1
        check(not judge.is_valid(dict(record, unknown_key=1)), f"{kind} with an unknown key is taken")
        check(judge.is_valid(dict(record, kind="never_heard_of")), "an unknown kind is taken with its frame")
        check(not judge.is_valid(dict(record, kind="Never heard of")), "what is no kind is not")
        bent += 2
        for path, inside in nested(record):
            if isinstance(inside, dict) and path[0] not in ("budget", "dialect") and path not in (("files",), ("faults",), ("odd",), ("asked_again",)):
                bad = copy.deepcopy(record)
                at(bad, path)["unknown_key"] = 1
                check(not judge.is_valid(bad), f"{kind}/{'/'.join(map(str, path))} with an unknown key is taken")
                bent += 1
            elif isinstance(inside, (int, float)) and not isinstance(inside, bool) and path[0] not in ("budget", "dialect"):
                bad = copy.deepcopy(record)
                at(bad, path[:-1])[path[-1]] = str(inside)
                check(not judge.is_valid(bad), f"{kind}/{'/'.join(map(str, path))} as a text is taken")
                bent += 1
    check(bent > 500, f"only {bent} records were bent")


def nested(value, path=()):
    if path:
        yield path, value
    for key, inside in (value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()):
        yield from nested(inside, path + (key,))


def at(document, path):
    for key in path:
        document = document[key]
    return document


main({f.__name__: f for f in (
    every_record_fits_the_schema, every_kind_and_every_word_was_written, what_files_share_with_records_is_the_same,
    the_document_names_the_same_kinds_and_fields,
    wrong_records_are_refused)})
