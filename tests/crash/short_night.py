"""A short run of real programs whose system calls can be made to fail, and the judgement of what it left.

Python 3, standard library only, and strace. Needs NIGHTWELL_BIN_DIR and NIGHTWELL_SOURCE_DIR.
"""
import concurrent.futures
import json
import os
import subprocess
import sys
import time

sys.path.insert(0, os.path.join(os.environ["NIGHTWELL_SOURCE_DIR"], "tests", "end_to_end"))
from lab import BIN, Bench, Failed, Lab, check, profile, wait_for  # noqa: E402

CALLS = ("openat", "write", "fdatasync", "fsync", "fallocate", "ftruncate", "fchmod", "newfstatat", "mkdir", "mkdirat",
         "rename", "renameat", "renameat2", "unlink", "unlinkat")
SETPOINTS = (24, 27)
AT_ONCE = 2 * (os.cpu_count() or 1)  # nights side by side: each waits for most of its time


class CannotTrace(Exception):
    pass


def journals(folder, names=("", "/journal.ndjson", *(f"/journal-{number}.ndjson" for number in range(2, 10)))):
    """What the journal of a run that is started within a minute will be called: its folder's name is made of the second."""
    now = time.time()
    return [os.path.join(folder, time.strftime("test-night-%Y%m%d-%H%M%S", time.gmtime(now + second))) + name
            for second in range(-1, 60) for name in names]


class Night:
    """One short run: a person holds and resumes it, and all that is acknowledged is noted.

    inject: what strace makes of which call, as its option -e inject= has it. where: paths; calls on other files are let be,
    and not counted. guardians: their calls count too, and the daemon's alike. whole: traced from the daemon's first call on.
    """

    def __init__(self, inject=None, daemon_options=(), speed=3000, where=None, guardians=False, whole=False, lab=None):
        self.lab = lab or Lab(speed=speed)
        self.started = None
        self.persons = 0
        self.folder = self.lab.folder
        self.bench = Bench(self.folder, "one", lease_s=3600, poll_s=60, stale_s=3000).simple(items=1)
        self.log = self.lab.start_sim(self.bench)
        self.tracer = None
        # Guardians are let go at their execve: they belong to another test.
        self.strace = ["strace", "-f", "-qq", "-o", os.path.join(self.folder, "trace"), "-e", "trace=" + ",".join(CALLS)]
        self.strace += ["-e", f"inject={inject}"] + ([] if guardians else ["--detach-on=execve"])
        try:
            self.begin(inject, daemon_options, where, whole)
        except BaseException:
            self.__exit__()
            raise

    def begin(self, inject, daemon_options, where, whole):
        if inject and whole:
            self.daemon = self.lab.start_daemon(*daemon_options, under=[*self.strace, "-D"], answers=False)
            wait_for(lambda: self.lab.answers() or not self.alive())
            return
        self.daemon = self.lab.start_daemon(*daemon_options)
        if not inject:
            return
        paths = where(os.path.join(self.lab.state, "runs")) if where else []
        self.tracer = subprocess.Popen([*self.strace, "-p", str(self.daemon.pid), *(f"--trace-path={path}" for path in paths)],
                                       stderr=subprocess.PIPE)
        wait_for(lambda: self.traced() or self.tracer.poll() is not None)
        if self.tracer.poll() is not None:
            raise CannotTrace(self.tracer.stderr.read().decode().strip())

    def traced(self):
        with open(f"/proc/{self.daemon.pid}/status") as f:
            return any(line.startswith("TracerPid:") and line.split()[1] != "0" for line in f)

    def __enter__(self):
        return self

    def __exit__(self, *exception):
        if self.tracer:
            self.tracer.kill()
            self.tracer.wait()
            self.tracer.stderr.close()
        self.lab.__exit__(None, None, None)

    def alive(self):
        return self.daemon.poll() is None

    def ask(self, *words):
        try:
            self.lab.command(*words)
        except (Failed, subprocess.TimeoutExpired):
            return False
        return True

    def start(self):
        plan = profile(list(SETPOINTS), band_k=0.5, settle={"window_s": 120, "largest_drift_k": 0.05, "largest_spread_k": 0.1})
        plan["guards"]["stale_s"] = 3000  # while a disk hangs, a capture waits for it: that is not this guard's matter here
        if self.ask("start", *self.bench.files(plan)):
            self.started = os.listdir(os.path.join(self.lab.state, "runs"))[0]
        return self.started

    def acknowledged(self, request, seconds=10):
        """Asks until it is granted: it is refused until the run heats. An answer of "yes" is an acknowledgement."""
        end = time.monotonic() + seconds
        while self.alive() and time.monotonic() < end:
            if self.ask(request):
                self.persons += 1
                return True
        return False

    def held(self):
        """While the disk hangs, `hold` gives up after 15 s and is granted all the same: the run would be held for ever."""
        try:
            return self.alive() and self.lab.state_of(self.started) == "held"
        except Failed:
            return False

    def live(self, until=None):
        """Until the run has ended, the daemon is dead, or `until` says so."""
        if not self.start():
            return
        if self.acknowledged("hold") or self.held():
            self.acknowledged("resume", 60)
        self.wait(until)

    def wait(self, until=None, seconds=180):
        """Whether one of the three came within the time."""
        end = time.monotonic() + seconds
        while self.alive() and not (until and until()) and time.monotonic() < end:
            if self.closed():
                return True
            time.sleep(0.02)
        return time.monotonic() < end

    def closed(self):
        """Looks at the journal's files only: a question to the daemon would add calls of its own."""
        folder = os.path.dirname(self.lab.journal(self.started))
        for name in os.listdir(folder):
            if name.startswith("journal"):
                with open(os.path.join(folder, name), "rb") as f:
                    if b'"kind":"closing"' in f.read():
                        return True
        return False

    def over(self):
        """Asks the daemon: a run that cannot write any more leaves no closing record."""
        return self.lab.state_of(self.started) in ("parked", "finished", "stopped")

    def moved(self):
        return bool(self.started) and os.path.exists(self.lab.journal(self.started).replace(".ndjson", "-2.ndjson"))

    def hit(self):
        """Whether the call that was to fail was made: how many there are differs from night to night."""
        with open(os.path.join(self.folder, "trace"), errors="replace") as f:
            return "INJECTED" in f.read()

    def verified(self):
        """What `verify` says: 0 whole, 4 not yet."""
        return subprocess.run([f"{BIN}/nightwell", "verify", self.lab.journal(self.started)], capture_output=True).returncode

    def told(self):
        """What the source was told to heat to."""
        path = os.path.join(self.log, "bath.log")
        with open(path, errors="replace") as f:
            lines = [line.split("\t") for line in f]
        return [float(line[2].split()[1]) for line in lines if len(line) > 2 and line[2].startswith("SOURce:TEMPerature:SPOint ")]

    def records(self, run=None):
        """All files of the journal as one."""
        raw = subprocess.run([f"{BIN}/nightwell", "tail", "--raw", self.lab.journal(run or self.started)], capture_output=True,
                             text=True)
        return [json.loads(line) for line in raw.stdout.splitlines()]

    def judge(self, expect=(0, 4)):
        """What was lost: an empty list if nothing."""
        journal = os.path.join(self.lab.state, "runs")
        runs = os.listdir(journal) if os.path.isdir(journal) else []
        if not runs or not os.path.exists(self.lab.journal(runs[0])):
            return ["the journal of a started run"] if self.started else []
        run = self.started or runs[0]
        verified = subprocess.run([f"{BIN}/nightwell", "verify", self.lab.journal(run)], capture_output=True, text=True)
        if verified.returncode not in expect:
            return [f"verify: {verified.returncode}, expected one of {expect}: {verified.stdout}{verified.stderr}"]
        records = self.records(run)
        kinds = [record["kind"] for record in records]
        lost = []
        if self.started and not ("plan" in kinds and "phase" in kinds):
            lost.append("the opening")
        if kinds.count("person") < self.persons:
            lost.append(f"{self.persons} requests were acknowledged, {kinds.count('person')} are there")
        written = [record["target_c"] for record in records if record["kind"] == "command"]
        for target in self.told():
            # A park tells the source its safe temperature without waiting for a record.
            if target not in written and target != 20:
                lost.append(f"the command {target}: {written}")
        return lost


