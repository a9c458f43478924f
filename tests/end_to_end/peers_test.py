"""Our ports against programs that know nothing of us: socat and ser2net as serial servers, pyvisa-py as a controller, and
`drivers talk` with a simulated instrument and with a replayed wire log. Debian: socat, ser2net, python3-pyvisa-py."""
import os
import pty
import select
import subprocess
import sys
import time

import pyvisa

from lab import BIN, SOURCE, Bench, Lab, check, main, wait_for, write

sys.path.append(f"{SOURCE}/tests/support")
from free_port import free_port  # noqa: E402

LOOK = {"format": "nightwell-profile/1", "profile": "look",
        "survey": {"every_s": 10, "lasts_s": 900, "expected_c": 21, "outlier_k": 5}}


def listens(port):
    """Whether a server waits at the port, without connecting: a connection opens the device behind it, and whoever is on the
    way out there takes replies that are another's."""
    with open("/proc/net/tcp") as table:
        rows = [row.split() for row in table][1:]
    return any(row[1].endswith(f":{port:04X}") and row[3] == "0A" for row in rows)


def scanner_only(folder, name):
    bench = Bench(folder, name).scanner("scanner", reading_s=0.02)
    for i in range(4):
        bench.channel(f"item-{i + 1}", "scanner", 101 + i, "items", {"kind": "platinum", "r0_ohm": 100.0}, "resistance", source=None)
    return bench


def through(lab, bench, server):
    """A look through a serial server that is killed in the middle and comes back: the look ends whole."""
    port = free_port()
    line = bench.bench["scanners"]["scanner"]["port"]["path"]
    bench.bench["scanners"]["scanner"]["port"] = {"type": "tcp", "host": "127.0.0.1", "port": port}
    lab.start_sim(bench)
    wait_for(lambda: os.path.exists(line))
    process = server(lab, line, port)
    wait_for(lambda: listens(port))
    lab.start_daemon()
    run = lab.start(bench.files(LOOK))
    wait_for(lambda: len(lab.records(run, "sweep")) > 5)
    process.kill()
    process.wait()
    before = len(lab.records(run, "sweep"))
    process = server(lab, line, port)
    lab.wait_state(run, "finished")
    after = len(lab.records(run, "sweep")) - before
    check(after > 10, f"the look goes on when the server is back, not {after} more sweeps")
    lab.command("verify", run)
    process.kill()
    process.wait()
    return run


def socat(lab, line, port):
    """One connection, served by the listener itself: with it the line dies."""
    return lab.spawn("socat", ["socat", f"TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr", f"FILE:{line},raw,echo=0"])


def ser2net(lab, line, port):
    config = f"{lab.folder}/ser2net.yaml"
    with open(config, "w") as f:
        f.write(f"connection: &scanner\n  accepter: tcp,127.0.0.1,{port}\n  connector: serialdev,{line},9600n81,local\n"
                "  options:\n    kickolduser: true\n")
    return lab.spawn("ser2net", ["ser2net", "-n", "-u", "-c", config], stdout=subprocess.DEVNULL)


def a_look_through_socat():
    with Lab(speed=200) as lab:
        through(lab, scanner_only(lab.folder, "one"), socat)


def a_look_through_ser2net():
    with Lab(speed=200) as lab:
        through(lab, scanner_only(lab.folder, "one"), ser2net)


def a_general_controller_reads_the_simulated_bench():
    with Lab(speed=100) as lab:
        bench = scanner_only(lab.folder, "one")
        line = bench.sim["scanners"]["scanner"]["port"]["path"]
        bench.source()
        port = free_port()
        bench.sim["sources"]["bath"]["port"] = {"type": "tcp", "port": port}
        lab.start_sim(bench)
        manager = pyvisa.ResourceManager("@py")
        for name in (f"ASRL{line}::INSTR", f"TCPIP::127.0.0.1::{port}::SOCKET"):
            instrument = manager.open_resource(name, read_termination="\n", write_termination="\n", timeout=5000)
            check(instrument.query("*IDN?").startswith("Nightwell,Simulated "), "an identity of four fields (IEEE 488.2)")
            instrument.write("NO:SUCH:HEADER")
            check(instrument.query("SYST:ERR?") == '-113,"Undefined header"', "SCPI-1999 21.8.9")
            check(instrument.query("SYST:ERR?") == '0,"No error"', "an empty queue")
            if name.startswith("ASRL"):
                ohm = [float(text) for text in instrument.query("MEAS:FRES? (@101:104)").split(",")]
                check(len(ohm) == 4 and all(108.1 < r < 108.3 for r in ohm), f"Pt100 at 21 °C is 108.18 ohm, not {ohm}")
            else:
                instrument.write("SOUR:TEMP:SPO 35.5")
                check(float(instrument.query("SOUR:TEMP:SPO?")) == 35.5, "the setpoint")
                check(abs(float(instrument.query("MEAS:TEMP?")) - 21) < 0.5, "the room")
            instrument.close()


# ---- drivers talk ----

def talk(*arguments, text="", code=0):
    done = subprocess.run([f"{BIN}/nightwell", "drivers", "talk", *arguments], input=text.encode(), capture_output=True, timeout=60)
    check(done.returncode == code, f"ended with {done.returncode}: {done.stderr.decode()}{done.stdout.decode()}")
    return done.stdout.decode(), done.stderr.decode()


def replayed(lab, name):
    """A simulated bench that is one wire log; gives its port and its command log."""
    path = f"{lab.folder}/ports/{name}"
    config = write(f"{lab.folder}/{name}.json", {"format": "nightwell-sim/1", "ambient_c": 21, "replays": {
        name: {"log": f"{SOURCE}/tests/wirelogs/{name}.log" if "/" not in name else name, "port": {"type": "pty", "path": path}}}})
    lab.spawn(f"sim-{name}", [f"{BIN}/nightwell-simbench", config, "--log", f"{lab.folder}/sim-{name}"])
    wait_for(lambda: os.path.exists(path))
    return f"pty:{path}", f"{lab.folder}/sim-{name}/{name}.log"


