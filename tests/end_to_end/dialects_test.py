"""A night on instruments that only two JSON files describe, and what a broken one is told."""
import json
import os

from lab import PLATINUM, SOURCE, Bench, Lab, check, lasting, main, play_wire_logs, profile, wait_for


def described(folder, name):
    """A bench whose bath and scanner speak the shipped dialects; the files lie beside the bench file."""
    bench = Bench(folder, name).source().scanner("scanner")
    bench.channel("reference", "scanner", 101, "references", PLATINUM, "resistance")
    bench.channel("item-1", "scanner", 102, "items", PLATINUM, "resistance", {"offset_k": 0.1})
    bench.channel("item-2", "scanner", 103, "items", {"kind": "thermocouple", "type": "T"}, "voltage",
                  {"offset_k": -0.2, "quantum": 1e-9}, {"fixed_c": 0.0})
    bench.channel("item-3", "scanner", 104, "items", {"kind": "indicated"}, "temperature", {"offset_k": 0.3})
    return bench.speak_dialects()


def a_night_on_two_dialects():
    with Lab(speed=600) as lab:
        bench = described(lab.folder, "one")
        bench.bench["wire_log"] = True
        log = lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([35])))
        # The plan is frozen: what becomes of the files during the night is nothing to it.
        os.remove(f"{lab.folder}/one/terse-bath.json")
        lab.wait_state(run, "finished")
        results = json.loads(lab.command("results", run, "--json"))
        items = {item["name"]: item for plateau in results["plateaus"] for item in plateau["items"]}
        check(len(items) == 3, f"three items, not {len(items)}")
        for name, item in items.items():
            true = bench.sim["sensors"][name]["offset_k"]
            check(abs(item["error_k"] - true) < 0.02, f"{name}: found {item['error_k']}, true {true}")
        lab.command("verify", run)
        records = {r["file"]: r["dialect"] for r in lab.records(run, "dialect")}
        with open(f"{SOURCE}/drivers/dialects/terse-bath.json") as f:
            check(records["terse-bath.json"] == json.load(f), "the journal holds the whole dialect")
        check("terse-bath.json" in lab.records(run)[0]["files"], "and its hash")
        with open(f"{log}/bath.log") as f:
            heard = [line.split("\t")[2] for line in f]
        check(heard[2].startswith("R1*"), f"remote control right after the identity, not {heard[2]}")
        check(any(line.startswith("P1*") for line in heard), "the park step after off")
        check(any(line.startswith("S+035.00*") for line in heard), "the setpoint in the dialect's own form")
        check_recording(os.path.join(lab.state, "runs", run), log)


def check_recording(folder, log):
    """Whatever the simulated instruments heard stands in the wire logs, and those play against the drivers again."""
    check(sorted(os.listdir(f"{folder}/wire")) == ["bath.log", "scanner.log"], "a log for each instrument")
    play_wire_logs(f"{folder}/wire")
    for name, end in (("bath", "\\r"), ("scanner", "\\r\\n")):
        with open(f"{log}/{name}.log") as f:
            heard = [line.split("\t")[2] for line in f]
        with open(f"{folder}/wire/{name}.log") as f:
            text = f.read()
        check(text.startswith("# recorded by nightwell") and text.endswith("\n"), "its header, and no torn line")
        sent = [line[2:].removesuffix(end) for line in text.splitlines() if line.startswith("> ")]
        check(sent == heard, f"{name}: the log has {len(sent)} messages, the instrument heard {len(heard)}")
        times = [line for line in text.splitlines() if line.startswith("# 20")]
        check(times, "the time now and then")


