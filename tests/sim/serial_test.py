"""Talks to nightwell-simbench as a stranger would: a general serial library on its pseudo-terminal, a plain TCP
socket, and nothing but SCPI-1999. Run by ctest with the program's path; needs python3-serial of Debian."""
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import unittest

import serial

sys.path.append(os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "support"))
from free_port import free_port  # noqa: E402

PROGRAM = sys.argv[1] if len(sys.argv) > 1 else "nightwell-simbench"
SPEED = 1000
NO_ERROR = '0,"No error"'
OVERLOAD = 9.9e37


def bench(tcp_port):
    pt100 = {"kind": "platinum", "r0_ohm": 100.0}
    return {
        "format": "nightwell-sim/1",
        "ambient_c": 21.0,
        "truth_at_c": [0, 60],
        "sources": {"bath": {"kind": "bath", "port": {"type": "pty", "path": "ports/bath"}}},
        "scanners": {
            "scan": {
                "port": {"type": "pty", "path": "ports/scan"},
                "channels": {
                    "101": {"sensor": "reference"},
                    "102": {"sensor": "item"},
                    "103": {"sensor": "block"},
                },
            },
            "net": {"port": {"type": "tcp", "port": tcp_port}, "channels": {"101": {"sensor": "shelf"}}},
        },
        "sensors": {
            "reference": {"model": pt100, "in": "bath", "position": "reference", "lag_s": [8, 3]},
            "item": {"model": pt100, "in": "bath", "lag_s": [20, 5], "offset_k": 0.25},
            "block": {"model": pt100, "in": "scan"},
            "shelf": {"model": pt100},
        },
    }


class Bench:
    """The program with a configuration of its own in a folder of its own."""

    def __init__(self):
        self.folder = tempfile.TemporaryDirectory(prefix="nightwell-sim-")
        self.tcp_port = free_port()
        config = self.path("sim.json")
        with open(config, "w", encoding="utf-8") as out:
            json.dump(bench(self.tcp_port), out)
        self.process = subprocess.Popen(
            [PROGRAM, config, "--speed", str(SPEED), "--seed", "3", "--log", self.path("log"),
             "--control", self.path("control.sock")],
            stdout=subprocess.PIPE, text=True)
        first = self.process.stdout.readline()
        assert first == "ready\n", first

    def path(self, *parts):
        return os.path.join(self.folder.name, *parts)

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout=30)
        self.process.stdout.close()
        return code

    def control(self, **request):
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(self.path("control.sock"))
            line.sendall(json.dumps(request).encode() + b"\n")
            return json.loads(line.makefile().readline())

    def log(self, name):
        with open(self.path("log", name + ".log"), encoding="ascii") as lines:
            return [line.rstrip("\n").split("\t") for line in lines]


class Line:
    """One serial connection."""

    def __init__(self, path, timeout=20):
        self.port = serial.Serial(path, 9600, timeout=timeout, exclusive=True)

    def send(self, text, end="\n"):
        self.port.write((text + end).encode("ascii"))

    def ask(self, text, end="\n"):
        self.send(text, end)
        reply = self.port.readline()
        assert reply.endswith(b"\n"), (text, reply)
        return reply[:-1].decode("ascii")

    def close(self):
        self.port.close()


def wait_until(true_now, what):
    end = time.monotonic() + 30
    while time.monotonic() < end:
        if true_now():
            return
        time.sleep(0.01)
    raise AssertionError("not within 30 seconds: " + what)


