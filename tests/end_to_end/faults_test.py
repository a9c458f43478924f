"""What goes wrong in a night: kills, unplugged ports, silent instruments, a full disk. The heater must go off each time.

What the source was told is read from the simulated source's own log, not from what the daemon says it did.
Fault numbers as in docs/faults.md where they stand.
"""
import os
import signal
import subprocess
import time

from lab import BIN, Bench, Lab, check, lasting, main, profile, wait_for


def source_log(log):
    with open(f"{log}/bath.log") as f:
        return f.read()


def told_off(log):
    """The last thing the source heard about its output was OFF, and its own answer to the read-back says 0."""
    lines = [line for line in source_log(log).splitlines() if "OUTP" in line.upper()]
    switches = [line for line in lines if "STAT" in line.upper() and "?" not in line]
    if not switches or "OFF" not in switches[-1].upper():
        return False
    return any("?" in line for line in lines[lines.index(switches[-1]):])


def running(lab, phase):
    """A run that is in the phase and stays in it for long: the way up is far, and so many sweeps take hours."""
    bench = Bench(lab.folder, "one").simple(items=2)
    log = lab.start_sim(bench, "--control", lab.control)
    lab.start_daemon()
    setpoints = {"approach": [110, 90], "capture": [30, 90]}[phase]
    files = bench.files(profile(setpoints, capture={"placement": "after", "order": "mirrored", "sweeps": 1000, "pause_s": 30}))
    run = lab.start(files)
    wait_for(lambda: lab.state_of(run) == phase, 60, 0.02)
    wait_for(lambda: "OUTPUT:STATE ON" in source_log(log).upper())
    return bench, log, run, files


def killed(phase):
    with Lab(speed=300) as lab:
        bench, log, run, files = running(lab, phase)
        lab.kill(lab.daemon)
        wait_for(lambda: told_off(log))
        # The journal is whole up to its last line; verify says that it has no end (4), not that it is damaged (2).
        lab.command("verify", run, expect=4)
        check("without closing" in lab.last.stdout, lab.last.stdout)
        lab.start_daemon()
        check(lab.state_of(run) == "ended without closing", f"the new daemon says {lab.state_of(run)}")
        lab.command("results", run, expect=4)
        check("without closing" in lab.last.stdout, "results say so")
        lab.command("resume", run, expect=None)
        check(lab.last.returncode in (2, 3), "no way to pretend that it goes on")
        before = os.path.getsize(lab.journal(run))
        # The bench is free again once its guardian has parked and gone.
        wait_for(lambda: not lab.guardians())
        again = lab.start(files)
        wait_for(lambda: lab.state_of(again) in ("approach", "settle"))
        check(os.path.getsize(lab.journal(run)) == before, "nothing was appended to the old journal")
        lab.command("stop", again)


def kill_in_approach_parks():
    killed("approach")


def kill_in_capture_parks():
    killed("capture")


def die(lab):
    """Daemon and guardians at once, as if by a power cut."""
    guardians = lab.guardians()
    for pid in guardians:
        os.kill(pid, signal.SIGSTOP)  # so that none outlives the daemon for a moment
    lab.kill(lab.daemon)
    for pid in guardians:
        os.kill(pid, signal.SIGKILL)
    wait_for(lambda: not lab.guardians())


def daemon_said(lab, text):
    with open(os.path.join(lab.folder, "daemon.err")) as f:
        return text in f.read()


