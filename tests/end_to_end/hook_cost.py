"""What hooks cost a run: sweeps of two nights beside each other's, one with hooks that hang and flood, and the journal's growth.

hook_cost.py [NIGHTS]   prints; not a test. NIGHTWELL_BIN_DIR and NIGHTWELL_SOURCE_DIR as for the tests.
"""
import os
import statistics
import sys

from hooks_test import Hooks
from lab import Bench, Lab, profile


def night(with_hooks):
    with Lab(speed=60) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        lab.start_sim(bench)
        options = []
        if with_hooks:
            hooks = Hooks(lab)
            hooks.add("hangs", ["started", "held"], "#!/bin/sh\ntrap '' TERM\nsleep 1000 & wait; sleep 1000\n", within_s=2)
            hooks.add("floods", ["started", "held"], "#!/bin/sh\nexec head -c 300000000 /dev/zero\n", within_s=10)
            hooks.add("short", ["started", "held"], "#!/bin/sh\necho told\n")
            options = hooks.option()
        lab.start_daemon(*options)
        night_profile = profile([23.0], settle={"window_s": 120, "largest_drift_k": 0.05, "largest_spread_k": 0.1})
        run = lab.start(bench.files(night_profile))
        lab.wait_state(run, "finished")
        with open(f"/proc/{lab.daemon.pid}/stat") as f:
            ticks = f.read().rsplit(")", 1)[1].split()
        cpu_s = (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")
        begins = [r["started_s"] for r in lab.records(run, "sweep") if r["purpose"] == "watch"]
        gaps = [(b - a - 10) / lab.speed * 1000 for a, b in zip(begins, begins[1:])]
        kinds = {}
        with open(lab.journal(run), "rb") as f:
            for record, line in zip(lab.records(run), f.read().split(b"\n")):
                kinds.setdefault(record["kind"], []).append(len(line) + 1)
        return gaps, cpu_s, kinds


if __name__ == "__main__":
    for _ in range(int(sys.argv[1]) if len(sys.argv) > 1 else 2):
        for with_hooks in (False, True):
            gaps, cpu_s, kinds = night(with_hooks)
            print(f"{'with hooks   ' if with_hooks else 'without hooks'} {len(gaps)} watching sweeps, late by (real ms): "
                  f"median {statistics.median(gaps):.2f}, largest {max(gaps):.2f}; daemon {cpu_s:.2f} s of a core; bytes a record: "
                  + ", ".join(f"{k} {statistics.mean(v):.0f}" for k, v in kinds.items() if k in ("disk", "hook", "sweep")))
