#!/usr/bin/env python3
"""A driver program for a bath, in one file and with Python's own library alone.

The bath speaks like this (drivers/dialects/terse-bath.json says the same as a dialect): CR behind every line, and before it "*" with
the exclusive or of the rest in two hexadecimal digits; I? S? T? H? ask for identity, setpoint, temperature and heater; S+035.00,
H1, H0 set; A is "done", N and a number "no".

To make a driver of your own out of it, change what is marked CHANGE. The rest is what every driver of a heat source must do
(docs/driver-programs.md): it knows whether question and answer belong together, sends a setting once, never makes a value up, takes
"off" at once, and at the end of its standard input switches off and proves it before it ends.
"""
import fcntl
import json
import os
import select
import signal
import socket
import sys
import termios
import time
import traceback

PROTOCOL = "nightwell-driver/1"
DRIVER, REVISION = "python-bath", "1"  # CHANGE: a name of your own, and a revision that you raise with every change
QUIET_S = 0.1                          # CHANGE: nothing heard for so long: nothing more comes
PAUSE_S = 0.005                        # CHANGE: between a reply and the next command
LONGEST_REPLY = 200
TRIES = 3                              # of a question; a setting is sent once
OFF_WITHIN_S = 25                      # after the end of standard input


class Trouble(Exception):
    """What an answer tells instead of a value: a word of docs/driver-programs.md, and what was found."""

    def __init__(self, code, detail):
        super().__init__(detail)
        self.code, self.detail = code, detail


class Overtaken(Exception):
    """The host asks for something else, or is gone: nobody waits for the call that is going on."""


class Host:
    """The lines on standard input and output."""

    def __init__(self):
        self.held, self.lines, self.gone, self.deaf = b"", [], False, False
        self.out = os.dup(1)
        os.dup2(2, 1)  # whatever prints goes to the log
        os.set_blocking(0, False)

    def look(self):
        try:
            got = os.read(0, 65536)
        except BlockingIOError:
            return
        self.gone = self.gone or not got
        *whole, self.held = (self.held + got).split(b"\n")
        self.lines += whole

    def wait(self, port, seconds):
        """True: the port can be read; False: the time is over. Overtaken: somebody wants something else."""
        end = time.monotonic() + seconds
        while True:
            left = end - time.monotonic()
            files = [port] if self.deaf else [0] if port is None else [port, 0]
            ready = select.select(files, [], [], min(max(0, left), 0.5))[0]  # a signal is noticed after half a second
            if 0 in ready:
                self.look()
            if not self.deaf and (self.lines or self.gone):
                raise Overtaken
            if port in ready or left <= 0:
                return port in ready

    def next_line(self):
        while not self.lines and not self.gone:
            try:
                self.wait(None, 3600)
            except Overtaken:
                pass
        return self.lines.pop(0) if self.lines and not self.gone else None  # a dead host waits for nothing

    def say(self, **line):
        try:
            os.write(self.out, json.dumps(line).encode() + b"\n")
        except OSError:
            self.gone = True  # nobody reads: off, then the end


def note(text):
    """For the log. A host that is dead has closed it, and nothing may depend on it."""
    try:
        os.write(2, f"{text}\n".encode("utf-8", "replace"))
    except OSError:
        pass