def a_computer_that_dies_takes_the_guardian_along():
    """Nobody switches the source off then. The next daemon says so, and has another guardian do it; then the bench is free."""
    with Lab(speed=300) as lab:
        _, log, run, files = running(lab, "approach")
        die(lab)
        check(not told_off(log), "the source heats on")
        # Nobody syncs the guardian's log: its last lines die with the computer. The journal knows of the command.
        path = os.path.join(os.path.dirname(lab.journal(run)), "guardian-bath.log")
        with open(path) as f:
            kept = [line for line in f if "telling the source" not in line]
        with open(path, "w") as f:
            f.writelines(kept)
        lab.start_daemon()
        wait_for(lambda: daemon_said(lab, "NOT SEEN OFF since: bath: another guardian is started"))
        wait_for(lambda: daemon_said(lab, "bath is switched off: the output reads off"))
        check(told_off(log), "what the daemon says is so")
        lab.command("status", run, expect=3)
        check("is over (ended without closing)" in lab.last.stderr, lab.last.stderr)
        lab.command("hold", run, expect=3)
        check("is over (ended without closing)" in lab.last.stderr, lab.last.stderr)
        wait_for(lambda: not lab.guardians())
        again = lab.start(files)
        lab.wait_state(again, "approach", "settle")
        # It is this one's source now, whatever becomes of it.
        lab.kill(lab.daemon)
        wait_for(lambda: not lab.guardians())
        lab.start_daemon()
        wait_for(lambda: daemon_said(lab, "seen off by its guardian: bath"))


def what_a_dead_computer_left_on_is_switched_off_once_it_answers():
    """The source cannot be reached when the next daemon begins: a person is told, the bench is held, and the guardian goes on."""
    with Lab(speed=300) as lab:
        _, log, run, files = running(lab, "approach")
        die(lab)
        lab.order({"instrument": "bath", "fault": "silent"})
        lab.start_daemon()
        wait_for(lambda: daemon_said(lab, "bath is not proved to be off"), 60)
        lab.command("start", *files, expect=3)
        check(f"run {run} ended without closing, and its source is not proved off yet" in lab.last.stderr, lab.last.stderr)
        # A daemon that dies too leaves its guardian at work, and the next one waits for that.
        lab.kill(lab.daemon)
        lab.start_daemon()
        wait_for(lambda: daemon_said(lab, "its guardian is still switching it off: bath"))
        check(len(lab.guardians()) == 1, "one guardian")
        lab.order({"instrument": "bath", "fault": "clear"})
        wait_for(lambda: told_off(log), 60)
        wait_for(lambda: daemon_said(lab, "bath was seen off by its guardian"), 60)
        lab.wait_state(lab.start(files), "approach", "settle")


def the_daemon_ends_on_request_only_after_the_park():
    with Lab(speed=300) as lab:
        bench, log, run, _ = running(lab, "approach")
        lab.daemon.send_signal(signal.SIGTERM)
        check(lab.daemon.wait(60) == 0, "a clean end")
        check(told_off(log), "the source is off before the daemon is gone")
        lab.command("verify", run, expect=0)
        check(lab.records(run, "closing")[0]["ending"] == "parked", "closing record")


def a_stopped_daemon_lets_the_lease_run_out():
    with Lab(speed=20) as lab:
        bench = Bench(lab.folder, "one", lease_s=60, poll_s=10, stale_s=60).simple(items=1)
        log = lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([90])))
        wait_for(lambda: "OUTPUT:STATE ON" in source_log(log).upper(), 60)
        lab.daemon.send_signal(signal.SIGSTOP)  # fault 44: the process lives, but does nothing
        wait_for(lambda: told_off(log))
        lab.daemon.send_signal(signal.SIGCONT)
        lab.wait_state(run, "parked")


def an_unplugged_scanner_parks():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one").simple(items=2)
        log = lab.start_sim(bench, "--control", f"{lab.folder}/control")
        lab.start_daemon()
        run = lab.start(bench.files(profile([90], stale_s=600)))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.order({"instrument": "scanner", "fault": "unplug", "for_s": 100000})
        lab.wait_state(run, "parked", seconds=90)
        wait_for(lambda: told_off(log))
        wait_for(lambda: any(g["guard"] == "reference_stale" for g in lab.records(run, "guard")))  # "off" waits for no disk


