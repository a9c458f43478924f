"""What a sweep over pseudo-terminals costs: our engine (bin/sweep_bench) beside the script that a lab would write on
python3-serial and, for one instrument, beside the least that a program can do (write, wait, read: the machine's floor),
alternating, on the same terminals, whose instruments answer after a stated time. By hand, on a quiet machine:

    python3 tests/bench/sweep_bench.py build/release/bin/sweep_bench [ROUNDS]

Printed: total time over the sum of the instruments' own answer times, as they take them in that run, from having read a question
to having written its answer (the limit; for several beside each other the slowest's sum), and processor time a reading (getrusage,
the client's process alone). Median of the rounds.
"""
import json
import mmap
import os
import pty
import resource
import statistics
import struct
import subprocess
import sys
import time
import tty

import serial

IDENTITY = b"SEEDBANK,SCAN,S01,1.0\n"


class Instrument:
    """Answers every question after `delay_s`, on a pseudo-terminal, in a process of its own; counts the time it takes."""

    def __init__(self, delay_s):
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self.taken = mmap.mmap(-1, 8)  # seconds, shared with its process
        self.pid = os.fork()
        if self.pid == 0:
            self.serve(delay_s)

    def taken_s(self):
        return struct.unpack("d", self.taken[:])[0]

    def begin(self):
        self.taken[:] = struct.pack("d", 0)

    def serve(self, delay_s):
        held = b""
        while True:
            held += os.read(self.master, 4096)
            begin = time.perf_counter()
            while b"\n" in held:
                line, held = held.split(b"\n", 1)
                if delay_s:
                    time.sleep(delay_s)
                if line == b"*IDN?":
                    os.write(self.master, IDENTITY)
                elif line.startswith(b"SYST"):
                    os.write(self.master, b'0,"No error"\n')
                elif line.endswith(b"?") or b"? " in line:
                    self.taken[:] = struct.pack("d", self.taken_s() + time.perf_counter() - begin)
                    os.write(self.master, b"+1.08179000E+02\n")

    def end(self):
        os.kill(self.pid, 9)
        os.waitpid(self.pid, 0)
        os.close(self.master)


def script(paths, readings):
    """A sweep as a script does it: one instrument after the other; in a process of its own, for its processor time."""
    out, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        ports = [serial.Serial(path, 9600, timeout=2) for path in paths]
        for port in ports:
            port.write(b"*IDN?\n")
            assert port.readline() == IDENTITY
        before, begin, total = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter(), 0.0
        for i in range(readings):
            for port in ports:
                port.write(b"MEASure:FRESistance? (@%d)\n" % (101 + i % 20))
                total += float(port.readline())
        wall_s, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_SELF)
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        os.write(into, json.dumps({"wall_s": wall_s, "cpu_s": cpu_s, "readings": readings * len(ports), "sum": total}).encode())
        os._exit(0)
    os.close(into)
    with os.fdopen(out) as f:
        answer = json.load(f)
    os.waitpid(pid, 0)
    return answer


def engine(program, paths, readings, *options):
    return json.loads(subprocess.run([program, *options, str(readings), *paths], capture_output=True, text=True, check=True).stdout)


def measure(program, instruments, delay_s, readings, rounds):
    there = [Instrument(delay_s) for _ in range(instruments)]
    paths = [one.path for one in there]
    ways = {"engine": lambda: engine(program, paths, readings), "script": lambda: script(paths, readings)}
    if instruments == 1:
        ways["floor"] = lambda: engine(program, paths, readings, "--floor")
    rows = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            for one in there:
                one.begin()
            run = way()
            assert abs(run["sum"] / run["readings"] - 108.179) < 1e-6, "every reading as sent"
            rows[name].append(dict(run, limit_s=max(one.taken_s() for one in there)))
    for one in there:
        one.end()
    for name, runs in rows.items():
        wall_s = statistics.median(run["wall_s"] for run in runs)
        ratio = statistics.median(run["wall_s"] / run["limit_s"] for run in runs)
        cpu_us = statistics.median(1e6 * run["cpu_s"] / run["readings"] for run in runs)
        # In sequence a script's limit is the sum over all instruments; printed over the slowest's, as for the engine.
        over = f"{ratio:6.3f} x the limit" if delay_s else f"{1e6 * wall_s / readings / instruments:6.1f} us a reading"
        print(f"{instruments} instrument(s), answer {1e3 * delay_s:.0f} ms: {name:7} {wall_s:7.3f} s  {over}  cpu {cpu_us:6.1f} us a reading")


def main():
    program, rounds = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 5
    print(f"load before: {os.getloadavg()[0]:.2f}")
    measure(program, 1, 0.005, 400, rounds)
    measure(program, 4, 0.005, 400, rounds)
    measure(program, 4, 0.020, 100, rounds)
    measure(program, 1, 0, 20000, rounds)
    print(f"load after: {os.getloadavg()[0]:.2f}")


main()