def a_bath_that_restarts_parks_the_night():
    # Fault 24: it comes up in local control at a setpoint of its own, heating.
    with Lab(speed=600) as lab:
        bench = described(lab.folder, "one")
        log = lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(lasting(profile([35]))))
        lab.wait_state(run, "approach", "settle")
        lab.order({"instrument": "bath", "fault": "reset", "setpoint_c": 60, "output": True})
        lab.wait_state(run, "parked")

        def proved():
            with open(os.path.join(lab.state, "runs", run, "guardian-bath.log")) as f:
                return '"say":"parked"' in (text := f.read()) and '"confirmed":true' in text
        wait_for(proved)
        with open(f"{log}/bath.log") as f:
            heard = [line.split("\t")[2] for line in f]
        off = next(i for i, line in enumerate(heard) if line.startswith("H0*"))
        # Where the restart cut into a conversation, the start-up comes again in between.
        behind = [line for line in heard[off + 1:] if not line.startswith(("R1*", "R?*"))]
        check(behind[0].startswith("P1*") and behind[1].startswith("P?*"), f"standby behind off: {heard[off:off + 8]}")


def heard_by(log):
    """What an instrument of the simulated bench heard, said, and what went wrong with it; not a line that is still being written."""
    with open(log) as f:
        return [line.rstrip("\n").split("\t")[2:5] for line in f if line.endswith("\n")]


def a_night_on_a_scanner_that_is_asked_until_it_is_ready():
    with Lab(speed=600) as lab:
        # A reading takes 10 ms: most questions right behind a start come before it is ready.
        bench = Bench(lab.folder, "one").simple(2, (0.1, -0.2)).poll(reading_s=6)
        bench.bench["wire_log"] = True
        log = lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(profile([35])))
        lab.wait_state(run, "approach", "settle")
        lab.command("hold", run)
        for fault in ({"fault": "garbage"}, {"fault": "glued"}, {"fault": "silent", "hears": True}, {"fault": "duplicate"},
                      {"fault": "split", "delay_wall_s": 0.05}):
            lab.order(dict({"instrument": "scanner", "times": 1}, **fault))
            wait_for(lambda: any(remark == fault["fault"] for _, _, remark in heard_by(f"{log}/scanner.log")))
        lab.command("resume", run)
        lab.wait_state(run, "finished")
        results = json.loads(lab.command("results", run, "--json"))
        items = {item["name"]: item for plateau in results["plateaus"] for item in plateau["items"]}
        check(len(items) == 2, f"two items, not {len(items)}")
        for name, item in items.items():
            true = bench.sim["sensors"][name]["offset_k"]
            check(abs(item["error_k"] - true) < 0.02, f"{name}: found {item['error_k']}, true {true}")
        heard = heard_by(f"{log}/scanner.log")
        check(not any(reply.startswith("no: ") for _, reply, _ in heard), "nothing was fetched before it was ready")
        newest = ""
        for sent, reply, remark in heard:
            if sent.startswith("take "):
                newest = sent.split()[-1]
            check(sent != "value?" or remark or reply.startswith(f"{newest} "), f"after {newest} was begun: {reply}")
        play_wire_logs(f"{lab.state}/runs/{run}/wire")


def a_broken_dialect_is_told_with_its_place():
    with Lab() as lab:
        bench = described(lab.folder, "one")
        files = bench.files(profile([35]))
        with open(f"{lab.folder}/one/terse-bath.json") as f:
            dialect = json.load(f)
        del dialect["commands"]["output_off"]
        dialect["line"]["reply_end"] = "NUL"
        with open(f"{lab.folder}/one/terse-bath.json", "w") as f:
            json.dump(dialect, f)
        lab.command("plan", "check", *files, expect=2)
        told = lab.last.stdout + lab.last.stderr
        for part in ("terse-bath.json: /commands/output_off: found nothing", "the command \"output_off\"",
                     "terse-bath.json: /line/reply_end: found \"NUL\""):
            check(part in told, f"not told: {part}\n{told}")


main({test.__name__: test for test in (a_night_on_two_dialects, a_bath_that_restarts_parks_the_night,
                                       a_night_on_a_scanner_that_is_asked_until_it_is_ready, a_broken_dialect_is_told_with_its_place)})
