"""A night followed over a network that fails: two network namespaces, a relay in one, `nightwell tail --follow --copy` in the other.

follow_netns.py [--seed N] [--faults N] [--blackout SECONDS] [--speed N]

A real daemon on the simulated bench writes the journal meanwhile. Faults, at random: the link is taken down; packets vanish without a
word (a false neighbour); the follower's address goes and comes back; the relay is killed and started again; the follower is killed
and started again. One blackout is longer than the 45 s after which a follower calls a line dead (0 leaves it out). At the end the copy
must be the journal, byte for byte, and every head that was kept must be in it.

It needs root and `ip` (iproute2), and says so and ends with 77 without them. CI runs a short form of it. Environment: NIGHTWELL_BIN_DIR, NIGHTWELL_SOURCE_DIR.
"""
import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import time

from lab import BIN, Bench, Lab, check, profile, wait_for

LAB, HOME = "10.77.0.1", "10.77.0.2"


def ip(*arguments, must=True):
    subprocess.run(["ip", *arguments], check=must, stderr=None if must else subprocess.DEVNULL)


class Network:
    """Two namespaces, joined by one link: the lab's end `nwa`, the follower's end `nwb`."""

    def __init__(self):
        self.lab, self.home = f"nw-lab-{os.getpid()}", f"nw-home-{os.getpid()}"

    def __enter__(self):
        for space in (self.lab, self.home):
            ip("netns", "add", space)
            ip("-n", space, "link", "set", "lo", "up")
        ip("link", "add", "nwa", "netns", self.lab, "type", "veth", "peer", "name", "nwb", "netns", self.home)
        self.up()
        return self

    def __exit__(self, *_):
        for space in (self.lab, self.home):
            ip("netns", "del", space, must=False)

    def inside(self, space, *command):
        return ["ip", "netns", "exec", space, *command]

    def up(self):
        """Everything as it should be, whatever was wrong."""
        ip("-n", self.lab, "addr", "add", f"{LAB}/24", "dev", "nwa", must=False)
        ip("-n", self.home, "addr", "add", f"{HOME}/24", "dev", "nwb", must=False)
        ip("-n", self.lab, "link", "set", "nwa", "up")
        ip("-n", self.home, "link", "set", "nwb", "up")
        ip("-n", self.lab, "neigh", "del", HOME, "dev", "nwa", must=False)

    def link_down(self):
        ip("-n", self.lab, "link", "set", "nwa", "down")

    def vanish(self):
        ip("-n", self.lab, "neigh", "replace", HOME, "lladdr", "02:00:00:00:00:99", "dev", "nwa", "nud", "permanent")

    def address_gone(self):
        ip("-n", self.home, "addr", "del", f"{HOME}/24", "dev", "nwb")


class Followed:
    """The relay and the follower, both of which may be killed."""

    def __init__(self, lab, network, run):
        self.lab, self.network, self.run = lab, network, run
        self.folder, self.copies = f"{lab.folder}/relay", f"{lab.folder}/copies"
        self.relays = self.tails = 0
        lab.command("keys", "relay", self.folder, "--host", LAB)
        lab.command("keys", "follower", self.folder, "anna")
        self.file = shutil.move(f"{self.folder}/anna.pem", f"{lab.folder}/anna.pem")
        self.start_relay()
        self.start_tail()

    def start_relay(self):
        self.relays += 1
        self.relay = self.lab.spawn("relay", self.network.inside(self.network.lab, f"{BIN}/nightwell-relay",
                                                                 f"{self.folder}/relay.json"))

    def start_tail(self):
        self.tails += 1
        self.printed = open(f"{self.lab.folder}/printed-{self.tails}", "wb")
        self.tail = self.lab.spawn("tail", self.network.inside(
            self.network.home, f"{BIN}/nightwell", "tail", "--relay", self.file, self.run, "--follow", "--raw", "--copy",
            self.copies), stdout=self.printed)

    def kill_relay(self):
        self.lab.kill(self.relay)

    def kill_tail(self):
        self.lab.kill(self.tail)

    def copy(self):
        try:
            with open(f"{self.copies}/{self.run}/journal.ndjson", "rb") as f:
                return f.read()
        except FileNotFoundError:
            return b""


def pause(seconds):
    """The network stays as it is for a while: what is tried here is time itself."""
    end = time.monotonic() + seconds
    wait_for(lambda: time.monotonic() > end, seconds + 60)


def night(arguments):
    chance = random.Random(arguments.seed)
    with Lab(speed=arguments.speed) as lab, Network() as network:
        bench = Bench(lab.folder, "one").simple(items=3)
        lab.start_sim(bench)
        lab.start_daemon()
        plan = profile([5, 20, 40, 60, 40, 20, 5])
        plan["sampling"] = {"every_s": 5, "items_every_s": 60}
        run = lab.start(bench.files(plan))
        followed = Followed(lab, network, run)
        wait_for(followed.copy)
        faults = [("link down", network.link_down, network.up), ("packets vanish", network.vanish, network.up),
                  ("address gone", network.address_gone, network.up),
                  ("relay killed", followed.kill_relay, followed.start_relay),
                  ("follower killed", followed.kill_tail, followed.start_tail)]
        wanted = [chance.choice(faults) for _ in range(arguments.faults)]
        if arguments.blackout:
            wanted.insert(len(wanted) // 2, ("blackout", network.vanish, network.up))
        done = {}
        for name, begin, mend in wanted:
            seconds = arguments.blackout if name == "blackout" else chance.uniform(0.2, 4)
            begin()
            pause(seconds)
            mend()
            done[name] = done.get(name, 0) + 1
            pause(chance.uniform(0.2, 2))
        at_faults_end = lab.state_of(run)
        lab.wait_state(run, "finished", seconds=900)
        closed = time.monotonic()
        code = followed.tail.wait(120)
        behind = time.monotonic() - closed
        with open(lab.journal(run), "rb") as f:
            journal = f.read()
        check(code == 0, f"the follower ended with {code}")
        check(followed.copy() == journal, "the copy is the journal, byte for byte")
        verified = lab.command("verify", run, "--heads", f"{followed.copies}/{run}", "--copy", f"{followed.copies}/{run}")
        lab.command("results", f"{followed.copies}/{run}")
        if followed.tails == 1:
            with open(f"{lab.folder}/printed-1", "rb") as f:
                check(f.read() == journal, "and so is what was printed")
        with open(f"{lab.folder}/tail.err", encoding="utf-8") as f:
            told = f.read().splitlines()
        print(f"seed {arguments.seed}: {json.dumps(done)}; when the faults were over the run was {at_faults_end}")
        print(f"{len(journal)} bytes, {journal.count(10)} records; relay started {followed.relays} times, follower "
              f"{followed.tails} times; {sum('up again' in line for line in told)} lines made again; the follower ended "
              f"{behind:.1f} s after the run was seen to be finished")
        print(next(line for line in verified.splitlines() if line.startswith("heads")))
        for line in told:
            print("  " + line)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults", type=int, default=15)
    parser.add_argument("--blackout", type=float, default=60)
    parser.add_argument("--speed", type=int, default=400)
    arguments = parser.parse_args()
    if os.geteuid() != 0 or not shutil.which("ip"):
        print("left out: this needs root and ip (iproute2)")
        sys.exit(77)
    night(arguments)


if __name__ == "__main__":
    main()
