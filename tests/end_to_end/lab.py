"""A bench for end-to-end tests: the simulated bench, the daemon and the commands as real processes.

Python 3, standard library only. Everything lives in a temporary folder that is removed at the end; ports are
pseudo-terminals in it. Tests call the programs that a user calls and look at what a user sees.
"""
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

BIN = os.environ["NIGHTWELL_BIN_DIR"]
SOURCE = os.environ["NIGHTWELL_SOURCE_DIR"]

PLATINUM = {"kind": "platinum", "r0_ohm": 100.0}


def write(path, value):
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "w") as f:
        json.dump(value, f)
    return path


class Failed(AssertionError):
    pass


def check(condition, text):
    if not condition:
        raise Failed(text)


def wait_for(what, seconds=120.0, every=0.05):
    """Returns what() as soon as it is true; the limit only ends a test that would hang."""
    end = time.monotonic() + seconds
    while True:
        value = what()
        if value:
            return value
        if time.monotonic() > end:
            raise Failed(f"did not happen within {seconds} s: {what}")
        time.sleep(every)


class Bench:
    """Bench, job, cards and simulator configuration made together, so that they agree.

    A second in which a busy machine does nothing is a quarter of an hour for a run at 900 times real time. So a lease is as long as
    it may be, and a source may be silent for long, but where a test says otherwise; so it is in profile().
    """

    def __init__(self, folder, name, setpoint_span=(-40, 120), lease_s=3600, poll_s=20, stale_s=14400):
        self.folder, self.name = folder, name
        self.sim = {"format": "nightwell-sim/1", "ambient_c": 21.0, "truth_at_c": [0], "sources": {}, "scanners": {},
                    "sensors": {}}
        self.bench = {"format": "nightwell-bench/1", "bench": name, "scanners": {}, "sources": {}, "channels": {}}
        self.job = {"format": "nightwell-job/1", "job": f"job of {name}", "references": [], "items": [], "junctions": []}
        self.cards = {}
        self.span = setpoint_span
        self.lease = (lease_s, poll_s, stale_s)

    def port(self, name):
        return {"type": "pty", "path": os.path.join(self.folder, "ports", f"{self.name}-{name}")}

    def source(self, name="bath", kind="bath", **plant):
        low, high = self.span
        lease_s, poll_s, stale_s = self.lease
        self.sim["sources"][name] = {"kind": kind, "port": self.port(name),
                                     "plant": dict({"lowest_c": low - 5, "highest_c": high + 5}, **plant)}
        self.bench["sources"][name] = {
            "kind": kind, "driver": "scpi-source", "port": self.port(name), "reply_s": 2, "lowest_c": low,
            "highest_c": high, "safe_c": 20, "absolute_highest_c": high + 10, "lease_s": lease_s, "poll_s": poll_s,
            "stale_s": stale_s, "heating": {"window_s": 1800, "gain_k": 1}}
        return self

    def scanner(self, name, reading_s=0.1):
        self.sim["scanners"][name] = {"port": self.port(name), "reading_s": reading_s, "channels": {}}
        self.bench["scanners"][name] = {"driver": "scpi-scanner", "port": self.port(name), "reply_s": 2}
        return self

    def channel(self, name, scanner, address, role, model, measures, sim=None, junction=None, source="bath"):
        sensor = {"model": model, "in": source, "position": "reference" if role == "references" else "item",
                  "lag_s": [5], "offset_k": 0.0, "slope_k_per_k": 0.0, "noise": 1e-5 if measures == "resistance" else 1e-9,
                  "quantum": 0}
        if junction:
            sensor["junction"] = junction if isinstance(junction, dict) else junction
        sensor.update(sim or {})
        self.sim["sensors"][name] = sensor
        self.sim["scanners"][scanner]["channels"][str(address)] = {"sensor": name}
        entry = {"scanner": scanner, "address": address, "measures": measures}
        if junction:
            entry["junction"] = junction if isinstance(junction, dict) else {"channel": junction}
        self.bench["channels"][name] = entry
        card = {"format": "nightwell-card/1", "serial": f"SB-{self.name}-{name}", "type": model["kind"], "model": model,
                "lowest_c": -60, "highest_c": 200}
        if role == "references":
            card.update({"certificate": "in-house", "calibrated": "2026-01-10", "due": "2036-01-10", "u95_k": 0.02})
        self.cards[f"cards/{self.name}-{name}.json"] = card
        self.job[role].append({"channel": name, "card": f"cards/{self.name}-{name}.json"})
        return self

    def simple(self, items=2, offsets=(0.1, -0.2, 0.3)):
        """One bath, one scanner, a platinum reference and a few platinum items with known errors."""
        self.source().scanner("scanner")
        self.channel("reference", "scanner", 101, "references", PLATINUM, "resistance")
        for i in range(items):
            self.channel(f"item-{i + 1}", "scanner", 102 + i, "items", PLATINUM, "resistance",
                         {"offset_k": offsets[i % len(offsets)]})
        return self

    def speak_dialects(self):
        """From here on the sources and scanners speak the shipped dialects, whose files lie beside the bench file."""
        base = os.path.join(self.folder, self.name)
        os.makedirs(os.path.join(base, "dialects"), exist_ok=True)
        for kind, manner, file in (("sources", "terse", "terse-bath.json"), ("scanners", "chatty", "dialects/chatty-scanner.json")):
            shutil.copy(f"{SOURCE}/drivers/dialects/{os.path.basename(file)}", os.path.join(base, file))
            for name, instrument in self.sim[kind].items():
                instrument["manner"] = manner
                self.bench[kind][name]["driver"] = {"dialect": file}
        return self

    def poll(self, reading_s):
        """From here on the scanners are asked after each reading until it is ready, by the shipped dialect polled-scanner."""
        base = os.path.join(self.folder, self.name)
        os.makedirs(base, exist_ok=True)
        shutil.copy(f"{SOURCE}/drivers/dialects/polled-scanner.json", base)
        for name, instrument in self.sim["scanners"].items():
            instrument.update(manner="polled", reading_s=reading_s)
            self.bench["scanners"][name]["driver"] = {"dialect": "polled-scanner.json"}
        return self

    def speak_registers(self, tcp_port=None):
        """From here on the source named bath is the simulated controller of registers: RTU on a terminal, or Modbus TCP."""
        base = os.path.join(self.folder, self.name)
        os.makedirs(base, exist_ok=True)
        with open(f"{SOURCE}/drivers/dialects/register-furnace.json") as f:
            dialect = json.load(f)
        dialect["modbus"]["framing"] = "tcp" if tcp_port else "rtu"
        write(os.path.join(base, "register-furnace.json"), dialect)
        self.sim["sources"]["bath"]["manner"] = "modbus"
        bench = self.bench["sources"]["bath"]
        bench.update(driver={"dialect": "register-furnace.json"}, identity="model 20055", readback_tolerance_k=0.06)
        if tcp_port:
            self.sim["sources"]["bath"]["port"] = {"type": "tcp", "port": tcp_port}
            bench["port"] = {"type": "tcp", "host": "127.0.0.1", "port": tcp_port}
        return self

    def files(self, profile):
        base = os.path.join(self.folder, self.name)
        for path, card in self.cards.items():
            write(os.path.join(base, path), card)
        return [write(os.path.join(base, "profile.json"), profile), write(os.path.join(base, "bench.json"), self.bench),
                write(os.path.join(base, "job.json"), self.job)]


