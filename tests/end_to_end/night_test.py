"""Whole nights on the scaled clock: start, follow, finish, results; several benches; 40 channels; survey; people."""
import json
import subprocess

from lab import PLATINUM, SOURCE, Bench, Lab, check, lasting, main, profile, wait_for, write


def errors_found(lab, run):
    results = json.loads(lab.command("results", run, "--json"))
    return {(p["setpoint_c"], i["name"]): i for p in results["plateaus"] for i in p["items"]}


def a_night_finds_the_known_errors():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=3)
        lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([5, 40, 5])))
        lab.wait_state(run, "finished")
        for (setpoint, name), item in errors_found(lab, run).items():
            true = bench.sim["sensors"][name]["offset_k"]
            # The simulated source has an axial difference of a few millikelvin between reference and items.
            check(abs(item["error_k"] - true) < 0.02, f"{name} at {setpoint}: found {item['error_k']}, true {true}")
            check(item["n"] == 6, f"mirrored, three sweeps: six readings, not {item['n']}")
        lab.command("verify", run)
        check(lab.records(run, "closing")[0]["ending"] == "finished", "closing record")


def a_fitted_card_serves_the_next_run():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        lab.start_daemon()
        files = bench.files(profile([5, 40, 80, 5]))
        run = lab.start(files)
        lab.wait_state(run, "finished")
        card = f"{lab.folder}/fitted.json"
        lab.command("fit", "item-1", run, "-o", card)
        lab.command("fit", "item-1", run, "-o", card, expect=2)  # never over a file that is there
        bench.job["items"][0]["card"] = card
        again = lab.start(bench.files(profile([5, 40, 80, 5])))
        lab.wait_state(again, "finished")
        for (setpoint, name), item in errors_found(lab, again).items():
            check(abs(item["error_k"]) < 0.01, f"{name} at {setpoint}: found {item['error_k']} with its own card")


def the_journal_passes_the_documents_own_check():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([25])))
        lab.wait_state(run, "finished")
        with open(f"{SOURCE}/docs/journal.md") as f:
            block = f.read().split("```sh\n")[1].split("```")[0]
        folder = lab.journal(run).rsplit("/", 1)[0]
        done = subprocess.run(["bash", "-c", block], cwd=folder, capture_output=True, text=True, check=False)
        head = done.stdout.strip().removeprefix("head: ")
        check(done.returncode == 0 and len(head) == 64, f"the loop of docs/journal.md: {done.stdout}{done.stderr}")
        check(head in lab.command("verify", run), "verify names the same head")


def capture_inside_the_window():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=2)
        lab.start_sim(bench)
        lab.start_daemon()
        night = profile([40], settle={"window_s": 300, "largest_drift_k": 0.02, "largest_spread_k": 0.05,
                                      "item_drift_k": 0.02},
                        capture={"placement": "inside", "order": "bracketed", "sweeps": 4, "pause_s": 20})
        run = lab.start(bench.files(night))
        lab.wait_state(run, "finished")
        closed = lab.records(run, "plateau")[0]
        sweeps = [s for s in lab.records(run, "sweep") if closed["first_sweep"] <= s["sweep"] <= closed["last_sweep"]]
        check(len(sweeps) == 4 and all(s["purpose"] == "window" for s in sweeps), "four sweeps of the window")
        check(sweeps[0]["started_s"] >= closed["window"]["from_s"], "inside the window that proves it")
        for item in errors_found(lab, run).values():
            check(item["n"] == 4, "bracketed: one reading a sweep")


def finished_is_said_when_the_journal_is_closed():
    """Whoever waits for "finished" finds the results there, however slow the disk is: here every sync takes 0.3 s."""
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        lab.start_daemon(under=["strace", "-D", "-f", "-qq", "-o", f"{lab.folder}/trace", "-e", "trace=fsync,fdatasync",
                                "-e", "inject=fsync,fdatasync:delay_enter=300000", "--detach-on=execve"])
        run = lab.start(bench.files(profile([30])))
        lab.wait_state(run, "finished")
        check(lab.status(run)["ending"] == "finished", "and ended")
        lab.command("results", run)
        lab.command("verify", run)


