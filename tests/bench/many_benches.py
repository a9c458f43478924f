"""What one daemon takes that reads many benches at once: surveys without a source, each with a scanner of its own on a
pseudo-terminal, all its channels read once a second. By hand, on a quiet machine of at least two cores (the instruments are one
process on another core):

    NIGHTWELL_BIN_DIR=build/release/bin NIGHTWELL_SOURCE_DIR=. python3 tests/bench/many_benches.py [BENCHES [CHANNELS [SECONDS]]]

Printed, for a minute (SECONDS) in which all benches run: the daemon's processor time (/proc, user and system), its resident memory,
and how late readings are: from the moment a sweep is due (whole seconds from the run's most punctual one) to its last reading.
"""
import datetime
import os
import pty
import select
import signal
import statistics
import sys
import time
import tty

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "end_to_end"))
from lab import Bench, Lab, wait_for  # noqa: E402  (the tests' own lab)


def serve(masters):
    """Answers everything at once, for all terminals."""
    epoll = select.epoll()
    held = {}
    for fd in masters:
        os.set_blocking(fd, False)
        epoll.register(fd, select.EPOLLIN)
        held[fd] = b""
    replies = {b"*IDN?": b"SEEDBANK,SCAN,S01,1.0\n", b"SYSTem:ERRor?": b'0,"No error"\n'}
    while True:
        for fd, _ in epoll.poll():
            try:
                held[fd] += os.read(fd, 4096)
            except OSError:
                continue
            while b"\n" in held[fd]:
                line, held[fd] = held[fd].split(b"\n", 1)
                reply = replies.get(line, b"+1.08179000E+02\n" if b"?" in line else b"")
                if reply:
                    os.write(fd, reply)


def instruments(paths):
    """One process; gives its process id. The other side of each terminal stays open in it, as a kernel's driver would hold it."""
    pid = os.fork()
    if pid:
        return pid
    masters = []
    for path in paths:
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.symlink(os.ttyname(slave), path)
        masters.append(master)
    serve(masters)


def processor_s(pid):
    with open(f"/proc/{pid}/stat") as f:
        fields = f.read().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mib(pid, which="VmRSS"):
    with open(f"/proc/{pid}/status") as f:
        return next(int(line.split()[1]) for line in f if line.startswith(which)) / 1024


def lateness_ms(sweeps, since):
    """Of the last reading of each sweep, from the moment when the sweep was due; sweeps recorded from `since` on. The due moments of
    a run are a whole number of seconds apart; which they are, its most punctual sweep tells."""
    sweeps = [sweep for sweep in sweeps if sweep["utc"] >= since]
    past = [sweep["started_s"] % 1 for sweep in sweeps]
    due = min(past, key=lambda one: sum((other - one) % 1 for other in past))
    return [1e3 * ((one - due) % 1 + sweep["at_s"][-1]) for one, sweep in zip(past, sweeps)]


def main():
    benches, channels, seconds = (int(text) for text in (sys.argv[1:] + ["500", "40", "60"][len(sys.argv) - 1:]))
    look = {"format": "nightwell-profile/1", "profile": "look",
            "survey": {"every_s": 1, "lasts_s": seconds + 120, "expected_c": 21, "outlier_k": 5}}
    with Lab(speed=1) as lab:
        all_benches = []
        for i in range(benches):
            bench = Bench(lab.folder, f"bench-{i}").scanner("scanner")
            for k in range(channels):
                bench.channel(f"item-{k + 1}", "scanner", 101 + k, "items", {"kind": "platinum", "r0_ohm": 100.0}, "resistance",
                              source=None)
            all_benches.append(bench)
        os.makedirs(f"{lab.folder}/ports")
        paths = [bench.bench["scanners"]["scanner"]["port"]["path"] for bench in all_benches]
        pid = instruments(paths)
        wait_for(lambda: os.path.exists(paths[-1]))
        daemon = lab.start_daemon().pid
        print(f"idle: {resident_mib(daemon):.1f} MiB")
        runs = [lab.start(bench.files(look)) for bench in all_benches]
        begin, since = time.monotonic(), datetime.datetime.utcnow().isoformat()
        before, server_before = processor_s(daemon), processor_s(pid)
        time.sleep(seconds)
        length = time.monotonic() - begin
        cpu, server = processor_s(daemon) - before, processor_s(pid) - server_before
        print(f"{benches} benches of {channels} channels a second: {100 * cpu / length:.1f} % of a core (the instruments: "
              f"{100 * server / length:.1f} %), {resident_mib(daemon):.1f} MiB (at most {resident_mib(daemon, 'VmHWM'):.1f})")
        late = sorted(ms for run in runs for ms in lateness_ms(lab.records(run, "sweep"), since))
        print(f"last reading of a sweep after its due time, ms: median {statistics.median(late):.1f}, 99 % {late[len(late) * 99 // 100]:.1f}, "
              f"largest {late[-1]:.1f}, of {len(late)} sweeps; more than 50 ms: {sum(ms > 50 for ms in late)}")
        os.kill(pid, signal.SIGKILL)


main()