def profile(setpoints, name="test night", stale_s=14400, **plateau):
    defaults = {
        "band_k": 0.5,
        "settle": {"window_s": 300, "largest_drift_k": 0.02, "largest_spread_k": 0.05},
        "capture": {"placement": "after", "order": "mirrored", "sweeps": 3, "pause_s": 5},
        "limits": {"approach": {"within_s": 86400, "otherwise": "park"}, "settle": {"within_s": 86400, "otherwise": "park"},
                   "capture": {"within_s": 86400, "otherwise": "park"}}}
    defaults.update(plateau)
    return {"format": "nightwell-profile/1", "profile": name, "sampling": {"every_s": 10, "items_every_s": 120},
            "guards": {"stale_s": stale_s, "heating": {"window_s": 3600, "gain_k": 0.5}},
            "cooldown": {"target_c": 20, "leave_between_c": [5, 40], "within_s": 28800, "otherwise": "park"},
            "plateau_defaults": defaults, "plateaus": [{"setpoint_c": s} for s in setpoints]}


def lasting(night):
    """Its first plateau lasts until somebody skips it: who looks for the run there finds it, however slow the machine."""
    night["plateaus"][0]["settle"] = {"window_s": 86400, "largest_drift_k": 0.02, "largest_spread_k": 0.05}
    return night