def forty_channels_on_two_scanners_in_parallel():
    with Lab(speed=300) as lab:
        bench = Bench(lab.folder, "wide").source().scanner("left", 0.2).scanner("right", 0.2)
        bench.channel("reference", "left", 101, "references", PLATINUM, "resistance")
        bench.channel("block-left", "left", 102, "junctions", PLATINUM, "resistance", {"in": "left"})
        transmitter = {"kind": "current_transmitter", "low_c": -50.0, "high_c": 150.0, "low_a": 0.004, "high_a": 0.02}
        kinds = [("thermocouple", "K"), ("thermocouple", "T"), ("platinum", None), ("transmitter", None), ("indicated", None),
                 ("thermocouple", "N")]
        true = {}
        for i in range(38):
            scanner = "left" if i < 18 else "right"
            address = 103 + i if i < 18 else 101 + i - 18
            kind, letter = kinds[i % len(kinds)]
            name = f"item-{i + 1:02d}"
            offset = round(0.02 * (i % 11) - 0.1, 3)
            true[name] = offset
            if kind == "thermocouple":
                junction = "block-left" if scanner == "left" else {"fixed_c": 0.0}
                bench.channel(name, scanner, address, "items", {"kind": "thermocouple", "type": letter}, "voltage",
                              {"offset_k": offset}, junction)
            elif kind == "platinum":
                bench.channel(name, scanner, address, "items", PLATINUM, "resistance", {"offset_k": offset})
            elif kind == "transmitter":
                bench.channel(name, scanner, address, "items", transmitter, "current", {"offset_k": offset})
            else:
                bench.channel(name, scanner, address, "items", {"kind": "indicated"}, "temperature", {"offset_k": offset})
        lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([35])))
        lab.wait_state(run, "finished")
        found = errors_found(lab, run)
        check(len(found) == 38, f"38 items, not {len(found)}")
        for (_, name), item in found.items():
            check(abs(item["error_k"] - true[name]) < 0.03, f"{name}: found {item['error_k']}, true {true[name]}")
        # In parallel: the second scanner does not wait for the first; each begins at once and they end together.
        order = lab.records(run)[0]["orders"]["mirrored"]
        scanner_of = {c["channel"]: c["scanner"] for c in lab.records(run, "card")}

        def in_parallel(sweep):
            spans = {}
            for channel, at_s in zip(order, sweep["at_s"]):
                low, high = spans.get(scanner_of[channel], (at_s, at_s))
                spans[scanner_of[channel]] = (min(low, at_s), max(high, at_s))
            (left_from, left_to), (right_from, right_to) = spans["left"], spans["right"]
            whole = max(left_to, right_to)
            return max(left_from, right_from) < 0.2 * whole and min(left_to, right_to) > 0.6 * whole
        # A moment in which the machine does nothing may spoil a sweep; one after the other, none of them would look like this.
        sweeps = [s for s in lab.records(run, "sweep") if s["purpose"] == "capture"]
        check(len(sweeps) == 3 and any(map(in_parallel, sweeps)), f"the scanners were read one after the other: {sweeps}")


def three_benches_at_once():
    with Lab(speed=600) as lab:
        benches = [Bench(lab.folder, f"bench-{n}").simple(items=2) for n in (1, 2, 3)]
        for bench in benches:
            lab.start_sim(bench)
        lab.start_daemon()
        # The first night waits for its person, so that it still has its instruments when somebody else asks for them.
        nights = [lasting(profile([39, 40], "night 1")), profile([45], "night 2"), profile([50], "night 3")]
        runs = [lab.start(bench.files(night)) for bench, night in zip(benches, nights)]
        check(len(set(runs)) == 3, f"three ids: {runs}")
        # An instrument belongs to one run at a time.
        lab.command("start", *benches[0].files(profile([40])), expect=3)
        check("belongs to run" in lab.last.stderr, lab.last.stderr)
        lab.wait_state(runs[0], "approach", "settle")
        lab.command("skip", runs[0])
        for run in runs:
            lab.wait_state(run, "finished")
            check(len([i for i in errors_found(lab, run).values() if i["n"]]) == 2, "two items")
        again = lab.start(benches[0].files(profile([25])))
        lab.wait_state(again, "finished")


def a_person_holds_resumes_skips_and_stops():
    with Lab(speed=300) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        log = lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([60, 80, 100])))
        lab.wait_state(run, "approach")
        lab.command("hold", run, "--why", "look at the probe")
        check(lab.state_of(run) == "held", "held")
        lab.command("hold", run, expect=3)
        lab.command("resume", run)
        lab.command("skip", run)
        wait_for(lambda: lab.status(run)["plateau"]["number"] == 2)
        lab.command("stop", run)
        lab.wait_state(run, "stopped")
        check(len(lab.records(run, "person")) == 4, "each request is in the journal, the refused one is not acted on")
        check(lab.records(run, "closing")[0]["ending"] == "stopped", "stopped")
        lab.command("results", run, expect=4)
        with open(f"{log}/bath.log") as f:
            check("OUTP" in f.read().upper(), "the source's own log")


