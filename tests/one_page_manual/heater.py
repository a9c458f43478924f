"""The instrument of docs/one-page-manual.md: written from that page alone, knowing nothing of dialects.

  python3 heater.py LINK     a pseudo-terminal under the name LINK; prints "ready"; ends with its standard input

Its block follows the setpoint within seconds, so that nobody waits for it.
"""
import os
import re
import select
import sys
import termios
import time
import tty


class Heater:
    AMBIENT, WARMEST, SECONDS = 22.0, 650.0, 2.0

    def __init__(self):
        self.setpoint, self.rate, self.runs, self.locked, self.fault = 3000, 0, False, False, 0
        self.block, self.at = self.AMBIENT, time.monotonic()

    def temperature(self):
        now = time.monotonic()
        goal = self.setpoint / 100 if self.runs else self.AMBIENT
        self.block += (goal - self.block) * (1 - 2.718281828 ** (-(now - self.at) / self.SECONDS))
        self.at = now
        return self.block

    def answer(self, line):
        """The reply to a command without its CR; None where the manual promises none."""
        if not line.startswith("@1 "):
            return None
        words = line[3:].split(" ")
        temperature = self.temperature()
        match words:
            case ["ID"]:
                said = "HEATER 650/3"
            case ["RT"]:
                said = f"T {temperature:+08.2f}"
            case ["RS"]:
                said = f"S {self.setpoint}"
            case ["WS", number] if re.fullmatch("0|[1-9][0-9]{0,5}", number):
                said = "OK" if 3000 <= int(number) <= 65000 else "NO 2"
                if said == "OK":
                    self.setpoint = int(number)
            case ["RH"]:
                said = "H RUN" if self.runs else "H STOP"
            case ["WH", "RUN" | "STOP" as state]:
                self.runs, said = state == "RUN", "OK"
            case ["RR"]:
                said = f"R {self.rate}"
            case ["WR", number] if re.fullmatch("0|[1-9][0-9]{0,5}", number):
                said = "OK" if int(number) <= 200 else "NO 2"
                if said == "OK":
                    self.rate = int(number)
            case ["RF"]:
                said, self.fault = f"F {self.fault}", 0
            case ["KL", "0" | "1" as state]:
                self.locked, said = state == "1", "OK"
            case _:
                said = "NO 1"
        return "1:" + said


def serve(link):
    ours, theirs = os.openpty()
    tty.setraw(theirs, termios.TCSANOW)
    if os.path.islink(link):
        os.unlink(link)
    os.symlink(os.ttyname(theirs), link)
    print("ready", flush=True)
    heater, waiting = Heater(), b""
    while True:
        readable, _, _ = select.select([ours, sys.stdin], [], [])
        if sys.stdin in readable and not sys.stdin.buffer.read1(4096):
            break
        if ours not in readable:
            continue
        waiting += os.read(ours, 4096)
        while b"\r" in waiting:
            line, waiting = waiting.split(b"\r", 1)
            reply = heater.answer(line.decode("ascii", "replace"))
            if reply is not None:
                os.write(ours, reply.encode("ascii") + b"\r\n")
        waiting = waiting[-256:]
    os.unlink(link)


if __name__ == "__main__":
    serve(sys.argv[1])