def a_script_talks_to_a_wire_log_and_its_record_is_one_again():
    with Lab() as lab:
        port, log = replayed(lab, "scanner-plain")
        record = f"{lab.folder}/record.log"
        out, err = talk(port, "--record", record, "--reply", "2", text="*IDN?\nWHO ARE YOU?\nMEASure:FRESistance? (@101)\n")
        check(out == "< SEEDBANK,SCAN-A,S01,1.0\n< +1.00123456E+02\n", f"the two answers, not {out!r}")
        check("can command heat" in err, "the caution")
        with open(log) as f:
            rows = [line.rstrip("\n").split("\t") for line in f]
        check([row[4] for row in rows] == ["", "not in the log", ""], f"told in the command log: {rows}")
        with open(record) as f:
            lines = [line for line in f.read().splitlines() if line[0] in "<>"]
        check(lines == ["> *IDN?\\n", "< SEEDBANK,SCAN-A,S01,1.0\\n", "> WHO ARE YOU?\\n", "> MEASure:FRESistance? (@101)\\n",
                        "< +1.00123456E+02\\n"], f"recorded: {lines}")
        talk(port, "--record", record, code=2)
        out, _ = talk(port, "--hex", "--times", "--reply", "2", text="*IDN?\n")
        check("53 45 45 44 42 41 4e 4b 2c 53 43 41 4e 2d 41 2c  SEEDBANK,SCAN-A," in out, out)


def every_shipped_driver_identifies_a_replay_of_its_log():
    """The daemon's drivers against wire logs as instruments: the bench that a lab's recorded log makes at the desk."""
    with Lab() as lab:
        port, _ = replayed(lab, "chatty-plain")
        bench = write(f"{lab.folder}/bench.json", {
            "format": "nightwell-bench/1", "bench": "b", "sources": {}, "channels": {"c": {"scanner": "s", "address": 101, "measures": "resistance"}},
            "scanners": {"s": {"driver": {"dialect": f"{SOURCE}/drivers/dialects/chatty-scanner.json"}, "reply_s": 5,
                               "port": {"type": "pty", "path": port[4:]}}}})
        out, _ = talk("--bench", bench, "s", text="who\n")
        check("I am" in out, f"with the dialect's terminators: {out!r}")
        talk("--bench", bench, "nobody", code=2)


def what_an_instrument_says_does_nothing_to_a_terminal():
    with Lab() as lab:
        log = f"{lab.folder}/hostile.log"
        with open(log, "w") as f:
            f.write("# Wire log, hand-written\n> hello\\n\n< \\x1b]0;mine\\x07\\x1b[2J\\x9b1m\\x00ok\\n\n")
        path = f"{lab.folder}/ports/h"
        config = write(f"{lab.folder}/h.json", {"format": "nightwell-sim/1", "ambient_c": 21, "replays": {
            "h": {"log": log, "port": {"type": "pty", "path": path}}}})
        lab.spawn("sim-h", [f"{BIN}/nightwell-simbench", config])
        wait_for(lambda: os.path.exists(path))
        # A person at a terminal: typed keys, the answer above the line that is being typed, Ctrl-D.
        pid, fd = pty.fork()
        if pid == 0:
            os.environ["TERM"] = "xterm"
            os.execv(f"{BIN}/nightwell", ["nightwell", "drivers", "talk", f"pty:{path}"])
        seen = b""

        def read_until(wanted):
            nonlocal seen
            end = time.monotonic() + 20
            while wanted not in seen:
                check(time.monotonic() < end, f"{wanted!r} never came: {seen!r}")
                if select.select([fd], [], [], 0.2)[0]:
                    try:
                        seen += os.read(fd, 4096)
                    except OSError:
                        break
        read_until(b"> ")
        os.write(fd, b"hellx\x7fo\r")
        read_until(b"\\x00ok")
        os.write(fd, b"\x04")
        # Where it has closed its files it has ended; some kernels let it go only with its terminal.
        wait_for(lambda: not os.path.exists(f"/proc/{pid}/fd/0"))
        os.close(fd)
        _, status = os.waitpid(pid, 0)
        check(os.waitstatus_to_exitcode(status) == 0, f"Ctrl-D ends it: {status}")
        check(b"\\x1b]0;mine\\x07\\x1b[2J\\x9b1m\\x00ok" in seen, f"shown as text: {seen!r}")
        for raw in (b"\x1b]0;", b"\x1b[2J", b"\x9b", b"\x07"):
            check(raw not in seen, f"{raw!r} reached the terminal")


def a_port_that_a_run_holds_is_refused():
    with Lab(speed=50) as lab:
        bench = scanner_only(lab.folder, "one")
        path = bench.bench["scanners"]["scanner"]["port"]["path"]
        lab.start_sim(bench)
        lab.start_daemon()
        run = lab.start(bench.files(LOOK))
        wait_for(lambda: lab.records(run, "sweep"))
        _, err = talk(f"pty:{path}", text="*RST\n", code=3)
        check("another program" in err or "locked" in err or "holds" in err, err)
        lab.command("stop", run)


main({test.__name__: test for test in (
    a_look_through_socat, a_look_through_ser2net, a_general_controller_reads_the_simulated_bench,
    a_script_talks_to_a_wire_log_and_its_record_is_one_again, every_shipped_driver_identifies_a_replay_of_its_log,
    what_an_instrument_says_does_nothing_to_a_terminal, a_port_that_a_run_holds_is_refused)})
