"""The conformance run as a lab calls it: every driver and dialect of the tree against simulated instruments on real ports, and
what becomes of the heat when the check is interrupted or killed. Python 3, standard library only.

A driver that `nightwell drivers list` names, or a dialect that lies in drivers/dialects, fails this test until it has a check here.
"""
import concurrent.futures
import contextlib
import glob
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

BIN, SOURCE = os.environ["NIGHTWELL_BIN_DIR"], os.environ["NIGHTWELL_SOURCE_DIR"]
BUILD = os.environ.get("NIGHTWELL_BUILD_DIR", "")  # what the package for C++ is installed from; without it, it is left out
sys.path[:0] = [f"{SOURCE}/tests/end_to_end", f"{SOURCE}/tests/support"]
from free_port import free_port  # noqa: E402
from lab import check, wait_for, write  # noqa: E402

# The reply time leaves a busy machine room: an instrument that is kept waiting for a core would seem to be silent.
HEAT = ["--lowest", "15", "--highest", "40", "--refused-target", "125", "--reply", "0.8"]
SCAN = ["--channels", "101,102", "--missing-channel", "150", "--reply", "0.8"]
# What is checked by other names: dialects one by one, programs by the tests of driver programs.
NOT_BY_NAME = {"dialect", "program"}


class Sim:
    def __init__(self, folder):
        self.folder = folder
        self.tcp_source, self.tcp_scanner, self.tcp_registers, self.tcp_far = free_port(), free_port(), free_port(), free_port()
        platinum = {"kind": "platinum", "r0_ohm": 100.0}
        sensors = {f"{s}-{i}": {"model": dict(platinum, r0_ohm=100.0 * i), "noise": 1e-5}
                   for s in ("plain", "tcp", "chatty", "polled", "of-bench") for i in (1, 2)}
        channels = lambda s: {"101": {"sensor": f"{s}-1"}, "102": {"sensor": f"{s}-2"}}  # noqa: E731
        pty = lambda name: {"type": "pty", "path": f"{folder}/{name}"}  # noqa: E731
        tcp = lambda port: {"type": "tcp", "port": port}  # noqa: E731
        plant = {"lowest_c": -40, "highest_c": 120}
        source = lambda port, **more: dict({"kind": "bath", "port": port, "plant": plant}, **more)  # noqa: E731
        scanner = lambda port, s, **more: dict({"port": port, "reading_s": 0.5, "channels": channels(s)}, **more)  # noqa: E731
        self.config = {
            "format": "nightwell-sim/1", "ambient_c": 21.0, "sensors": sensors,
            "sources": {"plain": source(pty("source")), "tcp": source(tcp(self.tcp_source)),
                        "terse": source(pty("terse"), manner="terse"), "killed": source(pty("killed"), manner="terse"),
                        "stopped": source(pty("stopped")), "frozen": source(pty("frozen"), manner="terse"),
                        "obedient": source(pty("obedient")), "far": source(tcp(self.tcp_far)), "rtu": source(pty("rtu"), manner="modbus"),
                        "tcp-registers": source(tcp(self.tcp_registers), manner="modbus"),
                        "for-program": source(pty("for-program"), manner="terse")},
            "scanners": {"s-of-bench": scanner(pty("of-bench"), "of-bench"), "s-plain": scanner(pty("scanner"), "plain"), "s-tcp": scanner(tcp(self.tcp_scanner), "tcp"),
                         "s-chatty": scanner(pty("chatty"), "chatty", manner="chatty"),
                         "s-polled": scanner(pty("polled"), "polled", manner="polled")}}

    def __enter__(self):
        path = write(f"{self.folder}/sim.json", self.config)
        self.process = subprocess.Popen([f"{BIN}/nightwell-simbench", path, "--speed", "20", "--log", f"{self.folder}/log"],
                                        stdout=subprocess.PIPE, text=True)
        check(self.process.stdout.readline() == "ready\n", "the simulated bench did not begin")
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait()
        self.process.stdout.close()

    def heard(self, name):
        with open(f"{self.folder}/log/{name}.log") as f:
            return [line.rstrip("\n").split("\t") for line in f]


def command(*arguments):
    return [f"{BIN}/nightwell", "drivers", *arguments]


def run(*arguments):
    return subprocess.run(command(*arguments), capture_output=True, text=True, timeout=300)


