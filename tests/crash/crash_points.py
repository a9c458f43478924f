#!/usr/bin/env python3
"""Real daemons, killed and failed at chosen system calls: nothing that was acknowledged is lost, every journal can be read.

Usage: crash_points.py calls  [STEP]    kill -9 before every STEPth of each system call of a short run (1: every one)
       crash_points.py random [COUNT]   kill -9 at so many random moments
       crash_points.py errors [STEP]    EIO and ENOSPC from the Nth call of each, once and from there on
       crash_points.py stall            a disk that hangs for 30 s in the middle of a run
       crash_points.py quick            a few of the first three, for continuous integration

Needs NIGHTWELL_BIN_DIR and NIGHTWELL_SOURCE_DIR, and strace that may trace (exit code 77 if it may not). What was acknowledged: the answers that commands got, and what the
simulated source was told. Prints a line for each kind, with counts; exit code 1 if anything was lost.
"""
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time

sys.path.insert(0, os.path.join(os.environ["NIGHTWELL_SOURCE_DIR"], "tests", "end_to_end"))
from lab import BIN, Bench, Failed, Lab, check, profile, wait_for  # noqa: E402

CALLS = ("openat", "write", "fdatasync", "fsync", "fallocate", "ftruncate", "fchmod", "newfstatat")
SETPOINTS = (24, 27)


class CannotTrace(Exception):
    pass


class Night:
    """One short run: a person holds and resumes it, and all that is acknowledged is noted."""

    def __init__(self, inject=None, daemon_options=()):
        self.lab = Lab(speed=3000)
        self.started = None
        self.persons = 0
        self.folder = self.lab.folder
        self.bench = Bench(self.folder, "one", lease_s=3600, poll_s=60, stale_s=3000).simple(items=1)
        self.log = self.lab.start_sim(self.bench)
        self.daemon = self.lab.start_daemon(*daemon_options)
        self.tracer = None
        if inject:
            # Guardians are let go at their execve: they belong to another test.
            self.tracer = subprocess.Popen(["strace", "-f", "-qq", "--detach-on=execve", "-p", str(self.daemon.pid), "-o",
                                            os.path.join(self.folder, "trace"), "-e", "trace=" + ",".join(CALLS),
                                            "-e", "inject=" + inject], stderr=subprocess.PIPE)
            wait_for(lambda: self.traced() or self.tracer.poll() is not None, 10)
            if self.tracer.poll() is not None:
                reason = self.tracer.stderr.read().decode().strip()
                self.__exit__()
                raise CannotTrace(reason)

    def traced(self):
        with open(f"/proc/{self.daemon.pid}/status") as f:
            return any(line.startswith("TracerPid:") and line.split()[1] != "0" for line in f)

    def __enter__(self):
        return self

    def __exit__(self, *exception):
        if self.tracer and self.tracer.poll() is None:
            self.tracer.kill()
            self.tracer.wait()
        self.lab.__exit__(None, None, None)

    def alive(self):
        return self.daemon.poll() is None

    def ask(self, *words):
        try:
            self.lab.command(*words)
        except (Failed, subprocess.TimeoutExpired):
            return False
        return True

    def live(self, until=None):
        """Until the run has ended, the daemon is dead, or `until` says so."""
        files = self.bench.files(profile(list(SETPOINTS), band_k=0.5,
                                         settle={"window_s": 120, "largest_drift_k": 0.05, "largest_spread_k": 0.1}))
        if not self.ask("start", *files):
            return
        self.started = os.listdir(os.path.join(self.lab.state, "runs"))[0]
        # Refused until the run heats; an answer of "yes" is an acknowledgement.
        words, end = ["hold", "resume"], time.monotonic() + 10
        while words and self.alive() and time.monotonic() < end:
            if self.ask(words[0]):
                self.persons += 1
                words.pop(0)
        end = time.monotonic() + 60
        while self.alive() and not (until and until()) and time.monotonic() < end:
            if self.closed():
                break
            time.sleep(0.02)

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

    def state_in_journal(self):
        """What `verify` says: 0 whole, 4 not yet."""
        return subprocess.run([f"{BIN}/nightwell", "verify", self.lab.journal(self.started)], capture_output=True).returncode

    def told(self):
        """What the source was told to heat to."""
        path = os.path.join(self.log, "bath.log")
        with open(path, errors="replace") as f:
            lines = [line.split("\t") for line in f]
        return [float(line[2].split()[1]) for line in lines if len(line) > 2 and line[2].startswith("SOURce:TEMPerature:SPOint ")]

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
        raw = subprocess.run([f"{BIN}/nightwell", "tail", "--raw", self.lab.journal(run)], capture_output=True, text=True)
        records = [json.loads(line) for line in raw.stdout.splitlines()]
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


