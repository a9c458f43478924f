"""Nights on a heat source behind Modbus registers, which a dialect describes: RTU on a terminal, Modbus TCP, and what goes
wrong. What the source was told is read from the simulated controller's own log."""
import json
import sys

from lab import SOURCE, Bench, Lab, check, lasting, main, play_wire_logs, profile, wait_for

sys.path.append(f"{SOURCE}/tests/support")
from free_port import free_port  # noqa: E402

OFF = r"\x11\x05\x00\x00\x00\x00"  # unit 17, write single coil 0, 0
ON = r"\x11\x05\x00\x00\xff\x00"
IDLE = r"\x11\x06\x00\x15\x00\x01"  # the park step: register 21


def heard(log):
    with open(f"{log}/bath.log") as f:
        return [line.rstrip("\n").split("\t")[2] for line in f]


def parked_off(log):
    """The newest switch is off, and the park step follows it."""
    lines = heard(log)
    switches = [i for i, line in enumerate(lines) if OFF in line or ON in line]
    return bool(switches) and OFF in lines[switches[-1]] and any(IDLE in line for line in lines[switches[-1]:])


def a_night_on_registers_with_trouble_on_the_line():
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=2).speak_registers()
        bench.bench["sources"]["bath"]["reply_s"] = 0.5
        bench.bench["wire_log"] = True
        log = lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()

        def remarks():
            with open(f"{log}/bath.log") as f:
                return [line.rstrip("\n").split("\t")[-1] for line in f]
        run = lab.start(bench.files(lasting(profile([34, 35]))))
        lab.wait_state(run, "approach", "settle")
        for fault in ({"fault": "exception", "code": 6}, {"fault": "garbage"}, {"fault": "silent"}):
            lab.order({"instrument": "bath", "times": 1, **fault})
            wait_for(lambda: fault["fault"] in remarks())
        lab.command("skip", run)
        lab.wait_state(run, "finished")
        results = json.loads(lab.command("results", run, "--json"))
        items = {item["name"]: item for item in results["plateaus"][1]["items"]}
        check(len(items) == 2, f"two items, not {len(items)}")
        for name, item in items.items():
            true = bench.sim["sensors"][name]["offset_k"]
            check(abs(item["error_k"] - true) < 0.02, f"{name}: found {item['error_k']}, true {true}")
        lab.command("verify", run)
        records = [r["dialect"] for r in lab.records(run, "dialect")]
        with open(f"{SOURCE}/drivers/dialects/register-furnace.json") as f:
            check(records == [json.load(f)], "the journal holds the whole register map")
        check(parked_off(log), "off and idle at the end")
        play_wire_logs(f"{lab.state}/runs/{run}/wire")


def a_conformance_run_keeps_out(lab, bench, run):
    """A TCP port has no lock: while a run is open no check begins on one."""
    port = f"tcp:127.0.0.1:{bench.bench['sources']['bath']['port']['port']}"
    one = ("drivers", "check", f"{lab.folder}/one/register-furnace.json", "--port", port, "--reply", "0.3")
    for more in (["--lowest", "15", "--highest", "40", "--i-am-beside-it"], ["--careful"]):
        lab.command(*one, *more, expect=3)
        check("the daemon has an open run" in lab.last.stderr, lab.last.stderr)
    check(not lab.records(run, "fault"), "the run noticed nothing")


def a_killed_daemon_leaves_a_network_controller_parked():
    with Lab(speed=300) as lab:
        bench = Bench(lab.folder, "one").simple(items=1).speak_registers(tcp_port=free_port())
        log = lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(profile([110])))
        wait_for(lambda: lab.state_of(run) == "approach" and any(ON in line for line in heard(log)), 60)
        a_conformance_run_keeps_out(lab, bench, run)
        lab.kill(lab.daemon)
        wait_for(lambda: parked_off(log))
        lab.command("verify", run, expect=4)


def a_controller_that_restarts_parks_the_night():
    # Fault 24: it comes up in local control, where it refuses the park step; the start-up is sent again for it.
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1).speak_registers()
        log = lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(lasting(profile([35]))))
        lab.wait_state(run, "approach", "settle")
        lab.order({"instrument": "bath", "fault": "reset", "setpoint_c": 60, "output": True})
        lab.wait_state(run, "parked")
        wait_for(lambda: lab.status(run)["parked"]["confirmed"])
        check(parked_off(log), "off and idle")


def a_controller_that_is_unplugged_and_open_parks():
    with Lab(speed=100) as lab:
        bench = Bench(lab.folder, "one", stale_s=300).simple(items=1).speak_registers()
        log = lab.start_sim(bench, "--control", lab.control)
        lab.start_daemon()
        run = lab.start(bench.files(profile([110])))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.order({"instrument": "bath", "fault": "open_sensor"})
        lab.order({"instrument": "bath", "fault": "unplug"})
        lab.wait_state(run, "parked", seconds=120)
        check(lab.status(run)["parked"]["confirmed"] is False, "nothing is proved while it is away")
        lab.order({"instrument": "bath", "fault": "clear"})
        wait_for(lambda: lab.records(run, "closing"), 90)
        check(parked_off(log), "once it is back it is switched off")


main({test.__name__: test for test in (
    a_night_on_registers_with_trouble_on_the_line, a_killed_daemon_leaves_a_network_controller_parked,
    a_controller_that_restarts_parks_the_night, a_controller_that_is_unplugged_and_open_parks)})