class Lab:
    """The processes. Use as a context manager: everything is ended and removed, however the test ends."""

    def __init__(self, speed=600):
        self.folder = tempfile.mkdtemp(prefix="nightwell-test-")
        self.speed = speed
        self.processes = []
        self.sims = {}
        self.daemon = None

    def __enter__(self):
        return self

    def __exit__(self, kind, value, trace):
        if kind is not None:
            self.show_logs()
        for process in reversed(self.processes):
            if process.poll() is None:
                process.terminate()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(15)
            if process.poll() is None:
                process.kill()
        # Guardians outlive a killed daemon until they have parked; without their source they would try for ever.
        for pid in self.guardians():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        subprocess.run(["pkill", "-KILL", "-f", self.folder], check=False)
        shutil.rmtree(self.folder, ignore_errors=True)

    def show_logs(self):
        for root, _, names in os.walk(self.folder):
            for name in names:
                if name.endswith((".err", ".log")):
                    with open(os.path.join(root, name), errors="replace") as f:
                        tail = f.readlines()[-25:]
                    print(f"--- {name}\n" + "".join(tail), file=sys.stderr)

    def spawn(self, name, arguments, **more):
        err = open(os.path.join(self.folder, f"{name}.err"), "ab")
        process = subprocess.Popen(arguments, stderr=err, **more)
        self.processes.append(process)
        return process

    def start_sim(self, bench, *options):
        path = write(os.path.join(self.folder, bench.name, "sim.json"), bench.sim)
        log = os.path.join(self.folder, f"simlog-{bench.name}")
        os.makedirs(log, exist_ok=True)
        os.makedirs(os.path.join(self.folder, "ports"), exist_ok=True)
        process = self.spawn(f"sim-{bench.name}", [f"{BIN}/nightwell-simbench", path, "--speed", str(self.speed), "--seed",
                                                   "7", "--log", log, *options], stdout=subprocess.PIPE, text=True)
        check(process.stdout.readline().strip() == "ready", "the simulated bench is not ready")
        self.sims[bench.name] = process
        return log

    @property
    def control(self):
        return os.path.join(self.folder, "control")

    @property
    def state(self):
        return os.path.join(self.folder, "state")

    def start_daemon(self, *options, under=(), answers=True):
        """under: a program that starts it, and becomes it. answers: returns once it takes calls."""
        self.daemon = self.spawn("daemon", [*under, f"{BIN}/nightwelld", "--runtime", os.path.join(self.folder, "runtime"),
                                            "--state", self.state, "--speed", str(self.speed), *options])
        if answers:
            wait_for(self.answers)  # a killed daemon leaves its socket behind: that the file is there says nothing
        return self.daemon

    def answers(self):
        """Whether a daemon takes calls."""
        with socket.socket(socket.AF_UNIX) as line:
            try:
                line.connect(os.path.join(self.folder, "runtime", "control.sock"))
            except OSError:
                return False
        return True

    def command(self, *arguments, expect=0, **more):
        """A command as a user types it; returns its standard output."""
        done = subprocess.run([f"{BIN}/nightwell", *arguments], capture_output=True, text=True, timeout=120,
                              env=dict(os.environ, NIGHTWELL_RUNTIME=os.path.join(self.folder, "runtime"),
                                       NIGHTWELL_STATE=self.state), **more)
        self.last = done
        check(expect is None or done.returncode == expect,
              f"nightwell {' '.join(arguments)}: exit {done.returncode}, expected {expect}\n{done.stdout}{done.stderr}")
        return done.stdout

    def guardians(self):
        """Those that run, by the logs that they have open. While there is one its source belongs to it, and no other run gets it."""
        found = []
        for pid in filter(str.isdigit, os.listdir("/proc")):
            with contextlib.suppress(OSError):
                with open(f"/proc/{pid}/comm") as f:
                    if not f.read().startswith("nightwell-guard"):
                        continue
                files = [os.readlink(f"/proc/{pid}/fd/{n}") for n in os.listdir(f"/proc/{pid}/fd")]
                if any(name.startswith(self.folder + "/") for name in files):
                    found.append(int(pid))
        return found

    def start(self, files, *options):
        return self.command("start", *files, *options).splitlines()[0].strip()

    def status(self, run):
        """STATUS of one run."""
        answer = json.loads(self.command("status", run, "--json"))
        return answer["runs"][0] if "runs" in answer else answer

    def runs(self):
        return json.loads(self.command("runs", "--json"))

    def state_of(self, run):
        return next((entry["state"] for entry in self.runs() if entry["run"] == run), None)

    def wait_state(self, run, *wanted, seconds=120):
        def there():
            state = self.state_of(run)
            if state in ("parked", "stopped", "finished") and state not in wanted:
                raise Failed(f"run is {state}, expected {wanted}:\n" + self.command("tail", run, expect=None)[-3000:])
            return state in wanted and state
        return wait_for(there, seconds)

    def journal(self, run):
        return os.path.join(self.state, "runs", run, "journal.ndjson")

    def records(self, run, kind=None):
        with open(self.journal(run), "rb") as f:
            lines = [line for line in f.read().split(b"\n")[:-1]]
        records = [json.loads(line) for line in lines]
        return [r for r in records if kind is None or r["kind"] == kind]

    def order(self, fault):
        """A fault on request, over the simulator's control socket (`start_sim(bench, "--control", lab.control)`)."""
        wait_for(lambda: os.path.exists(self.control))
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(60)
            line.connect(self.control)
            line.sendall((json.dumps(fault) + "\n").encode())
            line.recv(4096)

    def kill(self, process):
        os.kill(process.pid, signal.SIGKILL)
        process.wait(60)