class OverTheLine(unittest.TestCase):
    def setUp(self):
        self.bench = Bench()
        self.scan = Line(self.bench.path("ports/scan"))

    def tearDown(self):
        self.scan.close()
        if self.bench.process.poll() is None:
            self.assertEqual(self.bench.stop(), 0)
        self.assertFalse(os.path.lexists(self.bench.path("ports/scan")))
        self.bench.folder.cleanup()

    def test_identity_has_the_four_fields_of_the_standard(self):
        for text in ("*IDN?", "*idn?"):
            self.assertEqual(len(self.scan.ask(text).split(",")), 4)
        self.assertEqual(self.scan.ask("*IDN?", "\r\n").split(",")[2], "scan")
        self.assertEqual(self.scan.ask("SYSTem:VERSion?"), "1999.0")

    def test_error_queue(self):
        self.assertEqual(self.scan.ask("SYSTem:ERRor:NEXT?"), NO_ERROR)
        self.scan.send("NONSENSE:COMMAND")
        self.scan.send("MEAS:FRES?")
        self.assertEqual(self.scan.ask(":syst:err?"), '-113,"Undefined header"')
        self.assertEqual(self.scan.ask("SYST:ERR?"), '-109,"Missing parameter"')
        self.assertEqual(self.scan.ask("SYST:ERR?"), NO_ERROR)
        for _ in range(30):
            self.scan.send("NONSENSE")
        seen = [self.scan.ask("SYST:ERR?") for _ in range(21)]
        self.assertEqual(seen[19:], ['-350,"Queue overflow"', NO_ERROR])
        self.scan.send("NONSENSE")
        self.assertEqual(int(self.scan.ask("*STB?")) & 4, 4)
        self.assertEqual(int(self.scan.ask("*ESR?")) & 32, 32)
        self.assertEqual(self.scan.ask("*CLS;:SYST:ERR?"), NO_ERROR)

    def test_short_and_long_forms_in_any_case(self):
        for text in ("MEASure:FRESistance? (@103)", "MEAS:FRES? (@103)", ":meas:fresistance? (@103)"):
            self.assertAlmostEqual(float(self.scan.ask(text)), 108.957, delta=0.05)  # 23 °C, IEC 60751
        self.scan.send("MEASU:FRES? (@103)")
        self.assertEqual(self.scan.ask("SYST:ERR?"), '-113,"Undefined header"')

    def test_channel_lists(self):
        values = self.scan.ask("MEAS:FRES? (@101:102,103)").split(",")
        self.assertEqual(len(values), 3)
        for value in values:
            self.assertRegex(value, r"^\+\d\.\d{8}E[+-]\d\d$")
        joined = self.scan.ask("MEAS:FRES? (@101);FRES? (@102:103);*OPC?").split(";")
        self.assertEqual([len(one.split(",")) for one in joined], [1, 2, 1])

    def test_overload_of_what_is_not_connected(self):
        self.assertEqual(float(self.scan.ask("MEAS:FRES? (@119)")), OVERLOAD)
        self.assertTrue(self.bench.control(instrument="scan", fault="open_sensor", channel=102)["ok"])
        self.assertEqual(float(self.scan.ask("MEAS:FRES? (@102)")), OVERLOAD)
        self.assertTrue(self.bench.control(instrument="scan", fault="clear")["ok"])
        self.assertLess(float(self.scan.ask("MEAS:FRES? (@102)")), 200)

    def test_a_reading_takes_its_time(self):
        self.scan.ask("MEAS:FRES? (@101:103)")
        self.scan.ask("*OPC?")
        first, second = [row for row in self.bench.log("scan") if row[2]][:2]
        self.assertGreaterEqual(float(second[0]) - float(first[0]), 0.75)

    def test_the_next_client_finds_a_clean_line(self):
        self.scan.send("*IDN?")
        wait_until(lambda: len(self.bench.log("scan")) == 1, "the command in the log")
        self.scan.close()
        wait_until(self.reopened, "the line free again")
        self.assertEqual(self.scan.ask("*OPC?"), "1")

    def reopened(self):
        try:
            self.scan = Line(self.bench.path("ports/scan"))
        except serial.SerialException:
            return False
        time.sleep(0.05)  # what the client before did not fetch would be here by now
        if self.scan.port.in_waiting == 0:
            return True
        self.scan.close()  # the bench was too busy to see the client before leave: it sees this one
        return False

    def test_a_bath_heats_and_its_log_tells(self):
        bath = Line(self.bench.path("ports/bath"))
        bath.send("SOURce:TEMPerature:SPOint 60")
        bath.send("OUTPut ON")
        self.assertEqual(bath.ask("SOUR:TEMP:SPO?;:OUTP?"), "+6.00000000E+01;1")
        bath.send("SOUR:TEMP:SPO 600")
        self.assertEqual(bath.ask("SYST:ERR?"), '-222,"Data out of range"')
        wait_until(lambda: self.bench.control(ask="truth")["now_s"] > 4000, "4000 simulated seconds")
        self.assertAlmostEqual(float(bath.ask("MEAS:TEMP?")), 60, delta=0.05)
        reference, item = [float(v) for v in self.scan.ask("MEAS:TEMP? (@101,102)").split(",")]
        self.assertAlmostEqual(item - reference, 0.25, delta=0.02)
        bath.send("OUTP OFF")
        self.assertEqual(bath.ask("OUTP?"), "0")
        bath.close()
        lines = [row[2] for row in self.bench.log("bath")]
        self.assertLess(lines.index("OUTPut ON"), lines.index("OUTP OFF"))
        with open(self.bench.path("log", "truth.json"), encoding="ascii") as truth:
            self.assertEqual(json.load(truth)["sensors"]["item"]["errors_k"]["60.0"], 0.25)

    def test_unplugged_and_back(self):
        self.assertTrue(self.bench.control(instrument="scan", fault="unplug")["ok"])
        wait_until(lambda: not os.path.lexists(self.bench.path("ports/scan")), "the port gone")
        with self.assertRaises((serial.SerialException, OSError, AssertionError)):
            self.scan.ask("*OPC?")
        self.scan.close()
        self.assertTrue(self.bench.control(instrument="scan", fault="clear")["ok"])
        wait_until(lambda: os.path.exists(self.bench.path("ports/scan")), "the port back")
        self.scan = Line(self.bench.path("ports/scan"))
        self.assertEqual(self.scan.ask("*OPC?"), "1")

    def test_tcp_serves_one_client_after_another(self):
        for _ in range(5):
            with socket.create_connection(("127.0.0.1", self.bench.tcp_port), timeout=20) as line:
                line.sendall(b"*IDN?;:MEAS:TEMP? (@101)\n")
                identity, value = line.makefile().readline().strip().split(";")
                self.assertEqual(identity.split(",")[2], "net")
                self.assertAlmostEqual(float(value), 21, delta=0.01)

    def test_refused_faults_say_why(self):
        answer = self.bench.control(instrument="nobody", fault="silent")
        self.assertFalse(answer["ok"])
        self.assertIn("nobody", answer["error"])


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