def counted(**options):
    """How often a run on a good disk makes each call in one of its threads: the most of any thread."""
    with Night(inject="fdatasync:delay_enter=0:when=60000", **options) as night:
        night.live()
        lost = night.judge(expect=(0,))
        check(night.started and not lost and night.persons == 2, f"the run is good: {lost}")
        night.daemon.terminate()
        night.daemon.wait(30)
        if night.tracer:
            night.tracer.wait(30)
        counts = {}
        with open(os.path.join(night.folder, "trace"), errors="replace") as f:
            for line in f:
                thread, _, rest = line.partition(" ")
                call = rest.strip().split("(")[0]
                if call in CALLS:
                    counts[(thread, call)] = counts.get((thread, call), 0) + 1
        return {call: max([n for (_, c), n in counts.items() if c == call], default=0) for call in CALLS}


class Tally:
    def __init__(self, what):
        self.what, self.nights, self.hit, self.dead, self.moved, self.lost = what, 0, 0, 0, 0, []

    def add(self, night, where, lost):
        self.nights += 1
        self.dead += not night.alive()
        self.moved += night.moved()
        self.lost += [f"{where}: {text}" for text in lost]

    def say(self):
        good = self.nights > 0 and not self.lost
        print(f"{'ok   ' if good else 'FAIL '} {self.what}: {self.nights} nights, {self.dead} daemons killed, "
              f"{self.moved} went on in a new file, {len(self.lost)} losses, hangs or unreadable journals")
        for text in self.lost[:20]:
            print("      " + text)
        sys.stdout.flush()
        return good


def side_by_side(one, cases, at_once=AT_ONCE):
    """one(*case) for each, several at once; the first exception is raised here."""
    with concurrent.futures.ThreadPoolExecutor(at_once) as pool:
        for done in [pool.submit(one, *case) for case in cases]:
            done.result()
