"""Nights on driver programs: the examples of demo/drivers as they are, the C++ one built against an installed Nightwell.

NIGHTWELL_BUILD_DIR: what the package is installed from; without it the package is left out (a sanitized library wants a
sanitized example) and the scanner's driver is the tests' own.
"""
import contextlib
import functools
import json
import os
import shutil
import signal
import subprocess
import tempfile

from lab import BIN, PLATINUM, SOURCE, Bench, Lab, check, lasting, main, profile, wait_for

BUILD = os.environ.get("NIGHTWELL_BUILD_DIR", "")
EXAMPLES = f"{SOURCE}/demo/drivers"
os.umask(0o022)  # programs that others may change are refused


def run(*command, **more):
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, **more)
    check(done.returncode == 0, f"{' '.join(command)}: exit {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


@functools.lru_cache
def installed():
    """Where the package is installed; removed at the end."""
    prefix = tempfile.mkdtemp(prefix="nightwell-package-")
    run("cmake", "--install", BUILD, "--component", "driver", "--prefix", prefix)
    return prefix


def the_installed_examples_make_a_plan():
    if not BUILD:
        return
    run("cmake", "--install", BUILD, "--component", "examples", "--prefix", installed())
    examples = f"{installed()}/share/nightwell/examples"
    told = run(f"{BIN}/nightwell", "plan", "check", "profiles/cold-store.json", "bench.json", "job.json", cwd=examples)
    check("cold-store" in told, told)
    check(os.access(f"{examples}/drivers/bath_driver.py", os.X_OK), "a driver can be run as it is")


@functools.lru_cache
def scanner_program():
    """The C++ example as a stranger makes it their own and builds it, by the lines that they are told. Its check begins."""
    if not BUILD:
        return f"{BIN}/program_scpi_driver", ["scanner"]
    stranger = dict(os.environ, PATH=f"{BIN}:{os.environ['PATH']}", CMAKE_PREFIX_PATH=installed(), CXXFLAGS="-Wall -Wextra -Werror")
    told = run("nightwell", "drivers", "new", "scanner-cpp", "median", cwd=installed(), env=stranger)
    line = next(line for line in told.splitlines() if line.startswith("build "))
    run("sh", "-c", line.removeprefix("build "), cwd=installed(), env=stranger)
    global checking
    with open(f"{installed()}/check.json", "w") as report:
        checking = subprocess.Popen([f"{installed()}/median/check.sh", "--json"], stdout=report, stderr=subprocess.PIPE, text=True, env=stranger)
    return f"{installed()}/median/build/median", []


checking = None


def a_new_program_passes_its_check():
    """It ran beside the nights: it waits more than it works."""
    if not BUILD:
        return
    scanner_program()
    err = checking.communicate(timeout=120)[1]
    with open(f"{installed()}/check.json") as report:
        cases = json.load(report)["cases"]
    check(checking.returncode == 0 and len(cases) > 20, f"{cases}\n{err}")


@functools.lru_cache
def conformance_run():
    """The conformance run of the C++ example, begun. It waits more than it works, so the other tests go on beside it."""
    lab = Lab(speed=20)
    bench = Bench(lab.folder, "checked").simple(items=1)
    bench.sim["sensors"]["item-1"]["model"] = dict(PLATINUM, r0_ohm=200.0)  # a value that no one takes for the other channel's
    lab.start_sim(bench)
    port = bench.port("scanner")["path"]
    return lab, lab.spawn("check", [f"{BIN}/nightwell", "drivers", "check", scanner_program()[0], "--for", "scanner", "--port",
                                    f"pty:{port}", "--channels", "101,102", "--missing-channel", "150", "--reply", "0.3", "--json"],
                          stdout=subprocess.PIPE, text=True)


def the_example_passes_the_conformance_run():
    if not BUILD:
        return
    lab, process = conformance_run()
    with lab:
        report = json.loads(process.communicate(timeout=200)[0])
        left = [f"{c['verdict']}: {c['case']}, {c['state']}: {c['happened']}" for c in report["cases"] if c["verdict"] != "passed"]
        check(process.returncode == 0 and len(report["cases"]) >= 25 and not left, f"exit {process.returncode}: {left}")


def every_installed_header_compiles_alone():
    if not BUILD:
        return
    conformance_run()
    names = [os.path.relpath(os.path.join(base, name), f"{installed()}/include")
             for base, _, files in os.walk(f"{installed()}/include") for name in files]
    check(len(names) >= 10 and "nightwell/driver/main.hpp" in names, f"installed: {names}")
    flags = ["-std=c++20", "-fsyntax-only", "-Wall", "-Wextra", "-Werror", "-DASIO_STANDALONE", "-DASIO_SEPARATE_COMPILATION",
             f"-I{installed()}/include", "-x", "c++", "/dev/null"]
    # Two at a time, as the machine that checks has two cores.
    for pair in (names[i:i + 2] for i in range(0, len(names), 2)):
        for name, compiler in [(name, subprocess.Popen(["g++", *flags, "-include", name])) for name in pair]:
            check(compiler.wait(120) == 0, f"{name} does not compile alone")


def on_programs(lab, **source):
    """A bench whose bath and scanner are driven by programs beside the bench file."""
    bench = Bench(lab.folder, "one").simple(items=2)
    folder = f"{lab.folder}/one"
    os.makedirs(folder, exist_ok=True)
    program, arguments = scanner_program()
    shutil.copy(program, f"{folder}/scanner_driver")
    shutil.copy(f"{EXAMPLES}/bath_driver.py", folder)
    bench.sim["sources"]["bath"]["manner"] = "terse"
    bench.bench["sources"]["bath"].update({"driver": {"program": "bath_driver.py"}, "identity": "Simulated bath"}, **source)
    bench.bench["scanners"]["scanner"]["driver"] = {"program": "scanner_driver", "arguments": arguments}
    return bench


def processes(lab, name):
    """Those of a driver: pid by pid."""
    return [int(pid) for pid in subprocess.run(["pgrep", "-f", f"{lab.folder}/one/{name}"], capture_output=True,
                                                text=True).stdout.split()]


def killed(lab, name):
    """Kills the driver as soon as it runs, and gives its number."""
    pid = wait_for(lambda: processes(lab, name))[0]
    os.kill(pid, signal.SIGKILL)
    return pid


def phase(lab, number):
    return lambda: [r["phase"] for r in lab.records(number, "phase")]


def check_records(lab, number):
    plan = lab.records(number, "plan")[0]
    bath, scanner = plan["sources"][0], plan["scanners"][0]
    check(bath["driver"] == "program" and bath["program"]["file"] == "bath_driver.py", f"the plan's bath: {bath}")
    check(bath["program"]["sha256"] == lab.records(number)[0]["files"]["bath_driver.py"], "one hash in both places")
    check(scanner["program"]["path"] == f"{lab.folder}/one/scanner_driver", f"the plan's scanner: {scanner}")
    try:
        import jsonschema
    except ImportError:
        return
    with open(f"{SOURCE}/profiles/schema/journal.schema.json") as f:
        faults = list(jsonschema.Draft202012Validator(json.load(f)).iter_errors(plan))
    check(not faults, f"the plan's record: {faults[:3]}")


def a_night_on_two_programs_that_are_killed_in_it():
    with Lab(speed=400) as lab:
        bench = on_programs(lab)
        lab.start_sim(bench)
        lab.start_daemon()
        number = lab.start(bench.files(lasting(profile([29, 30]))))
        wait_for(lambda: "approach" in phase(lab, number)())
        old = killed(lab, "bath_driver.py"), killed(lab, "scanner_driver")

        def started_again():
            new = processes(lab, "bath_driver.py") + processes(lab, "scanner_driver")
            return len(new) == 2 and not set(new) & set(old)
        wait_for(started_again, 60)
        wait_for(lambda: "settle" in phase(lab, number)(), 60)
        lab.command("skip", number)
        lab.wait_state(number, "finished")
        results = json.loads(lab.command("results", number, "--json"))
        for item in results["plateaus"][1]["items"]:
            true = bench.sim["sensors"][item["name"]]["offset_k"]
            check(abs(item["error_k"] - true) < 0.02, f"{item['name']}: found {item['error_k']}, true {true}")
        lab.command("verify", number)
        check_records(lab, number)
        faults = [r for r in lab.records(number, "fault") if r["instrument"] == "bath"]
        check(any("signal 9" in r["text"] for r in faults), f"its death is a fault of the bath: {faults}")
        wait_for(lambda: not processes(lab, "bath_driver.py") + processes(lab, "scanner_driver"))


def a_driver_whose_guardian_is_killed_switches_off():
    with Lab(speed=300) as lab:
        bench = on_programs(lab)
        log = lab.start_sim(bench)
        lab.start_daemon()
        number = lab.start(bench.files(profile([110])))

        def heard(start):
            with open(f"{log}/bath.log") as f:
                return [line for line in f if line.split("\t")[2].startswith(start)]
        wait_for(lambda: heard("H1"))
        driver = processes(lab, "bath_driver.py")
        guardian = next(int(pid) for pid in os.listdir("/proc") if pid.isdigit() and parent_of(driver[0]) == int(pid))
        before = len(heard("H0"))
        os.kill(guardian, signal.SIGKILL)
        wait_for(lambda: len(heard("H0")) > before)
        wait_for(lambda: not processes(lab, "bath_driver.py"))
        with open(f"{log}/bath.log") as f:
            last = [line.split("\t")[2:4] for line in f][-1]
        check(last[0].startswith("H?") and last[1].startswith("H0"), f"it proved that before it ended: {last}")
        # The guardian that is started in its place finds the bath off and proves it once more: the run can end.
        wait_for(lambda: "parked" in phase(lab, number)(), 60)
        wait_for(lambda: any(r["confirmed"] for r in lab.records(number, "park")), 60)
        wait_for(lambda: lab.records(number, "closing"), 60)


def a_source_that_was_never_reached_is_not_called_safe():
    """Its program talks nonsense, so nothing was told to it; who wants its port at once is told who has it, and why."""
    with Lab(speed=40) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        with open(f"{lab.folder}/one/nonsense.sh", "w") as f:
            f.write("#!/bin/sh\nread hello; echo hello yourself; read more\n")
        os.chmod(f"{lab.folder}/one/nonsense.sh", 0o755)
        bench.bench["sources"]["bath"]["driver"] = {"program": "nonsense.sh"}
        lab.start_daemon()
        files = bench.files(profile([30]))
        run = lab.start(files)
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.records(run, "closing"))
        lab.command("start", *files, expect=3)
        check(f"is still held by run {run}, which is over" in lab.last.stderr and "guardian-*.log" in lab.last.stderr, lab.last.stderr)
        check(lab.status(run)["parked"]["untouched"], f"{lab.status(run)['parked']}")
        page = lab.command("status", run)
        check("NOT SEEN" in page and "seen to be safe" not in page and "hello yourself" in page, page)


