#!/usr/bin/env python3
"""Real daemons, killed and failed at chosen system calls: nothing that was acknowledged is lost, every journal can be read.

Usage: crash_points.py calls  [STEP]    kill -9 before every STEPth of each system call of a short run (1: every one)
       crash_points.py random [COUNT]   kill -9 at so many random moments
       crash_points.py errors [STEP]    errors from every STEPth call of each on the journal's files (of writes: ten times
                                        STEPth), once and from there on
       crash_points.py stall            a disk that hangs for 30 s in the middle of a run, and for 75 s
       crash_points.py full             a file system that is full, or fills up (root)
       crash_points.py copy             a second copy that stalls, fills up, vanishes and comes back (root)
       crash_points.py bits   [STEP]    every STEPth bit of a night's journal flipped, sealed and unsealed
       crash_points.py quick            a few of the first three, for continuous integration

Needs NIGHTWELL_BIN_DIR and NIGHTWELL_SOURCE_DIR, and strace that may trace (exit code 77 if it may not). What was
acknowledged: the answers that commands got, and what the simulated source was told. Prints a line for each kind, with counts;
exit code 1 if anything was lost.
"""
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading

sys.dont_write_bytecode = True

import full_disks
from short_night import BIN, CannotTrace, Night, Tally, counted, journals, side_by_side, wait_for

# What may go wrong with a call on a journal's file: the call, what strace makes of it, and what that is called.
WRONG = (("fdatasync", "error=EIO", "EIO"), ("fdatasync", "error=ENOSPC", "ENOSPC"), ("fallocate", "error=ENOSPC", "ENOSPC"),
         ("write", "error=EIO", "EIO"), ("write", "error=ENOSPC", "ENOSPC"), ("write", "retval=7", "seven bytes written"),
         ("openat", "error=EIO", "EIO"), ("fsync", "error=EIO", "EIO"))


def kill_at_calls(step, chosen=None):
    """chosen: {call: [the Nth, …]}, else every `step` of all that a run makes, its daemon's start and end among them."""
    good = True
    cases = chosen or {call: range(1, count + 1, step) for call, count in counted(whole=True).items()}
    for call, numbers in cases.items():
        if not numbers:
            print(f"      {call}: not called")
            continue
        tally = Tally(f"kill before {call}, {len(numbers)} of its calls")

        def one(nth):
            with Night(inject=f"{call}:signal=KILL:when={nth}", whole=True) as night:
                if night.alive():
                    night.live()
                if night.alive():
                    night.daemon.terminate()
                    night.daemon.wait(30)
                tally.add(night, f"{call} {nth}", night.judge())

        side_by_side(one, [(nth,) for nth in numbers])
        if chosen and tally.dead < tally.nights:
            tally.lost.append("not every daemon was killed: the night does not make that call so often")
        good = tally.say() and good
    return good


def kill_at_random(count, seed=20261125):
    tally = Tally(f"kill at {count} random moments")
    dice = random.Random(seed)

    def one(nth, moment):
        with Night() as night:
            killer = threading.Timer(moment, lambda: os.kill(night.daemon.pid, signal.SIGKILL))
            killer.start()
            night.live()
            killer.join()
            night.daemon.wait(10)
            tally.add(night, f"moment {nth}", night.judge())

    side_by_side(one, [(nth, dice.uniform(0, 2.5)) for nth in range(count)])
    return tally.say()


def fail(tally, call, wrong, nth, for_good):
    """One night whose journal's files fail. A file that fails once is left: it goes on in a new one and ends whole. For good:
    it parks, or never starts."""
    with Night(inject=f"{call}:{wrong}:when={nth}{'+' if for_good else ''}", where=journals) as night:
        night.live(until=night.over if for_good else None)
        lost = [] if not night.started or night.over() or night.closed() else ["it hangs"]
        # A file that cannot be made or have room at the start, or both, is the end before it began.
        once = night.started and not for_good
        if once:
            wait_for(lambda: night.verified() == 0, 30)
        if once and night.hit() and call in ("fdatasync", "write") and not night.moved():
            lost.append("it did not go on in a new file")
        tally.hit += night.hit()
        tally.add(night, f"{call} {nth}", lost + night.judge(expect=(0,) if once else (0, 4)))