def an_attended_source_waits_for_its_person():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        entry = bench.bench["sources"]["bath"]
        bench.bench["sources"]["bath"] = {k: entry[k] for k in
                                          ("kind", "lowest_c", "highest_c", "safe_c", "absolute_highest_c")}
        bench.bench["sources"]["bath"]["attended"] = True
        lab.start_daemon()
        # The simulated bath stays at ambient, so that is the setpoint that somebody "sets".
        run = lab.start(bench.files(profile([21])))
        lab.wait_state(run, "waiting")
        check("set bath to 21.00" in lab.command("status", run), "says what it waits for")
        lab.command("ready", run)
        lab.wait_state(run, "cooldown")
        lab.command("ready", run)
        lab.wait_state(run, "finished")


def a_survey_names_what_is_wrong():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one").simple(items=4)
        sensors = bench.sim["sensors"]
        sensors["item-2"]["model"] = {"kind": "platinum", "r0_ohm": 1000.0}  # a Pt1000 where the card says Pt100
        sensors["item-3"]["offset_k"] = 5.0
        del bench.sim["scanners"]["scanner"]["channels"]["105"]  # item-4: nothing is connected there
        lab.start_sim(bench)
        lab.start_daemon()
        look = {"format": "nightwell-profile/1", "profile": "look",
                "survey": {"every_s": 10, "lasts_s": 60, "expected_c": 21, "outlier_k": 2}}
        out = lab.command("survey", *bench.files(look))
        for name, word in (("item-2", "wrong"), ("item-3", "outlier"), ("item-4", "open")):
            lines = [line for line in out.splitlines() if name in line]
            check(any(word in line for line in lines), f"{name} should be named {word}:\n{out}")
        run = lab.runs()[-1]["run"]
        check(not lab.records(run, "command"), "a survey heats nothing")


def ten_mistakes_ten_messages():
    with Lab() as lab:
        bench = Bench(lab.folder, "one").simple(items=3)
        night = profile([40, 600])                                        # 1: beyond the source
        night["plateau_defaults"]["band"] = 1                             # 2: unknown key
        night["sampling"]["every_s"] = "often"                            # 3: wrong type
        night["plateaus"][0]["band_k"] = -1                               # 4: out of range
        bench.bench["channels"]["item-2"]["address"] = 102                # 5: an address used twice
        bench.bench["channels"]["item-3"]["measures"] = "weight"          # 6: no such quantity
        bench.bench["sources"]["bath"]["lease_s"] = -5                    # 7: out of range
        bench.job["items"].append({"channel": "item-1", "card": "cards/one-item-1.json"})  # 8: a channel used twice
        bench.job["items"][2]["card"] = "cards/missing.json"              # 9: a card that is not there
        bench.cards["cards/one-reference.json"]["due"] = "2025-01-01"     # 10: overdue
        files = bench.files(night)
        lab.command("plan", "check", *files, expect=2)
        lines = lab.last.stdout + lab.last.stderr
        for pointer in ("/plateaus/1/setpoint_c", "/plateau_defaults/band", "/sampling/every_s", "/plateaus/0/band_k",
                        "item-2", "item-3/measures", "/sources/bath/lease_s", "/items/3", "/items/2/card", "/due"):
            check(pointer in lines, f"no message names {pointer}:\n{lines}")


def an_overdue_reference_is_refused_unless_accepted():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        bench.cards["cards/one-reference.json"]["due"] = "2026-02-01"
        lab.start_sim(bench)
        lab.start_daemon()
        files = bench.files(profile([25]))
        lab.command("start", *files, expect=2)
        run = lab.start(files, "--accept-overdue")
        lab.wait_state(run, "finished")
        check(lab.records(run)[0]["accepted_overdue"] == ["SB-one-reference"], "journalled")


main({f.__name__: f for f in (
    a_night_finds_the_known_errors, a_fitted_card_serves_the_next_run, the_journal_passes_the_documents_own_check,
    capture_inside_the_window, finished_is_said_when_the_journal_is_closed,
    forty_channels_on_two_scanners_in_parallel, three_benches_at_once, a_person_holds_resumes_skips_and_stops,
    an_attended_source_waits_for_its_person, a_survey_names_what_is_wrong, ten_mistakes_ten_messages,
    an_overdue_reference_is_refused_unless_accepted)})
