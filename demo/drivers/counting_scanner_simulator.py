#!/usr/bin/env python3
"""A scanner that is not there, on a pseudo-terminal, so that its driver can be tried. In one file, with Python's own library alone.

    simulator.py LINK               until SIGTERM or Ctrl-C; LINK is the terminal's name, `--port pty:LINK`
    simulator.py LINK COMMAND …     runs the command, and ends with it and with its exit code

To make one of your own, change class Scanner: it gets a command without its end, and gives the bytes of its reply.
"""
import os
import pty
import select
import signal
import subprocess
import sys
import time
import tty

MEASURING_S = 0.05  # real time


class Scanner:
    def __init__(self):
        self.channel, self.ready_at = 0, 0.0

    def reply_to(self, command):
        word, _, number = command.partition(" ")
        if command == "ID":
            return b"SCAN 8, rev. 1, simulated\n"
        if word == "RUN" and number.isdigit():
            if not 1 <= int(number) <= 8:
                return b"ERR 2\n"
            self.channel, self.ready_at = int(number), time.monotonic() + MEASURING_S
            return b"OK\n"
        if command == "STATE" and self.channel:
            return f"{'BUSY' if time.monotonic() < self.ready_at else 'READY'} {self.channel}\n".encode()
        if command == "FETCH" and self.channel and time.monotonic() >= self.ready_at:
            return self.block()
        return b"ERR 1\n"

    def block(self):
        """Channel 8 is open; the others have 101 ohm, 102 ohm and so on."""
        standard = 4_000_000
        counts = 0 if self.channel == 8 else standard * (100 + self.channel) // 100
        body = bytes([self.channel, self.channel == 8]) + counts.to_bytes(4, "big", signed=True) + standard.to_bytes(4, "big", signed=True)
        total = 0
        for byte in body:
            total ^= byte
        return b"\x02" + body + bytes([total])


def main(link, *command):
    ours, theirs = pty.openpty()  # `theirs` stays open: the line outlives its clients
    tty.setraw(theirs)
    os.symlink(os.ttyname(theirs), link)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        if command:
            signal.signal(signal.SIGINT, lambda *_: None)  # the command's own business
        program = subprocess.Popen(command) if command else None
        scanner, held = Scanner(), b""
        while program is None or program.poll() is None:
            if not select.select([ours], [], [], 0.2)[0]:
                continue
            *commands, held = (held + os.read(ours, 4096)).split(b"\n")
            for text in commands:
                os.write(ours, scanner.reply_to(text.decode("ascii", "replace")))
        return program.returncode
    except KeyboardInterrupt:
        return 0
    finally:
        os.unlink(link)


sys.exit(main(*sys.argv[1:]))