def errors(step, chosen=None):
    """chosen: [(call, wrong, Nth, for good)], else every `step` of each call, once and from there on."""
    if chosen:
        tally = Tally("errors on the journal's files, some of each kind")
        side_by_side(lambda *case: fail(tally, *case), chosen)
        if tally.hit < tally.nights:
            tally.lost.append("not every error came: the night does not make that call so often")
        return tally.say()
    good = True
    counts = counted(where=journals)
    for call, wrong, name in WRONG:
        for for_good in (False, True):
            each = 10 * step if call == "write" else step  # there are hundreds of writes, much alike
            numbers = range(1, counts[call] + 1, each)
            tally = Tally(f"{name} from {call}, every {each} of {counts[call]}{', and all after it' if for_good else ''}")
            side_by_side(lambda nth: fail(tally, call, wrong, nth, for_good), [(nth,) for nth in numbers])
            if tally.hit < 0.6 * tally.nights:
                tally.lost.append(f"only {tally.hit} nights made that call so often")
            good = tally.say() and good
    return good


# Which call hangs for 30 s, in the middle of a run. At this speed the hang is half an hour of it: long, and within what its guards
# allow.
AT_THE_PLAN = (("openat", 1), ("fsync", 1), ("fallocate", 1), ("write", 1), ("fallocate", 2), ("fdatasync", 1))
HANGS = (("fdatasync", 4), ("fdatasync", 8), ("write", 20), ("write", 100))


def stall():
    tally = Tally("a disk that hangs for 30 s")

    def at_the_plan(call, nth):
        with Night(inject=f"{call}:delay_enter=30s:when={nth}", where=journals) as night:
            run_of = lambda: os.listdir(os.path.join(night.lab.state, "runs"))[0]  # noqa: E731
            night.live()
            lost = ["a run was started although the answer came too late"] if night.started else []
            wait_for(lambda: os.path.exists(night.lab.journal(run_of())) and night.lab.records(run_of(), "closing"), 90)
            tally.add(night, f"the plan, {call} {nth}", lost + night.judge() + (["a source was told something"] if night.told() else []))

    def later(call, nth):
        with Night(inject=f"{call}:delay_enter=30s:when={nth}", speed=60, where=journals) as night:
            if not night.start():  # and nobody holds it: who asks while the disk hangs does not learn whether it did
                return tally.add(night, f"{call} {nth}", ["it did not start"])
            ended = night.wait(seconds=240)
            wait_for(lambda: night.verified() == 0, 30)
            lost = night.judge(expect=(0,)) + ([] if ended else ["it hangs"])
            slow = [record for record in night.records() if record["kind"] == "storage" and record["event"] == "slow"]
            if call == "fdatasync" and not slow:
                lost.append("the journal does not say that the disk was slow")
            tally.add(night, f"{call} {nth}", lost)

    side_by_side(lambda one, *case: one(*case), [(at_the_plan, *case) for case in AT_THE_PLAN] +
                 [(later, *case) for case in HANGS], at_once=len(AT_THE_PLAN) + len(HANGS))
    return all([tally.say(), stall_that_parks()])