def every_driver_and_dialect_passes(sim):
    with open(f"{SOURCE}/drivers/dialects/register-furnace.json") as f:
        over_tcp = json.load(f)
    over_tcp["modbus"]["framing"] = "tcp"
    tcp_file = write(f"{sim.folder}/registers-tcp.json", over_tcp)
    by_driver = {"scpi-source": [["--port", f"pty:{sim.folder}/source", *HEAT],
                                 ["--port", f"tcp:127.0.0.1:{sim.tcp_source}", "--i-am-beside-it", *HEAT]],
                 "scpi-scanner": [["--port", f"pty:{sim.folder}/scanner", *SCAN],
                                  ["--port", f"tcp:127.0.0.1:{sim.tcp_scanner}", *SCAN]],
                 "terse-bath": [["--port", f"pty:{sim.folder}/terse", *HEAT], []],
                 "register-furnace": [["--port", f"pty:{sim.folder}/rtu", *HEAT], []],
                 tcp_file: [["--port", f"tcp:127.0.0.1:{sim.tcp_registers}", "--i-am-beside-it", *HEAT], []],
                 f"{SOURCE}/demo/drivers/bath_driver.py": [["--for", "heat_source", "--port", f"pty:{sim.folder}/for-program", *HEAT]],
                 "chatty-scanner": [["--port", f"pty:{sim.folder}/chatty", *SCAN], []],
                 "polled-scanner": [["--port", f"pty:{sim.folder}/polled", *SCAN], []]}
    listed = run("list")
    check(listed.returncode == 0, listed.stderr)
    drivers = {line.split()[0] for line in listed.stdout.split("\n\n")[0].splitlines()[1:]}
    dialects = {os.path.basename(p)[:-5] for p in glob.glob(f"{SOURCE}/drivers/dialects/*.json")}
    unchecked = (drivers - NOT_BY_NAME | dialects) - by_driver.keys()
    check(not unchecked, f"no conformance check here for {sorted(unchecked)}: add one to by_driver")
    checks = [(name, arguments) for name, list_of in by_driver.items() for arguments in list_of]
    with concurrent.futures.ThreadPoolExecutor(len(checks)) as pool:
        outcomes = list(pool.map(lambda one: run("check", one[0], *one[1], "--json"), checks))
    for (name, arguments), outcome in zip(checks, outcomes):
        where = f"{name} {' '.join(arguments)}"
        check(outcome.returncode in (0, 1), f"{where}: exit {outcome.returncode}\n{outcome.stderr}")
        report = json.loads(outcome.stdout)
        bad = [c for c in report["cases"] if c["verdict"] != "passed"]
        told = "\n".join(f"{c['verdict']}: {c['case']}, {c['state']}: {c['happened']}" for c in bad)
        check(outcome.returncode == 0 and report["passed"], f"{where}: {report['summary']}\n{told}")
        # With a channel to miss, a target to refuse and distinct values, nothing may be left out.
        check(not bad, f"{where}: {told}")
        cases = [c["case"] for c in report["cases"]]
        heats = "--lowest" in arguments
        check((report["port"] is None) == (not arguments), f"{where}: says it asked {report['port']}")
        check(("parked by the guardian, on the instrument's own port" in cases) == heats, f"{where}: who parked it?")


def the_page_of_a_manual_became_a_dialect(sim):
    """docs/one-page-manual.md, the instrument of that page, and the dialect that somebody made of it with the documents alone."""
    port = f"{sim.folder}/heater"
    instrument = subprocess.Popen([sys.executable, f"{SOURCE}/tests/one_page_manual/heater.py", port], stdin=subprocess.PIPE,
                                  stdout=subprocess.PIPE, text=True)
    try:
        check(instrument.stdout.readline() == "ready\n", "the heater did not begin")
        outcome = run("check", f"{SOURCE}/tests/one_page_manual/heater-650.json", "--port", f"pty:{port}", "--lowest", "30",
                      "--highest", "60", "--reply", "0.8", "--json")
    finally:
        instrument.stdin.close()
        instrument.wait()
        instrument.stdout.close()
    check(outcome.returncode == 0, outcome.stdout + outcome.stderr)
    skipped = [c["happened"] for c in json.loads(outcome.stdout)["cases"] if c["verdict"] != "passed"]
    check(len(skipped) == 1 and "no target is known" in skipped[0], f"{skipped}")


def a_careful_check_sets_nothing(sim):
    before = len(sim.heard("plain"))
    outcome = run("check", "scpi-source", "--port", f"pty:{sim.folder}/source", "--careful", "--reply", "0.8")
    check(outcome.returncode == 0, outcome.stdout + outcome.stderr)
    for entry in sim.heard("plain")[before:]:
        sent = entry[2].upper()
        check(not ("SPO" in sent and "?" not in sent) and "OUTP:STAT O" not in sent and "OUTPUT:STATE O" not in sent,
              f"sent {sent}")