class Port:
    """The instrument's port, raw and ours alone."""

    def __init__(self, host, settings):
        self.host, self.settings, self.fd, self.line = host, settings, None, None

    def open(self):
        kind = self.settings["type"]
        try:
            if kind == "tcp":
                self.line = socket.create_connection((self.settings["host"], self.settings["port"]), 5)
                self.fd = self.line.fileno()
            else:
                self.fd = os.open(self.settings["path"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as error:
            raise Trouble("port_gone", str(error)) from error
        if kind != "tcp":
            try:
                fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                self.close()
                raise Trouble("port_busy", "another program has it") from error
            self.make_raw()
        os.set_blocking(self.fd, False)

    def make_raw(self):
        baud = getattr(termios, f"B{self.settings.get('baud', 9600)}")
        bits = termios.CS7 if self.settings.get("data_bits") == 7 else termios.CS8
        parity = {"none": 0, "even": termios.PARENB, "odd": termios.PARENB | termios.PARODD}.get(self.settings.get("parity", "none"))
        if parity is None or self.settings.get("flow", "none") != "none":
            raise Trouble("port_settings", "this driver does not know that parity or flow control")
        stop = termios.CSTOPB if self.settings.get("stop_bits") == 2 else 0
        flags = [0, 0, bits | parity | stop | termios.CREAD | termios.CLOCAL, 0, baud, baud, [b"\0"] * termios.NCCS]
        termios.tcsetattr(self.fd, termios.TCSANOW, flags)
        termios.tcflush(self.fd, termios.TCIOFLUSH)
        if termios.tcgetattr(self.fd)[2] & (termios.CSIZE | termios.PARENB | termios.CSTOPB) != bits | parity & termios.PARENB | stop:
            raise Trouble("port_settings", "the port did not take its settings")

    def close(self):
        if self.line is not None:
            self.line.close()
        elif self.fd is not None:
            os.close(self.fd)
        self.fd = self.line = None

    def read(self, deadline):
        """At least one byte; None: the time is over."""
        if not self.host.wait(self.fd, deadline - time.monotonic()):
            return None
        try:
            got = os.read(self.fd, 4096)
        except BlockingIOError:
            return b""
        except OSError as error:
            got, reason = b"", str(error)
        else:
            reason = "the other side is gone"
        if not got:
            self.close()
            raise Trouble("port_gone", reason)
        return got

    def write(self, data):
        if self.fd is None:
            raise Trouble("port_gone", "the port is closed")
        try:
            if os.write(self.fd, data) == len(data):
                return
        except OSError as error:
            self.close()
            raise Trouble("port_gone", str(error)) from error
        self.close()
        raise Trouble("port_gone", "the line takes no more")


def framed(body):
    """CHANGE: a command as it goes over the line."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"{body}*{total:02X}\r".encode()


def body_of(line):
    """CHANGE: a reply's text; None: it was damaged on its way."""
    text = line.decode("ascii", "replace")
    body = text.rpartition("*")[0]
    return body if body and framed(body)[:-1] == line else None


class Bath:
    """Questions and settings. `suspect`: what comes next on the line may be the answer to something older."""

    def __init__(self, host, hello):
        self.port, self.reply_s, self.wanted = Port(host, hello["port"]), hello["reply_s"], hello["identity"]
        self.known = None       # the identity's whole reply
        self.suspect = True
        self.told_to_heat = False  # and not read as off since
        self.deadline = 0.0

    # ---- the line ----

    def line(self, within_s):
        """One reply; garbled where it is damaged, no_answer where none comes."""
        deadline = min(self.deadline, time.monotonic() + within_s)
        text = b""
        while not text.endswith(b"\r"):
            got = self.port.read(deadline)
            if got is None:
                raise Trouble("no_answer", f"no whole reply within {within_s} s")
            text += got
            if len(text) > LONGEST_REPLY or b"\r" in text[:-1]:
                raise Trouble("garbled", "more than one reply")
        body = body_of(text[:-1])
        if body is None:
            raise Trouble("garbled", f"{text!r} has a wrong checksum")
        return body

    def exchange(self, command):
        """Sends a command and gives its reply. Until that has come, whole and alone, the line is suspect."""
        self.suspect = True
        time.sleep(PAUSE_S)
        self.port.write(framed(command))
        reply = self.line(self.reply_s)
        self.suspect = False
        return reply

    def drain(self):
        for _ in range(50):
            if self.port.read(min(self.deadline, time.monotonic() + QUIET_S)) is None:
                return
        raise Trouble("garbled", "the line is never quiet")

    def get_in_step(self):
        """A late reply is dropped here: nothing is asked before the identity has answered, twice, as it is known."""
        if self.port.fd is None:
            self.port.open()
            self.suspect = True
        if not self.suspect:
            return
        reason = Trouble("no_answer", "it does not answer")
        for _ in range(TRIES):
            try:
                self.drain()
                first, second = self.exchange("I?"), self.exchange("I?")  # CHANGE: the question for the identity
            except Trouble as trouble:
                reason = trouble
                if trouble.code == "port_gone":
                    raise
                continue
            if first == second and first.startswith("I "):  # CHANGE: what an identity looks like, and no value does
                if self.known not in (None, first) or self.wanted not in first:
                    self.suspect = True
                    raise Trouble("wrong_identity", f"{first!r} answers; are the ports swapped?")
                return self.start_up(first)
            reason = Trouble("garbled", f"two identities: {first!r} and {second!r}")
        self.suspect = True
        raise reason

    def start_up(self, identity):
        """CHANGE: what the instrument needs before it obeys, after every time its identity was asked."""
        if self.exchange("R1") != "A" or self.exchange("R?") != "R1":
            raise Trouble("refused", "it does not go into remote control")
        self.known = identity

    def ask(self, command, start):
        """A question changes nothing, so it may be asked again. Gives what stands behind `start`."""
        reason = None
        for _ in range(TRIES):
            try:
                self.get_in_step()
                reply = self.exchange(command)
            except Trouble as trouble:
                reason = trouble
                if trouble.code not in ("no_answer", "garbled"):
                    raise
                continue
            if reply.startswith("N"):
                raise Trouble("refused", f"it says {reply}")
            if reply.startswith(start):
                return reply[len(start):]
            self.suspect = True
            reason = Trouble("garbled", f"{reply!r} is no answer to {command}")
        raise reason

    def tell(self, command):
        """A setting is sent once. Whether it was taken, its acknowledgement says, and the host reads back."""
        self.get_in_step()
        reply = self.exchange(command)
        if reply != "A":
            raise Trouble("refused", f"{command} was answered with {reply!r}")

    # ---- what the host asks ----

    def identify(self):
        self.suspect = True
        self.get_in_step()
        return {"value": self.known}

    def number(self, command, start):
        text = self.ask(command, start)
        if len(text) != 7 or text[0] not in "+-" or not text[1:].replace(".", "", 1).isdigit():  # CHANGE: exactly its numbers
            self.suspect = True
            raise Trouble("garbled", f"{text!r} is no number")
        return float(text)

    def read_temperature(self):
        return {"value": self.number("T?", "T")}

    def read_target(self):
        return {"value": self.number("S?", "S")}

    def set_target(self, t_c):
        text = f"S{t_c:+07.2f}"
        if len(text) != 8:
            raise Trouble("bad_input", f"{t_c} does not fit into the command")
        self.tell(text)
        if f"S{self.number('S?', 'S'):+07.2f}" != text:
            raise Trouble("mismatch", "it reads back another setpoint")
        return {"done": True}

    def read_output(self):
        state = self.ask("H?", "H")
        if state not in ("0", "1"):
            raise Trouble("garbled", f"{state!r} is no state")
        if state == "0":
            self.told_to_heat = False
        return {"value": state == "1"}

    def set_output(self, on):
        if on:
            if self.suspect or self.port.fd is None:
                self.get_in_step()
                raise Trouble("no_answer", "not sent: the bath may have been off meanwhile and have its old setpoint; look first")
            self.told_to_heat = True
            self.tell("H1")
            return {"done": True}
        if self.suspect and self.port.fd is not None:
            self.port.write(framed("H0"))  # at once, whatever else is on the line
        self.tell("H0")
        self.tell("P1")  # CHANGE: what belongs to a parked instrument: standby, here
        if self.ask("P?", "P") != "1":
            raise Trouble("mismatch", "it does not go to standby")
        return {"done": True}

    def leave_off(self):
        """Looks first, unless it was told to heat: a bath that is off is left alone. True: proved."""
        end, first = time.monotonic() + OFF_WITHIN_S, self.told_to_heat
        while time.monotonic() < end:
            self.deadline = min(end, time.monotonic() + 5)
            try:
                if first:
                    self.set_output(False)
                if not self.read_output()["value"]:
                    return True
            except Trouble as trouble:
                note(f"switching off: {trouble.code}: {trouble.detail}")
                time.sleep(0.5)
            except Exception:  # a mistake in here must not leave the bath on
                note(traceback.format_exc())
                time.sleep(0.5)
                self.suspect = True
            first = True
        return False


def answer(bath, request):
    ask = request["ask"]
    calls = {"identify": bath.identify, "read_temperature": bath.read_temperature, "read_target": bath.read_target,
             "read_output": bath.read_output, "set_target": lambda: bath.set_target(request["t_c"]),
             "set_output": lambda: bath.set_output(request["on"])}
    if ask not in calls:
        return {"error": {"code": "refused", "detail": f"this driver knows no request {ask}"}}
    bath.deadline = time.monotonic() + request["within_s"]
    try:
        return calls[ask]()
    except Trouble as trouble:
        return {"error": {"code": trouble.code, "detail": trouble.detail}}


def main():
    def stop(*_):
        host.gone = True  # as if the host were gone: off, then the end

    host = Host()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, stop)
    first = host.next_line()
    if first is None:
        return 0
    hello = json.loads(first)
    if hello["hello"] != PROTOCOL or hello["role"] != "heat_source":
        host.say(hello=PROTOCOL, driver=DRIVER, revision=REVISION,
                 error={"code": "refused", "detail": f"this driver speaks {PROTOCOL} and is for a heat source"})
        return 2
    host.say(hello=PROTOCOL, driver=DRIVER, revision=REVISION)
    bath, asked = Bath(host, hello), False
    try:
        while (line := host.next_line()) is not None:
            asked = True
            request = json.loads(line)
            try:
                host.say(id=request["id"], **answer(bath, request))
            except Overtaken:
                bath.suspect = True
    except Exception:  # whatever it was: off, then the end
        note(traceback.format_exc())
    host.deaf = True
    if not asked or bath.leave_off():
        return 0
    note("the output could not be proved off: look at the bath now")
    return 1


sys.exit(main())
