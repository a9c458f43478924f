"""What a crowd of followers costs: the demo's night, first alone, then with a relay and a crowd, and the two compared.

  NIGHTWELL_BIN_DIR=build/release/bin NIGHTWELL_SOURCE_DIR=. python3 tests/relay/load.py [--followers 200] [--stalled 50]
      [--reconnects 20] [--speed 800] [--pairs 1]

--followers read all they can; --stalled take a little and then nothing; --reconnects is how many a second come, read from some
record on, and go. Told: the daemon's and the relay's memory and processor time, by how much followers lag behind the file (bytes, and seconds until
they had what the file had), and how long the night took. The crowd itself is in one process of lowest priority; on a small
machine its processor time counts against the night all the same. When a plateau is settled depends on its noise, so no two
nights are equally long; --pairs of nights, one alone and one with the crowd in turn, tell what is the crowd's and what the noise's.
Not a test: figures, for docs/performance.md.
"""
import argparse
import asyncio
import itertools
import json
import math
import os
import random
import shutil
import statistics
import subprocess
import sys
import threading
import time

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from relay_lab import BIN, SOURCE, Lab, check  # noqa: E402


class Night:
    """The demo's bench, daemon and run, in a folder of its own."""

    def __init__(self, folder, speed):
        self.folder, self.speed = folder, speed
        shutil.copytree(os.path.join(SOURCE, "demo"), os.path.join(folder, "demo"), ignore=shutil.ignore_patterns("out"))
        for name in ("ports", "sim"):
            os.makedirs(os.path.join(folder, "demo", "out", name))
        self.environment = dict(os.environ, NIGHTWELL_STATE=os.path.join(folder, "state"),
                                NIGHTWELL_RUNTIME=os.path.join(folder, "runtime"))
        self.processes = []

    def spawn(self, *arguments, **more):
        self.processes.append(subprocess.Popen(arguments, env=self.environment, **more))
        return self.processes[-1]

    def begin(self):
        demo = os.path.join(self.folder, "demo")
        sim = self.spawn(f"{BIN}/nightwell-simbench", f"{demo}/sim.json", "--speed", str(self.speed), "--seed", "2026",
                         stdout=subprocess.PIPE, text=True)
        check(sim.stdout.readline().strip() == "ready", "the simulated bench is not ready")
        self.daemon = self.spawn(f"{BIN}/nightwelld", "--speed", str(self.speed), stderr=subprocess.DEVNULL)
        socket = os.path.join(self.folder, "runtime", "control.sock")
        while not os.path.exists(socket):
            time.sleep(0.05)
        self.begun = time.monotonic()
        self.run = self.command("start", os.path.join(SOURCE, "profiles", "cold-store.json"), f"{demo}/bench.json",
                                f"{demo}/job.json").splitlines()[0].strip()
        self.journal = os.path.join(self.folder, "state", "runs", self.run, "journal.ndjson")

    def command(self, *arguments):
        return subprocess.run([f"{BIN}/nightwell", *arguments], capture_output=True, text=True, check=True,
                              env=self.environment).stdout

    def closed(self):
        with open(self.journal, "rb") as f:
            f.seek(max(0, os.path.getsize(self.journal) - 4096))
            return b'"kind":"seal"' in f.read()

    def figures(self):
        """Wall time, and what the daemon itself says about lateness: how far apart its sweeps were."""
        starts, kinds = [], {}
        with open(self.journal) as f:
            for line in f:
                record = json.loads(line)
                kinds[record["kind"]] = kinds.get(record["kind"], 0) + 1
                if record["kind"] == "sweep":
                    starts.append(record["started_s"])
                last = record["up_s"]
        gaps = sorted(b - a for a, b in zip(starts, starts[1:]))
        return {"wall_s": round(self.ended - self.begun, 2), "night_s": round(last, 1), "sweeps": len(starts),
                "faults": kinds.get("fault", 0) + kinds.get("guard", 0) + kinds.get("failure", 0),
                "between_sweeps_s": {"median": round(gaps[len(gaps) // 2], 2), "p99": round(gaps[len(gaps) * 99 // 100], 2)},
                "daemon_cpu_s": self.daemon_cpu, "daemon_peak_kib": self.daemon_peak_kib, "bytes": os.path.getsize(self.journal)}

    def wait(self, each=lambda: None):
        while not self.closed():
            each()
            time.sleep(0.02)
        self.ended = time.monotonic()
        self.daemon_cpu = processor_seconds(self.daemon.pid)
        self.daemon_peak_kib = memory_kib(self.daemon.pid, "VmHWM")

    def end(self):
        for process in reversed(self.processes):
            process.terminate()
        for process in self.processes:
            process.wait(30)


def processor_seconds(pid):
    with open(f"/proc/{pid}/stat") as f:
        fields = f.read().rsplit(")", 1)[1].split()
    return round((int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), 2)


def memory_kib(pid, what):
    with open(f"/proc/{pid}/status") as f:
        return next(int(line.split()[1]) for line in f if line.startswith(what))


class Follower(asyncio.Protocol):
    def __init__(self, request, crowd=None, stop_after=None):
        self.request, self.crowd, self.stop_after = request, crowd, stop_after
        self.bytes, self.next_sample = 0, 0

    def connection_made(self, transport):
        self.transport = transport
        if self.crowd:
            self.next_sample = len(self.crowd.samples)  # what was there before it came is no lag
        transport.write(self.request)

    def data_received(self, data):
        self.bytes += len(data)
        if self.stop_after is not None and self.bytes >= self.stop_after:
            self.transport.pause_reading()
        if self.crowd:
            now = time.monotonic()
            samples = self.crowd.samples
            while self.next_sample < len(samples) and samples[self.next_sample][1] <= self.bytes:
                self.crowd.lags.append(max(0.0, now - samples[self.next_sample][0]))
                self.next_sample += 1


class Crowd(threading.Thread):
    def __init__(self, lab, night, options):
        super().__init__(daemon=True)
        self.lab, self.night, self.options = lab, night, options
        self.samples, self.lags, self.behind, self.followers = [], [], [], []
        self.reconnected, self.over = 0, False

    def sample(self):
        """What the file has now; followers look when they had it."""
        size = os.path.getsize(self.night.journal)
        if not self.samples or size > self.samples[-1][1]:
            self.samples.append((time.monotonic(), size))
        if self.followers:
            self.behind.append(size - min(f.bytes for f in self.followers))

    def run(self):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 19)
        asyncio.run(self.all())

    async def connect(self, follower):
        loop = asyncio.get_running_loop()
        return await loop.create_connection(lambda: follower, "127.0.0.1", self.lab.port, ssl=next(self.contexts),
                                            server_hostname="127.0.0.1")

    def request(self, start=0):
        return json.dumps({"follow": self.night.run, "from": start, "plain": True}).encode() + b"\n"

    async def all(self):
        # A name may have half of the places.
        self.contexts = itertools.cycle([self.lab.context(name) for name in ("alder", "birch")])
        stalled = [Follower(self.request(), stop_after=20000) for _ in range(self.options.stalled)]
        for follower in stalled:
            await self.connect(follower)
        for _ in range(self.options.followers):
            follower = Follower(self.request(), self)
            await self.connect(follower)
            self.followers.append(follower)
            await asyncio.sleep(0.02)  # a crowd comes within seconds, not at once
        print(f"{len(self.followers)} follow, {len(stalled)} stall", flush=True)
        pending = set()
        while not self.over:
            if self.options.reconnects:
                task = asyncio.create_task(self.come_and_go())
                pending.add(task)
                task.add_done_callback(pending.discard)
            await asyncio.sleep(1 / max(self.options.reconnects, 1))
        await asyncio.sleep(1)

    async def come_and_go(self):
        try:
            transport, _ = await self.connect(Follower(self.request(random.randrange(0, 50))))
            await asyncio.sleep(0.3)
            transport.close()
            self.reconnected += 1
        except OSError:
            pass


def quantile(values, q):
    values = sorted(values)
    return values[min(len(values) - 1, int(len(values) * q))] if values else None


def alone(options):
    with Lab() as lab:
        night = Night(lab.folder, options.speed)
        night.begin()
        night.wait()
        night.end()
        return night.figures()


def with_crowd(options):
    with Lab(followers=min(1000, options.followers + options.stalled + 50)) as lab:
        night = Night(lab.folder, options.speed)
        night.begin()
        lab.start()
        crowd = Crowd(lab, night, options)
        idle = memory_kib(lab.process.pid, "VmRSS")
        crowd.start()
        peak = 0

        def look():
            nonlocal peak
            peak = max(peak, memory_kib(lab.process.pid, "VmRSS"))
            crowd.sample()
        night.wait(look)
        time.sleep(1.5)
        crowd.over = True
        crowd.join()
        size = os.path.getsize(night.journal)
        relay = {"rss_before_kib": idle, "rss_peak_kib": peak, "cpu_s": processor_seconds(lab.process.pid),
                 "whole_copies": sum(f.bytes == size for f in crowd.followers), "followers": len(crowd.followers),
                 "lag_s": {"median": quantile(crowd.lags, 0.5), "p99": quantile(crowd.lags, 0.99),
                           "largest": quantile(crowd.lags, 1)},
                 "behind_bytes": {"median": quantile(crowd.behind, 0.5), "p99": quantile(crowd.behind, 0.99)},
                 "reconnected": crowd.reconnected, "crowd_cpu_s": round(time.process_time(), 1)}
        night.end()
        return night.figures(), relay


def main():
    parser = argparse.ArgumentParser()
    for name, number in (("followers", 200), ("stalled", 50), ("reconnects", 20), ("speed", 800), ("pairs", 1)):
        parser.add_argument(f"--{name}", type=int, default=number)
    options = parser.parse_args()
    walls = {"alone": [], "with the crowd": []}
    for _ in range(options.pairs):
        quiet = alone(options)
        print("alone:", json.dumps(quiet), flush=True)
        night, relay = with_crowd(options)
        print("with the crowd:", json.dumps(night))
        print("relay:", json.dumps(relay), flush=True)
        walls["alone"].append(quiet["wall_s"])
        walls["with the crowd"].append(night["wall_s"])
    if options.pairs > 1:
        means = {name: statistics.mean(some) for name, some in walls.items()}
        for name, some in walls.items():
            print(f"{name}: mean {means[name]:.2f} s, standard deviation of a night {statistics.stdev(some):.2f} s")
        of_difference = math.sqrt(sum(statistics.variance(some) / len(some) for some in walls.values()))
        print(f"the crowd's share: {100 * (means['with the crowd'] / means['alone'] - 1):+.2f} %, "
              f"standard deviation {100 * of_difference / means['alone']:.2f} %")


main()