def an_instrument_of_a_bench_is_checked(sim):
    bench = {"format": "nightwell-bench/1", "bench": "b", "sources": {}, "scanners": {
        "s": {"driver": "scpi-scanner", "port": {"type": "pty", "path": f"{sim.folder}/of-bench"}, "reply_s": 0.8}}, "channels": {
        f"c{i}": {"scanner": "s", "address": i, "measures": "resistance"} for i in (101, 102)}}
    path = write(f"{sim.folder}/bench.json", bench)
    outcome = run("check", "s", "--bench", path, "--missing-channel", "150")
    check(outcome.returncode == 0, outcome.stdout + outcome.stderr)
    outcome = run("check", "t", "--bench", path)
    check(outcome.returncode == 2 and "no instrument named" in outcome.stderr, outcome.stderr)


def interrupted_it_parks(sim):
    process = subprocess.Popen(command("check", "scpi-source", "--port", f"pty:{sim.folder}/stopped", *HEAT),
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: any("ON" in entry[2].upper() for entry in sim.heard("stopped")))
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    check(process.returncode == 1, f"exit {process.returncode}: {err}")
    check("stopped by a signal" in out and "passed   parked by the guardian" in out, out + err)
    asked = [entry for entry in sim.heard("stopped") if "OUTP" in entry[2].upper() and "?" in entry[2]]
    check(asked[-1][3] == "0", f"the last read-back of the output: {asked[-1]}")


def killed_the_guardian_parks(sim):
    process = subprocess.Popen(command("check", "terse-bath", "--port", f"pty:{sim.folder}/killed", *HEAT),
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: any(entry[2].startswith("H1*") for entry in sim.heard("killed")))
    process.kill()
    at = len(sim.heard("killed"))
    process.wait()
    # The guardian reads the output back last, and leaves: its standard error, which it shares with the check, closes.
    process.stderr.read()
    process.stderr.close()
    heard = sim.heard("killed")
    check(any(entry[2].startswith("H0*") for entry in heard[at - 1:]), f"no \"off\" after the kill: {heard[at - 1:]}")
    states = [entry[3] for entry in heard if entry[2].startswith("H?")]
    check(states[-1].startswith("H0"), f"the last read-back of the output: {states[-1]}")


def stop_while_on(process, sim, name, on, off):
    """Stops the check at a moment at which the source is on; gives how much the source has heard by then."""
    def stopped():
        process.send_signal(signal.SIGSTOP)
        while True:
            with open(f"/proc/{process.pid}/stat") as f:
                if f.read().rpartition(")")[2].split()[0] == "T":
                    break
        time.sleep(0.1)  # what it had sent by then is heard
        heard = sim.heard(name)
        told = [entry[2] for entry in heard if entry[2].startswith((on, off))]
        if told and told[-1].startswith(on):
            return len(heard)
        process.send_signal(signal.SIGCONT)
    return wait_for(stopped)


def frozen_it_is_killed_and_the_guardian_parks(sim):
    """Ctrl-Z, a debugger, a terminal that takes no more: nobody can say when it would go on."""
    process = subprocess.Popen(command("check", "terse-bath", "--port", f"pty:{sim.folder}/frozen", *HEAT),
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    at = stop_while_on(process, sim, "frozen", "H1*", "H0*")
    try:
        check(process.wait(timeout=60) == -signal.SIGKILL, f"exit {process.returncode}")
        wait_for(lambda: [e for e in sim.heard("frozen")[at:] if e[2].startswith("H?") and e[3].startswith("H0")])
        check("it was killed" in process.stderr.read(), "it is said that it was killed")
    finally:
        process.kill()
        process.stderr.close()


class Passage:
    """A way to a TCP port that can be closed and opened again."""

    def __init__(self, to):
        self.to, self.port, self.sockets = to, free_port(), []
        self.open()

    def open(self):
        self.listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self.accept, args=[self.listener], daemon=True).start()

    def accept(self, listener):
        with contextlib.suppress(OSError):
            while True:
                near = listener.accept()[0]
                far = socket.create_connection(("127.0.0.1", self.to))
                self.sockets += [near, far]
                for pair in ((near, far), (far, near)):
                    threading.Thread(target=self.pass_on, args=pair, daemon=True).start()

    @staticmethod
    def pass_on(one, other):
        with contextlib.suppress(OSError):
            while data := one.recv(4096):
                other.sendall(data)

    def close(self):
        for s in [self.listener, *self.sockets]:
            with contextlib.suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)
            s.close()
        self.sockets = []