def counted():
    """How often a run on a good disk makes each call in one of its threads: the most of any thread."""
    with Night(inject="fdatasync:delay_enter=0:when=60000") as night:
        night.live()
        lost = night.judge(expect=(0,))
        check(night.started and not lost and night.persons == 2, f"the run is good: {lost}")
        night.daemon.terminate()
        night.daemon.wait(30)
        night.tracer.wait(30)
        counts = {}
        with open(os.path.join(night.folder, "trace"), errors="replace") as f:
            for line in f:
                thread, _, rest = line.partition(" ")
                call = rest.strip().split("(")[0]
                if call in CALLS and "unfinished" not in line.split("(")[0]:
                    counts[(thread, call)] = counts.get((thread, call), 0) + 1
        return {call: max([n for (_, c), n in counts.items() if c == call], default=0) for call in CALLS}


class Tally:
    def __init__(self, what):
        self.what, self.nights, self.dead, self.moved, self.lost = what, 0, 0, 0, []

    def add(self, night, where, lost):
        self.nights += 1
        self.dead += not night.alive()
        self.lost += [f"{where}: {text}" for text in lost]

    def say(self):
        good = self.nights > 0 and not self.lost
        print(f"{'ok   ' if good else 'FAIL '} {self.what}: {self.nights} nights, {self.dead} daemons killed, "
              f"{self.moved} went on in a new file, "
              f"{len(self.lost)} losses or unreadable journals")
        for text in self.lost[:20]:
            print("      " + text)
        sys.stdout.flush()
        return good


def kill_at_calls(step, most=None):
    good = True
    for call, count in counted().items():
        if count == 0:
            print(f"      {call}: not called")
            continue
        tally = Tally(f"kill before {call}, every {step} of {count}")
        for nth in range(1, min(count, most or count) + 1, step):
            with Night(inject=f"{call}:signal=KILL:when={nth}") as night:
                night.live()
                tally.add(night, f"{call} {nth}", night.judge())
        good = tally.say() and good
    return good


def kill_at_random(count, seed=20261125):
    tally = Tally(f"kill at {count} random moments")
    dice = random.Random(seed)
    for nth in range(count):
        with Night() as night:
            killer = threading.Timer(dice.uniform(0, 2.5), lambda: os.kill(night.daemon.pid, signal.SIGKILL))
            killer.start()
            night.live()
            killer.join()
            night.daemon.wait(10)
            tally.add(night, f"moment {nth}", night.judge())
        if nth % 100 == 99:
            print(f"      {nth + 1} done, {len(tally.lost)} lost")
            sys.stdout.flush()
    return tally.say()


def errors(step, most=None):
    good = True
    counts = counted()
    for call, errno in (("fdatasync", "EIO"), ("fdatasync", "ENOSPC"), ("fallocate", "ENOSPC")):
        for after in ("", "+"):
            count = counts[call]
            tally = Tally(f"{errno} from {call}, every {step} of {count}{', and all after it' if after else ''}")
            for nth in range(1, min(count, most or count) + 1, step):
                with Night(inject=f"{call}:error={errno}:when={nth}{after}") as night:
                    night.live(until=night.over if after else None)
                    moved = os.path.exists(night.lab.journal(night.started).replace(".ndjson", "-2.ndjson")) if night.started else False
                    # A sync that fails once: it goes on in a new file and ends whole. For good: it parks, or never starts.
                    once = call == "fdatasync" and not after
                    if once:
                        wait_for(lambda: night.state_in_journal() == 0, 30)
                    tally.add(night, f"{call} {nth}", night.judge(expect=(0,) if once else (0, 4)))
                    tally.moved += moved
            if call == "fdatasync" and not after and tally.moved < tally.nights / 2:
                tally.lost.append(f"only {tally.moved} nights went on in a new file")
            good = tally.say() and good
    return good


def stall():
    tally = Tally("a disk that hangs for 30 s")
    for nth in (1, 4, 8):
        with Night(inject=f"fdatasync:delay_enter=30s:when={nth}") as night:
            night.live()
            wait_for(night.closed, 90)
            tally.add(night, f"fdatasync {nth}", night.judge())
            slow = [record for record in night.lab.records(night.started, "storage") if record["event"] == "slow"]
            tally.lost += [] if slow or nth == 1 else [f"fdatasync {nth}: the journal does not say that the disk was slow"]
    return tally.say()


def main():
    mode = sys.argv[1] if len(sys.argv) > 1 else "quick"
    number = int(sys.argv[2]) if len(sys.argv) > 2 else None
    modes = {"calls": lambda: kill_at_calls(number or 1), "random": lambda: kill_at_random(number or 1000),
             "errors": lambda: errors(number or 1), "stall": stall,
             "quick": lambda: all([kill_at_random(5), kill_at_calls(7, 15), errors(5, 6)])}
    if mode not in modes:
        sys.exit(__doc__)
    try:
        sys.exit(0 if modes[mode]() else 1)
    except CannotTrace as reason:
        print(f"SKIPPED what needs strace: it may not trace here ({reason})")
        sys.exit(77)


main()