def a_survey_on_a_scanner_that_has_to_be_waited_for():
    """The Python example as it lies in the tree, on its simulator: a value that it works out, and an open channel in its own words."""
    with Lab(speed=20) as lab:
        bench = Bench(lab.folder, "one").scanner("counting")
        for number in (1, 2, 8):
            bench.channel(f"c{number}", "counting", number, "items", PLATINUM, "resistance")
        bench.bench["scanners"]["counting"].update(driver={"program": "counting_scanner.py"}, identity="simulated")
        folder = f"{lab.folder}/one"
        os.makedirs(folder, exist_ok=True)
        for name in ("bath_driver.py", "counting_scanner.py"):
            shutil.copy(f"{EXAMPLES}/{name}", folder)
        link = bench.port("counting")["path"]
        os.makedirs(os.path.dirname(link), exist_ok=True)
        lab.spawn("counting", ["python3", f"{EXAMPLES}/counting_scanner_simulator.py", link])
        wait_for(lambda: os.path.islink(link))
        lab.start_daemon()
        look = {"format": "nightwell-profile/1", "profile": "look",
                "survey": {"every_s": 20, "lasts_s": 60, "expected_c": 4, "outlier_k": 5}}
        told = lab.command("survey", *bench.files(look))
        run = lab.runs()[-1]["run"]
        found = lab.records(run, "survey")[0]["findings"]
        check(len(found) == 1 and found[0]["channel"] == "c8" and found[0]["finding"] == "open" and "its state is 1" in found[0]["text"],
              f"{found}\n{told}")
        # Pt100 by IEC 60751 has 101 ohm at 2.560 C and 102 ohm at 5.121 C (its equation, R = 100 (1 + 3.9083e-3 t - 5.775e-7 t^2)).
        check(" 2.560 °C" in told and " 5.121 °C" in told, told)