def out_of_reach_it_is_not_given_up(sim):
    """Killed while the source is on, and the way to the source gone for longer than a guardian tries one that it never saw."""
    way = Passage(sim.tcp_far)
    process = subprocess.Popen(command("check", "scpi-source", "--port", f"tcp:127.0.0.1:{way.port}", "--i-am-beside-it", *HEAT),
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    at = stop_while_on(process, sim, "far", "OUTPut:STATe ON", "OUTPut:STATe OFF")
    way.close()
    process.kill()
    process.wait()
    # A guardian gives up one that nobody heated after 10 s.
    end = time.monotonic() + 14
    wait_for(lambda: time.monotonic() > end)
    way.open()
    process.stderr.read()  # shared with the guardian, which leaves once it has proved the source off
    process.stderr.close()
    asked = [e for e in sim.heard("far")[at:] if "OUTP" in e[2].upper() and "?" in e[2]]
    check(asked and asked[-1][3] == "0", f"the source is left on: {sim.heard('far')[-3:]}")
    way.close()


def what_the_instrument_does_not_refuse_is_not_heated_to(sim):
    port = f"pty:{sim.folder}/obedient"
    outcome = run("check", "scpi-source", "--port", port, "--lowest", "15", "--highest", "40", "--refused-target", "60", "--reply", "0.8")
    check(outcome.returncode == 1 and "what the instrument refuses" in outcome.stdout, outcome.stdout + outcome.stderr)
    target, hot = None, []
    for entry in sim.heard("obedient"):
        sent = entry[2].upper()
        if "SPO" in sent and "?" not in sent:
            target = float(sent.split()[-1])
        elif sent.endswith(" ON") and target > 40:
            hot.append(target)
    check(not hot, f"switched on {len(hot)} times with a target of {hot[:1]} °C, and 40 were allowed")
    check("parking" in outcome.stdout and "passed   parked by the guardian" in outcome.stdout, outcome.stdout)


def bad_arguments_are_told(sim):
    folder = sim.folder
    with open(f"{folder}/plain.py", "w") as f:
        f.write("#!/usr/bin/env python3\n")
    os.chmod(f"{folder}/plain.py", 0o644)
    for arguments, told in [(["check", "nothing-like-it"], "neither a driver"),
                            (["check", "scpi-source"], "only a dialect has a mirror"),
                            (["check", "terse-bath", "--port", "serial:ttyUSB0"], "absolute path"),
                            (["check", "scpi-source", "--port", f"pty:{folder}/source"], "--lowest C --highest C"),
                            (["check", "scpi-scanner", "--port", f"pty:{folder}/scanner"], "--channels 101,102"),
                            (["check", "scpi-scanner", "--port", f"pty:{folder}/scanner", "--channels", "1", "--measures", "x"],
                             "--measures"),
                            (["check", "terse-bath", "--port", f"pty:{folder}/terse", "--lowest", "15", "--highest", "40",
                              "--refused-target", "700"], "the dialect refuses 700"),
                            (["show", f"{folder}/none.json"], "none.json"),
                            (["check", f"{folder}/none.py", "--for", "scanner"], "none.py: No such file"),
                            (["check", f"{folder}/plain.py", "--for", "scanner"], "plain.py: no file that this user may run: chmod a+x"),
                            (["check", f"{folder}/plain.py"], "--for scanner"),
                            (["check", folder, "--for", "scanner"], "name the program itself"),
                            (["new", "pudding", "x"], "no kind"), (["new", "source-dialect", "../x"], "a-z")]:
        outcome = run(*arguments)
        check(outcome.returncode == 2 and told in outcome.stderr, f"{arguments}: {outcome.returncode} {outcome.stderr}")
    outcome = subprocess.run(command("check", "scpi-source", "--port", f"tcp:127.0.0.1:{sim.tcp_source}", *HEAT),
                             stdin=subprocess.DEVNULL, capture_output=True, text=True)
    check(outcome.returncode == 3 and "--i-am-beside-it" in outcome.stderr, outcome.stderr)


def a_daemon_that_says_nothing_may_have_a_run(sim):
    """On TCP, where no lock shows that a run has the port: a daemon that hangs, or whose socket is not ours to open."""
    runtime = f"{sim.folder}/runtime"
    os.mkdir(runtime)
    with socket.socket(socket.AF_UNIX) as daemon:
        daemon.bind(f"{runtime}/control.sock")
        daemon.listen()
        outcome = subprocess.run([f"{BIN}/nightwell", "--runtime", runtime, "drivers", "check", "scpi-source", "--port",
                                  f"tcp:127.0.0.1:{sim.tcp_source}", "--careful"], capture_output=True, text=True, timeout=60)
    check(outcome.returncode == 3 and "no answer came" in outcome.stderr, outcome.stderr)


def a_new_driver_passes_at_once(sim):
    """The worked examples of docs/dialects.md among them. But for scanner-cpp, which tests/end_to_end/drivers_test.py makes, builds, checks and uses."""
    package = f"{sim.folder}/package"
    stranger = dict(os.environ, PATH=f"{BIN}:{os.environ['PATH']}", CMAKE_PREFIX_PATH=package)
    if BUILD:
        subprocess.run(["cmake", "--install", BUILD, "--component", "driver", "--prefix", package], check=True, stdout=subprocess.DEVNULL)

    def one(kind):
        made = subprocess.run(command("new", kind, f"my-{kind}"), cwd=sim.folder, capture_output=True, text=True)
        check(made.returncode == 0, made.stderr)
        again = subprocess.run(command("new", kind, f"my-{kind}"), cwd=sim.folder, capture_output=True, text=True)
        check(again.returncode == 2 and "nothing is written over" in again.stderr, again.stderr)
        if kind.endswith("dialect"):
            shown = run("show", f"{sim.folder}/my-{kind}/my-{kind}.json")
            check(shown.returncode == 0 and shown.stdout.startswith(f"my-{kind}, revision 1"), shown.stdout + shown.stderr)
        report = f"{sim.folder}/{kind}.md"
        tried = subprocess.run([f"{sim.folder}/my-{kind}/check.sh", "--report", report], capture_output=True, text=True, env=stranger)
        check(tried.returncode == 0, tried.stdout + tried.stderr)
        with open(report) as f:
            text = f.read()
        check(("SCAN 8, rev. 1, simulated" if kind == "scanner-program" else "NO INSTRUMENT WAS ASKED") in text and f"my-{kind}" in text, text[:800])
        if kind == "scanner-program":  # one file, one hash: nothing of it is imported from beside it
            check("skipped" not in tried.stdout, f"the simulator leaves no case out: {tried.stdout}")
            with open(f"{sim.folder}/my-{kind}/my-{kind}.py") as f:
                written = f.read()
            check("bath_driver import" not in written and written.count("class Instrument") == 1, written[:3000])
            once = subprocess.run([f"{sim.folder}/my-{kind}/check.sh", "--port", f"pty:{sim.folder}/none", "--channels", "1"],
                                  capture_output=True, text=True, env=stranger)
            open_one = subprocess.run(["python3", f"{sim.folder}/my-{kind}/simulator.py", f"{sim.folder}/eight", f"{BIN}/nightwell", "drivers", "check",
                                       f"{sim.folder}/my-{kind}/my-{kind}.py", "--for", "scanner", "--port", f"pty:{sim.folder}/eight", "--channels", "8",
                                       "--reply", "0.5"], capture_output=True, text=True, env=stranger)
            check(open_one.returncode == 1 and "have a sensor" in open_one.stdout, f"an open channel is told as one: {open_one.stdout}")
            check(once.returncode == 3 and "none" in once.stderr, f"with --port the simulator stays out of it: {once.stderr}")

    kinds = ["source-dialect", "scanner-dialect", "register-dialect", "source-program", "scanner-program"] + (["source-cpp"] if BUILD else [])
    with concurrent.futures.ThreadPoolExecutor(len(kinds)) as pool:
        list(pool.map(one, kinds))


def main():
    tests = [every_driver_and_dialect_passes, an_instrument_of_a_bench_is_checked, the_page_of_a_manual_became_a_dialect,
             interrupted_it_parks, killed_the_guardian_parks, frozen_it_is_killed_and_the_guardian_parks,
             out_of_reach_it_is_not_given_up, what_the_instrument_does_not_refuse_is_not_heated_to, a_new_driver_passes_at_once, bad_arguments_are_told,
             a_daemon_that_says_nothing_may_have_a_run]
    chosen = [t for t in tests + [a_careful_check_sets_nothing] if not sys.argv[1:] or t.__name__ in sys.argv[1:]]
    with tempfile.TemporaryDirectory() as folder, Sim(folder) as sim:
        # Side by side: nearly all of their time is waiting. Only the careful one wants its port for itself.
        with concurrent.futures.ThreadPoolExecutor(len(tests)) as pool:
            running = [pool.submit(t, sim) for t in chosen if t is not a_careful_check_sets_nothing]
            for one in running:
                one.result()
        if a_careful_check_sets_nothing in chosen:
            a_careful_check_sets_nothing(sim)
    print("ok")


main()