def a_silent_source_parks_and_keeps_saying_so():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one", stale_s=300).simple(items=2)
        log = lab.start_sim(bench, "--control", f"{lab.folder}/control")
        lab.start_daemon()
        run = lab.start(bench.files(profile([90])))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.order({"instrument": "bath", "fault": "silent"})
        lab.wait_state(run, "parked", seconds=120)
        parked = lab.status(run)["parked"]
        check(parked["confirmed"] is False, f"nothing is proved: {parked}")
        check(not lab.records(run, "closing"), "an unproved park does not close the journal")
        lab.order({"instrument": "bath", "fault": "clear"})
        wait_for(lambda: lab.records(run, "closing"), 90)
        check(told_off(log), "once it answers it is switched off")


def a_dead_heater_parks():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        log = lab.start_sim(bench, "--control", f"{lab.folder}/control")
        lab.order({"instrument": "bath", "fault": "heater_dead"})
        lab.start_daemon()
        run = lab.start(bench.files(profile([90])))
        lab.wait_state(run, "parked")
        wait_for(lambda: told_off(log))


def an_open_item_is_named_and_the_night_goes_on():
    with Lab(speed=900) as lab:
        bench = Bench(lab.folder, "one").simple(items=3)
        lab.start_sim(bench, "--control", f"{lab.folder}/control")
        lab.order({"instrument": "scanner", "fault": "open_sensor", "channel": 103})
        lab.start_daemon()
        run = lab.start(bench.files(profile([35])))
        lab.wait_state(run, "finished")
        check([r["channel"] for r in lab.records(run, "left_out")] == ["item-2"], "left out by name")
        check("item-2" in lab.command("results", run), "and named in the results")


def limited_daemon(lab, kilobytes, *options):
    """A daemon whose files may grow to so much each: then every write to that file fails, as on a full disk (48)."""
    lab.daemon = lab.spawn("daemon", ["bash", "-c", f"ulimit -f {kilobytes}; exec {BIN}/nightwelld --runtime {lab.folder}/runtime "
                                      f"--state {lab.state} --speed {lab.speed} {' '.join(options)}"])
    wait_for(lab.answers)


def a_file_that_takes_no_more_is_left_for_a_new_one():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=2)
        lab.start_sim(bench)
        second = os.path.join(lab.folder, "second")
        os.mkdir(second)
        limited_daemon(lab, 60, "--second", second)
        run = lab.start(bench.files(profile([60, 30])))
        lab.wait_state(run, "finished", seconds=120)
        wait_for(lambda: os.path.exists(os.path.join(second, run, "journal-2.ndjson")))
        copy = os.path.join(second, run, "journal.ndjson")
        # The second folder alone holds the whole night: the copy of the first file, and what went on there.
        wait_for(lambda: "finished" in lab.command("verify", copy, expect=None))
        lab.command("verify", copy)
        check("moved" in lab.command("tail", copy, "--raw"), "the journal says that it moved")
        check("finished" in lab.command("results", copy, expect=None), "the results come from all of it")


def a_journal_that_no_file_takes_parks():
    with Lab(speed=300) as lab:
        bench = Bench(lab.folder, "one").simple(items=2)
        log = lab.start_sim(bench)
        limited_daemon(lab, 20)  # and no new file takes more than the first: nine of them are filled
        run = lab.start(bench.files(profile([90, 30, 90, 30, 90])))
        lab.wait_state(run, "parked", seconds=120)
        wait_for(lambda: told_off(log))
        lab.command("verify", run, expect=4)


def two_daemons_do_not_share():
    with Lab() as lab:
        lab.start_daemon()
        second = subprocess.run([f"{BIN}/nightwelld", "--runtime", f"{lab.folder}/runtime2", "--state", lab.state],
                                capture_output=True, text=True, timeout=60)
        check(second.returncode == 3 and "another nightwelld" in second.stderr, second.stderr)
        third = subprocess.run([f"{BIN}/nightwelld", "--runtime", f"{lab.folder}/runtime", "--state", f"{lab.folder}/state2"],
                               capture_output=True, text=True, timeout=60)
        check(third.returncode == 3 and "another nightwelld" in third.stderr, third.stderr)