def stall_that_parks():
    """60 s without a record on disk: parked, and the guardian and the hooks are told while the disk still hangs."""
    tally = Tally("a disk that hangs for 75 s, and a park without it")

    def recorder(folder):
        """A hook that writes down which events it is told."""
        program, told, file = (os.path.join(folder, name) for name in ("hook", "told", "hooks.json"))
        with open(program, "w") as f:
            f.write(f'#!/bin/sh\necho "$NIGHTWELL_EVENT" >>{told}\n')
        os.chmod(program, 0o755)
        with open(file, "w") as f:
            json.dump({"format": "nightwell-hooks/1", "hooks": [{"name": "told", "on": ["storage", "parked"], "run": [program],
                                                                 "within_s": 30}]}, f)
        return file, told

    def one(call, nth):
        with tempfile.TemporaryDirectory(prefix="nightwell-test-") as folder:
            file, told = recorder(folder)
            with Night(inject=f"{call}:delay_enter=75s:when={nth}", speed=30, where=journals, daemon_options=("--hooks", file)) as night:
                judge(call, nth, night, told)

    def judge(call, nth, night, told):
        lost = []
        if night.start():
            wait_for(lambda: 20 in night.told(), 150)  # the source's safe temperature
            wait_for(lambda: os.path.exists(told) and "parked" in open(told).read().split(), 10)
            with open(night.lab.journal(night.started), "rb") as f:
                lost = ["the park waited for the disk"] if b'"kind":"park"' in f.read() else []
            lost += [] if night.wait(seconds=120) else ["it hangs"]
            wait_for(lambda: night.verified() == 0, 30)
            records = night.records()
            why = [record["cause"] for record in records if record["kind"] == "failure"]
            lost += [] if any("disk has taken no record for 60 s" in text for text in why) else [f"no reason: {why}"]
            lost += [] if records[-2].get("ending") == "parked" else [f"it did not park: {records[-2]}"]
            confirmed = [record["confirmed"] for record in records if record["kind"] == "park"]
            lost += [] if confirmed and confirmed[-1] else [f"no park was confirmed: {confirmed}"]
        else:
            lost.append("it did not start")
        tally.add(night, f"{call} {nth}", lost + night.judge(expect=(0,)))

    side_by_side(one, [("fdatasync", 6), ("write", 12)])
    return tally.say()


def bits(step):
    """Nights long enough for 100 KiB; the flips are made by tests/journal/every_bit.cpp, in memory."""
    good = True
    for sealed in (False, True):
        with tempfile.TemporaryDirectory(prefix="nightwell-test-", dir="/dev/shm") as memory:
            key = os.path.join(memory, "key")
            subprocess.run([f"{BIN}/nightwell", "keys", "make", key], check=True, capture_output=True)
            with Night(daemon_options=("--seal-key", key) if sealed else ()) as night:
                night.start()
                night.acknowledged("hold")
                wait_for(lambda: os.path.getsize(night.lab.journal(night.started)) > 60 * 1024, 60)
                night.acknowledged("resume")
                night.wait()
                wait_for(lambda: night.verified() == 0, 30)
                kinds = sorted({record["kind"] for record in night.records()})
                print(f"      {len(kinds)} kinds of records: {' '.join(kinds)}")
                sys.stdout.flush()
                done = subprocess.run([f"{BIN}/every_bit", night.lab.journal(night.started), memory, str(step)], check=False)
                good = done.returncode == 0 and good
    return good


def quick():
    """What each kind of call is for: the folder, the file, its room, its bytes, their sync, its end; early, late, for good."""
    return all([kill_at_random(4),
                kill_at_calls(1, {"mkdir": [3], "openat": [8], "write": [4, 60], "fsync": [1], "fallocate": [2],
                                  "fdatasync": [1, 6], "ftruncate": [1]}),
                errors(1, [("fdatasync", "error=EIO", 1, False), ("fdatasync", "error=EIO", 5, False),
                           ("fdatasync", "error=ENOSPC", 3, True), ("fallocate", "error=ENOSPC", 1, False),
                           ("write", "error=EIO", 5, False), ("write", "error=ENOSPC", 40, True),
                           ("write", "retval=7", 9, False)])])


def main():
    mode = sys.argv[1] if len(sys.argv) > 1 else "quick"
    number = int(sys.argv[2]) if len(sys.argv) > 2 else None
    modes = {"calls": lambda: kill_at_calls(number or 1), "random": lambda: kill_at_random(number or 1000),
             "errors": lambda: errors(number or 1), "stall": stall, "full": full_disks.full, "copy": full_disks.copy,
             "bits": lambda: bits(number or 1),
             "quick": quick}
    if mode not in modes:
        sys.exit(__doc__)
    try:
        sys.exit(0 if modes[mode]() else 1)
    except CannotTrace as reason:
        print(f"SKIPPED what needs strace: it may not trace here ({reason})")
        sys.exit(77)


if __name__ == "__main__":
    main()
