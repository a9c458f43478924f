"""Runs on file systems that are really full, and second copies on file systems that stall, fill up, vanish and come back.

Small tmpfs in a mount namespace of our own: root is needed, nothing outside changes. Every folder that is filled or taken away is
one of the test's own.
"""
import json
import os
import subprocess
import sys
import time

from short_night import BIN, Lab, Night, Tally, journals, side_by_side, wait_for

PRIVATE = "NIGHTWELL_PRIVATE_MOUNTS"
MIB = 1024 * 1024


def in_private_mounts():
    """Starts this program again where what it mounts is seen by nobody else; leaves with 77 where it may not."""
    if PRIVATE in os.environ:
        return
    unshare = ["unshare", "--mount", "--propagation", "private"]
    if subprocess.run([*unshare, "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True).returncode != 0:
        print("SKIPPED: it may not mount here")
        sys.exit(77)
    os.execvpe(unshare[0], [*unshare, sys.executable, *sys.argv], dict(os.environ, **{PRIVATE: "yes"}))


def run(*words):
    subprocess.run(words, check=True)


def tmpfs(folder, size):
    os.makedirs(folder, exist_ok=True)
    run("mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder)


def resize(folder, size):
    run("mount", "-o", f"remount,size={size}", folder)


def fill(folder):
    """Somebody else takes all that is left."""
    with open(os.path.join(folder, "somebody-else"), "wb", buffering=0) as f:
        try:
            while True:
                f.write(bytes(4096))
        except OSError:
            pass


class Disks:
    """The night's two disks: `state` and `second`, tmpfs where a size is given."""

    def __init__(self, state=None, second=None, speed=3000, **more):
        self.lab = Lab(speed=speed)
        self.second = os.path.join(self.lab.folder, "second")
        os.makedirs(self.second)
        self.mounted = []
        for folder, size in ((self.lab.state, state), (self.second, second)):
            if size:
                tmpfs(folder, size)
                self.mounted.append(folder)
        options = ("--second", self.second) if second else ()
        self.night = Night(lab=self.lab, daemon_options=options, **more)

    def __enter__(self):
        return self.night

    def __exit__(self, *exception):
        for folder in self.mounted:
            subprocess.run(["umount", "--lazy", folder], check=False)
        self.night.__exit__()

    def copy_says(self):
        """The exit code of `verify --copy`, and its words."""
        night = self.night
        done = subprocess.run([f"{BIN}/nightwell", "verify", night.lab.journal(night.started), "--copy",
                               os.path.join(self.second, night.started)], capture_output=True, text=True)
        return done.returncode, done.stdout + done.stderr


def storage_events(records):
    return [record["event"] for record in records if record["kind"] == "storage"]


def expect(lost, condition, text):
    if not condition:
        lost.append(text)


def no_room_for_the_night(tally):
    disks = Disks(state=MIB // 2)
    with disks as night:
        lost = []
        expect(lost, not night.start(), "it started although the night does not fit")
        expect(lost, "make room on the disk first" in night.lab.last.stderr, f"it does not say why: {night.lab.last.stderr}")
        expect(lost, not night.told(), f"a source was told {night.told()}")
        resize(night.lab.state, 16 * MIB)
        time.sleep(1.1)  # another second: the first folder stays
        expect(lost, night.ask("start", *night.bench.files(json.load(open(os.path.join(night.folder, "one", "profile.json"))))),
               "it does not start with room")
        tally.add(night, "start", lost)


def filled_by_somebody_else(tally):
    """What is reserved is held: the night ends as if nothing was."""
    with Disks(state=2 * MIB) as night:
        night.start()
        fill(night.lab.state)
        lost = [] if night.wait() else ["it hangs"]
        wait_for(lambda: night.verified() == 0, 30)
        records = night.records()
        expect(lost, records[-2].get("ending") == "finished", f"it ended otherwise: {records[-2]}")
        expect(lost, storage_events(records) == ["space_low"], f"storage: {storage_events(records)}")
        tally.add(night, "after the reservation", lost + night.judge(expect=(0,)))


def beyond_its_plan(tally):
    """Held for far longer than was planned, on a disk that somebody else filled."""
    with Disks(state=2 * MIB) as night:
        night.start()
        night.acknowledged("hold")
        fill(night.lab.state)
        lost = [] if night.wait() else ["it hangs"]
        wait_for(lambda: night.verified() == 0, 30)
        records = night.records()
        expect(lost, records[-2].get("ending") == "parked", f"it did not park: {records[-2]}")
        expect(lost, storage_events(records) == ["space_low", "space_out"], f"storage: {storage_events(records)}")
        expect(lost, any(record["kind"] == "failure" and "disk is full" in record["cause"] for record in records), "no reason")
        tally.add(night, "a long hold", lost + night.judge(expect=(0,)))


def short_writes(tally, second):
    """A file system that promises no room: a write takes a part of a line, as on a full disk it may."""
    disks = Disks(state=10 * 4096, second=second, inject="fallocate:error=EOPNOTSUPP:when=1+", where=journals)
    with disks as night:
        night.live(until=night.over)
        lost = []
        expect(lost, night.started and (night.over() or night.closed()), "it hangs")
        with open(os.path.join(night.folder, "trace"), errors="replace") as f:
            wanted = [line.rstrip().rsplit(", ", 1)[1].split(") = ") for line in f if " write(" in line and ") = " in line]
        short = [(asked, got) for asked, got in wanted if got.strip().isdigit() and int(got) < int(asked)]
        if second:
            copied = os.path.join(disks.second, night.started, "journal.ndjson")
            wait_for(lambda: subprocess.run([f"{BIN}/nightwell", "verify", copied], capture_output=True).returncode == 0, 30)
            expect(lost, os.path.exists(copied.replace(".ndjson", "-2.ndjson")), "it did not go on in the second folder")
        else:
            expect(lost, night.lab.state_of(night.started) == "parked", "it did not park")
            lost += night.judge(expect=(4,))
        expect(lost, short, "no write took a part of a line: it shows nothing")
        tally.add(night, "with a second folder" if second else "alone", lost)


def full():
    in_private_mounts()
    tally = Tally("a file system that is full, or fills up")
    side_by_side(lambda one, *more: one(tally, *more), [(no_room_for_the_night,), (filled_by_somebody_else,), (beyond_its_plan,),
                                                        (short_writes, None), (short_writes, MIB)])
    return tally.say()


def whole_and_equal(disks, lost, events):
    """The end of a night with a copy. events: what the journal must say of the copy."""
    night = disks.night
    expect(lost, night.wait(seconds=240), "it hangs")
    wait_for(lambda: disks.copy_says()[0] == 0, 60)
    expect(lost, disks.copy_says()[1].rstrip().endswith("equal"), disks.copy_says()[1])
    found = [event for event in storage_events(night.records()) if event.startswith("copy")]
    expect(lost, found == events, f"of the copy it says {found}")


def says(night, event):
    return lambda: event in storage_events(night.records())


def copy_fills_up(tally):
    disks = Disks(second=8 * 4096)
    with disks as night:
        lost = []
        night.start()
        night.acknowledged("hold")
        wait_for(says(night, "copy_behind"), 60)
        resize(disks.second, 64 * MIB)
        wait_for(says(night, "copy_caught_up"), 60)
        night.acknowledged("resume")
        whole_and_equal(disks, lost, ["copy_behind", "copy_caught_up"])
        tally.add(night, "it fills up", lost + night.judge(expect=(0,)))


def copy_vanishes(tally):
    """A mount that is gone for a while: the folder below it is another disk's, and stays empty."""
    disks = Disks(second=64 * MIB, speed=300)
    with disks as night:
        lost, kept = [], os.path.join(night.folder, "kept")
        os.makedirs(kept)
        run("mount", "--bind", disks.second, kept)
        night.start()
        night.acknowledged("hold")
        time.sleep(2.5)  # the copy has begun
        run("umount", "--lazy", disks.second)
        wait_for(says(night, "copy_behind"), 60)
        expect(lost, not os.listdir(disks.second), f"written below the mount: {os.listdir(disks.second)}")
        run("mount", "--bind", kept, disks.second)
        wait_for(says(night, "copy_caught_up"), 60)
        night.acknowledged("resume")
        whole_and_equal(disks, lost, ["copy_behind", "copy_caught_up"])
        run("umount", "--lazy", kept)
        tally.add(night, "it vanishes and comes back", lost + night.judge(expect=(0,)))


def copies_of(folder):
    """What the second copy's files will be called, for strace."""
    return journals(folder.replace("/state/runs", "/second"), ("", "/journal.ndjson"))


def copy_stalls(tally, took):
    """Its disk answers after 65 s, and after 60 s it is said to be behind."""
    disks = Disks(second=64 * MIB, speed=12, inject="fdatasync:delay_enter=65s:when=2", where=copies_of)
    with disks as night:
        lost = []
        night.live()
        whole_and_equal(disks, lost, ["copy_behind", "copy_caught_up"])
        took["a copy that stalls"] = [record["up_s"] for record in night.records() if record["kind"] == "plateau"]
        tally.add(night, "it stalls", lost + night.judge(expect=(0,)))


def no_copy(tally, took):
    with Disks(speed=12) as night:
        night.live()
        expect(lost := [], night.wait(seconds=240), "it hangs")
        took["no copy"] = [record["up_s"] for record in night.records() if record["kind"] == "plateau"]
        tally.add(night, "no copy", lost + night.judge(expect=(0,)))


def copy():
    in_private_mounts()
    tally, took = Tally("a second copy that stalls, fills up, vanishes"), {}
    side_by_side(lambda one, *more: one(tally, *more),
                 [(copy_stalls, took), (no_copy, took), (copy_fills_up,), (copy_vanishes,)])
    print(f"      the plateaus closed at up_s: {took}")
    late = [abs(a - b) for a, b in zip(*took.values())]
    expect(tally.lost, max(late) < 20, f"the copy held the run, whose clock runs 12 times as fast: {late} s")
    return tally.say()