def no_daemon_is_a_clear_answer():
    with Lab() as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.command("start", *bench.files(profile([25])), expect=3)
        check("start nightwelld" in lab.last.stderr, lab.last.stderr)


def a_source_that_is_not_there_refuses_to_begin():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one", lease_s=600).simple(items=1)
        lab.start_sim(bench)
        bench.bench["sources"]["bath"]["identity"] = "another bath"
        lab.start_daemon()
        run = lab.start(bench.files(profile([25])))
        lab.wait_state(run, "parked")
        check(not lab.records(run, "command"), "nothing was told to it")


def hostile_text_reaches_no_terminal():
    """What files and instruments say is shown, never obeyed (S11): escapes, titles, clipboard writes, bidirectional controls."""
    nasty = "\x1b]52;c;aGk=\x07\x1b[2J \u202e\u2066 \x9b31m \x7f\r\n{\"n\":9}</td><script>alert(1)</script>"
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        serials = {path: card["serial"] for path, card in bench.cards.items()}

        def spoil(text):
            bench.job["job"] = bench.job["customer_reference"] = text
            for path, card in bench.cards.items():
                card["serial"] = f"{serials[path]} {text}"
            return bench.files(lasting(profile([24, 25], name="night " + text)))
        lab.start_sim(bench)
        lab.start_daemon()
        lab.command("start", *spoil(nasty), expect=2)  # control characters are refused where a file may say what it likes
        outputs = [lab.last.stderr]
        files = spoil("\u202e\u2066 =1+1 </td><script>alert(1)</script>")
        run = lab.start(files)
        lab.wait_state(run, "approach", "settle")
        outputs += [lab.command("status", run), lab.command("hold", run, "--why", nasty), lab.command("resume", run),
                    lab.command("skip", run)]
        lab.wait_state(run, "finished")
        page = os.path.join(lab.folder, "night.html")
        for words in (["plan", "check", *files], ["runs"], ["tail", run], ["tail", run, "--raw"], ["verify", run], ["results", run],
                      ["results", run, "--csv"], ["results", run, "--json"], ["report", run, "-o", page], ["watch", run],
                      ["compare", run, run], ["fit", nasty, run]):
            outputs += [lab.command(*words, expect=None), lab.last.stderr]
        check(len(lab.records(run, "person")) == 3, "hold, resume and skip are there")
        for name in os.listdir(lab.folder):
            if name.startswith("night"):
                with open(os.path.join(lab.folder, name), newline="") as f:
                    outputs.append(f.read())
                    check(not name.endswith(".html") or "<script>alert" not in outputs[-1], f"{name}: text became markup")
        for log in (os.path.join(lab.folder, "daemon.err"), os.path.join(os.path.dirname(lab.journal(run)), "guardian-bath.log")):
            with open(log, newline="") as f:
                outputs.append(f.read())
        for text in outputs:
            bad = [c for c in text if (ord(c) < 32 and c not in "\r\n\t") or 127 <= ord(c) < 160 or c in "\u202e\u2066\u2028\u2029"]
            check(not bad, f"{bad!r} in {text[:3000]!r}")
            check("\n{\"n\":9}" not in text.replace("\r", ""), "a line of its own came out of a text")


main({f.__name__: f for f in (
    kill_in_approach_parks, kill_in_capture_parks, a_computer_that_dies_takes_the_guardian_along,
    what_a_dead_computer_left_on_is_switched_off_once_it_answers,
    the_daemon_ends_on_request_only_after_the_park,
    a_stopped_daemon_lets_the_lease_run_out, an_unplugged_scanner_parks, a_silent_source_parks_and_keeps_saying_so,
    a_dead_heater_parks, an_open_item_is_named_and_the_night_goes_on, a_file_that_takes_no_more_is_left_for_a_new_one,
    a_journal_that_no_file_takes_parks, two_daemons_do_not_share,
    no_daemon_is_a_clear_answer, a_source_that_is_not_there_refuses_to_begin, hostile_text_reaches_no_terminal)})