def parent_of(pid):
    with open(f"/proc/{pid}/stat") as f:
        return int(f.read().rpartition(")")[2].split()[1])


def the_example_switches_off_whatever_ends_it():
    """A host that writes nonsense, or hears nothing more, or leaves an "on" behind; one that is dead, so that nobody takes the driver's own words, while the
    bath is deaf for a moment."""
    def ended_by(lab, bench, log, name, spoil):
        before = os.path.getsize(log) if os.path.exists(log) else 0
        driver = subprocess.Popen([f"{EXAMPLES}/bath_driver.py"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                  stderr=subprocess.PIPE, text=True)
        try:
            def ask(**line):
                driver.stdin.write(json.dumps(line) + "\n")
                driver.stdin.flush()
                return json.loads(driver.stdout.readline())
            ask(hello="nightwell-driver/1", role="heat_source", instrument="bath", port=bench.port("bath"), reply_s=2.0, identity="")
            check("value" in ask(id=1, ask="identify", within_s=19), "it knows the bath")
            check("done" in ask(id=2, ask="set_output", on=True, within_s=19), "the bath is on")
            spoil(driver)
            told = "" if driver.stderr.closed else driver.stderr.read()
            code = driver.wait(timeout=40)
        finally:
            driver.kill()
            for file in (driver.stdin, driver.stdout, driver.stderr):
                with contextlib.suppress(OSError):
                    file.close()
        with open(log) as f:
            f.seek(before)
            heard = [line.split("\t")[2:4] for line in f]
        states = [reply for sent, reply in heard if sent.startswith("H?")]
        check(sum(sent.startswith("H1") for sent, _ in heard) == 1, f"{name}: switched on again: {heard}")
        check(any(sent.startswith("H0") for sent, _ in heard), f"{name}: no \"off\" (exit {code}): {told}")
        check(states and states[-1].startswith("H0"), f"{name}: not proved off (exit {code}): {states} {told}")

    def nonsense(driver):
        driver.stdin.write("nonsense\n")
        driver.stdin.flush()

    def deaf(driver):
        driver.stdout.close()
        driver.stdin.write(json.dumps({"id": 3, "ask": "read_target", "within_s": 19}) + "\n")
        driver.stdin.flush()

    def left_behind(driver):
        """A host that dies behind its "on", before the driver has taken it."""
        driver.send_signal(signal.SIGSTOP)
        os.waitpid(driver.pid, os.WUNTRACED)
        driver.stdin.write(json.dumps({"id": 3, "ask": "set_output", "on": True, "within_s": 19}) + "\n")
        driver.stdin.close()
        driver.send_signal(signal.SIGCONT)

    def dead(driver):
        lab.order({"instrument": "bath", "fault": "silent", "for_s": 80})
        for file in (driver.stdout, driver.stderr, driver.stdin):
            file.close()

    with Lab(speed=20) as lab:
        bench = Bench(lab.folder, "example").simple(items=1)
        bench.sim["sources"]["bath"]["manner"] = "terse"
        log = lab.start_sim(bench, "--control", lab.control)
        for name, spoil in (("nonsense", nonsense), ("deaf", deaf), ("left behind", left_behind), ("dead", dead)):
            ended_by(lab, bench, f"{log}/bath.log", name, spoil)


def a_program_that_will_not_do_is_told_with_its_place():
    with Lab() as lab:
        bench = on_programs(lab)
        files = bench.files(profile([35]))
        os.remove(f"{lab.folder}/one/bath_driver.py")
        os.chmod(f"{lab.folder}/one/scanner_driver", 0o777)
        lab.command("plan", "check", *files, expect=2)
        told = lab.last.stdout + lab.last.stderr
        for part in ('/sources/bath/driver/program: found "bath_driver.py"', "No such file",
                     '/scanners/scanner/driver/program: found "scanner_driver"', "chmod go-w"):
            check(part in told, f"not told: {part}\n{told}")
        shutil.copy(f"{EXAMPLES}/bath_driver.py", f"{lab.folder}/one")
        os.chmod(f"{lab.folder}/one/scanner_driver", 0o755)
        check("program bath_driver.py" in lab.command("plan", "check", *files), "the plan names it")


try:
    main({test.__name__: test for test in (a_night_on_two_programs_that_are_killed_in_it,
                                           a_driver_whose_guardian_is_killed_switches_off,
                                           a_program_that_will_not_do_is_told_with_its_place,
                                           a_survey_on_a_scanner_that_has_to_be_waited_for,
                                           a_source_that_was_never_reached_is_not_called_safe,
                                           the_example_switches_off_whatever_ends_it,
                                           every_installed_header_compiles_alone, the_installed_examples_make_a_plan, a_new_program_passes_its_check,
                                           the_example_passes_the_conformance_run)})
finally:
    if checking and checking.poll() is None:
        checking.kill()
    if conformance_run.cache_info().currsize:
        conformance_run()[0].__exit__(None, None, None)
    if BUILD and installed.cache_info().currsize:
        shutil.rmtree(installed(), ignore_errors=True)