def play_wire_logs(folder):
    """The recorded conversations of a run that has ended, played against the drivers again."""
    # A thread of its own writes them: the run's state comes sooner than the last line. The run's end may close a port
    # in the middle of a call, before or behind the reply that had already come: that call's result is waited for too.
    def written():
        for name in os.listdir(folder):
            with open(os.path.join(folder, name)) as log:
                last_call = ("\n" + log.read()).rpartition("\n: ")[2]
            if "\n# closed\n" not in last_call or not ("\n= " in last_call or "\n# cut short" in last_call):
                return False
        return True
    wait_for(written)
    played = subprocess.run([f"{BIN}/instrument_tests", "[.replay]"], capture_output=True, text=True,
                            env=dict(os.environ, NIGHTWELL_WIRE_LOGS=folder))
    check(played.returncode == 0 and "All tests passed" in played.stdout, f"played: {played.stdout[-3000:]}")


def main(tests):
    """Runs the named tests, or all; prints the line that test runners look for."""
    wanted = sys.argv[1:] or list(tests)
    failed = 0
    for name in wanted:
        begun = time.monotonic()
        try:
            tests[name]()
            print(f"ok    {name} ({time.monotonic() - begun:.1f} s)")
        except Exception as error:  # every failure is reported, the others still run
            failed += 1
            print(f"FAIL  {name}: {type(error).__name__}: {error}")
        sys.stdout.flush()
    print(f"{len(wanted) - failed} passed, {failed} failed")
    sys.exit(1 if failed else 0)
