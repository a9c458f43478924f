#!/usr/bin/env python3
"""A driver program for a bath, in one file and with Python's own library alone.

The bath speaks like this (drivers/dialects/terse-bath.json says the same as a dialect): CR behind every line, and before it "*" with
the exclusive or of the rest in two hexadecimal digits; I? S? T? H? ask for identity, setpoint, temperature and heater; S+035.00,
H1, H0 set; R1 is remote control, P1 standby; A is "done", N and a number "no".

To make a driver of your own out of it, change what stands below "---- this instrument ----", all of it: what it is called, what it
says and how it is understood. What stands above is what every driver must do (docs/driver-programs.md): it knows whether question and
answer belong together, sends a setting once, never makes a value up, takes "off" at once, and at the end of its standard input
switches off and proves it before it ends.
"""
# ---- the same in every driver program ----
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
TRIES = 3  # of a question; a setting is sent once


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
        hung_up = select.poll()
        hung_up.register(0, 0)
        self.gone = self.gone or bool(hung_up.poll(0))
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
        baud = getattr(termios, f"B{self.settings.get('baud', 9600)}", None)
        bits = termios.CS7 if self.settings.get("data_bits") == 7 else termios.CS8
        parity = {"none": 0, "even": termios.PARENB, "odd": termios.PARENB | termios.PARODD}.get(self.settings.get("parity", "none"))
        if baud is None or parity is None or self.settings.get("flow", "none") != "none":
            raise Trouble("port_settings", "this driver does not know that rate, parity or flow control")
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


class Instrument:
    """Questions and settings on a line of an instrument. What it says itself, its own class below knows: LINE_END, IDENTITY, framed()
    and the others that are marked THEIRS. `suspect`: what comes next on the line may be the answer to something older."""

    QUIET_S = 0.1         # THEIRS: nothing heard for so long: nothing more comes
    PAUSE_S = 0.0         # THEIRS: between a reply and the next command
    LONGEST_REPLY = 4096  # bytes
    LINE_END = b"\n"      # THEIRS: ends a reply
    IDENTITY = "*IDN?"    # THEIRS: the question whose answer is always the same text

    def __init__(self, host, hello):
        self.host, self.port = host, Port(host, hello["port"])
        self.reply_s, self.wanted = hello["reply_s"], hello["identity"]
        self.known = None  # the identity's whole reply
        self.suspect = True
        self.unready = None  # why its start-up did not succeed
        self.deadline = 0.0
        self.asked_again = 0  # in this call

    # ---- THEIRS ----

    def framed(self, command):
        """A command as it goes over the line, in bytes."""
        return command.encode() + self.LINE_END

    def body_of(self, reply):
        """The text of a whole reply; None: it was damaged on its way."""
        return reply.removesuffix(self.LINE_END).decode("ascii", "replace")

    def reply_size(self, received):
        """How many bytes the reply has that begins so, 0 where more is needed to tell. A block would have its length here."""
        at = received.find(self.LINE_END)
        return 0 if at < 0 else at + len(self.LINE_END)

    def is_identity(self, reply):
        """Whether it can be the identity; no value and no refusal can."""
        raise NotImplementedError

    def is_refusal(self, reply):
        raise NotImplementedError

    def start_up(self):
        """What it needs before it obeys, after every time its identity was asked."""

    def calls(self, request):
        """What is done for each word that the host may ask."""
        raise NotImplementedError

    # ---- the line ----

    def reply(self, within_s):
        """One reply; garbled where it is damaged, no_answer where none comes."""
        deadline = min(self.deadline, time.monotonic() + within_s)
        received, size = b"", 0
        while size == 0 or len(received) < size:
            got = self.port.read(deadline)
            if got is None:
                raise Trouble("no_answer", f"no whole reply within {within_s} s")
            received += got
            size = size or self.reply_size(received)
            if len(received) > (size or self.LONGEST_REPLY):
                raise Trouble("garbled", "more than one reply")
        body = self.body_of(received)
        if body is None:
            raise Trouble("garbled", f"{received!r} was damaged on its way")
        return body

    def exchange(self, command):
        """Sends a command and gives its reply. Until that has come, whole and alone, the line is suspect."""
        self.suspect = True
        time.sleep(self.PAUSE_S)
        self.port.write(self.framed(command))
        reply = self.reply(self.reply_s)
        self.suspect = False
        return reply

    def drain(self):
        for _ in range(50):
            if self.port.read(min(self.deadline, time.monotonic() + self.QUIET_S)) is None:
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
                first, second = self.exchange(self.IDENTITY), self.exchange(self.IDENTITY)
            except Trouble as trouble:
                reason = trouble
                if trouble.code == "port_gone":
                    raise
                continue
            if first == second and self.is_identity(first):
                if self.known not in (None, first) or self.wanted not in first:
                    self.suspect = True
                    raise Trouble("wrong_identity", f"expected {self.known or self.wanted!r}, but {first!r} answers; are the ports swapped?")
                self.known = first
                return self.begin()
            reason = Trouble("garbled", f"two identities: {first!r} and {second!r}")
        self.suspect = True
        raise reason

    def begin(self):
        """Start-up. What the instrument refuses there keeps it from settings, but neither from questions nor from "off"."""
        self.unready = None
        try:
            self.start_up()
        except Trouble as trouble:
            if trouble.code in ("no_answer", "garbled", "port_gone"):
                self.suspect = True
                raise
            self.unready = trouble

    def repeat(self, question):
        """What changes nothing may be asked again: calls question() on a line in step until it gives a value, TRIES times at most."""
        reason = None
        for attempt in range(TRIES):
            self.asked_again += attempt > 0
            try:
                self.get_in_step()
                return question()
            except Trouble as trouble:
                reason = trouble
                if trouble.code not in ("no_answer", "garbled"):
                    raise
                self.suspect = True
        raise reason

    def ask(self, command, start="", meaning=str):
        """Gives meaning(what stands behind `start` in the reply). ValueError there: it is no answer to this."""
        def question():
            reply = self.exchange(command)
            if self.is_refusal(reply):
                raise Trouble("refused", f"it says {reply}")
            try:
                if reply.startswith(start):
                    return meaning(reply[len(start):])
            except ValueError:
                pass
            raise Trouble("garbled", f"{reply!r} is no answer to {command}")
        return self.repeat(question)

    def tell(self, command, done, even_unready=False):
        """A setting is sent once. Whether it was taken, its acknowledgement says, and the host reads back."""
        self.get_in_step()
        if self.unready and not even_unready:
            raise self.unready
        reply = self.exchange(command)
        if reply != done:
            raise Trouble("refused", f"{command} was answered with {reply!r}")
        return {"done": True}

    def identify(self):
        self.suspect = True
        self.get_in_step()
        if self.unready:
            raise self.unready
        return {"value": self.known}

    def leave(self):
        """At the end of standard input: the exit code."""
        return 0


def serve(kind, role, driver, revision):
    """The whole of main(): greets, and answers until the end of standard input. `kind`: the instrument's class."""
    def stop(*_):
        host.gone = True  # as if the host were gone

    host = Host()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, stop)
    first = host.next_line()
    if first is None:
        return 0
    hello = json.loads(first)
    if hello["hello"] != PROTOCOL or hello["role"] != role:
        host.say(hello=PROTOCOL, driver=driver, revision=revision,
                 error={"code": "refused", "detail": f"this driver speaks {PROTOCOL} and is for a {role.replace('_', ' ')}"})
        return 2
    host.say(hello=PROTOCOL, driver=driver, revision=revision)
    instrument, asked = kind(host, hello), False
    try:
        while (line := host.next_line()) is not None:
            asked = True
            request = json.loads(line)
            try:
                host.say(id=request["id"], **answer(instrument, request))
            except Overtaken:
                instrument.suspect = True
    except Exception:  # whatever it was: the end, and of a heat source off before it
        note(traceback.format_exc())
    host.deaf = True
    return instrument.leave() if asked else 0


def answer(instrument, request):
    call = instrument.calls(request).get(request["ask"])
    if call is None:
        return {"error": {"code": "refused", "detail": f"this driver knows no request {request['ask']}"}}
    instrument.deadline, instrument.asked_again = time.monotonic() + request["within_s"], 0
    try:
        told = call()
    except Trouble as trouble:
        told = {"error": {"code": trouble.code, "detail": trouble.detail}}
    return dict(told, asked_again=instrument.asked_again) if instrument.asked_again else told


# ---- the same in every heat source ----
OFF_WITHIN_S = 25  # after the end of standard input


class HeatSource(Instrument):
    """THEIRS, besides: read_temperature(), read_target(), set_target(), output(), and the settings of the output."""

    def __init__(self, host, hello):
        super().__init__(host, hello)
        self.told_to_heat = False  # and not read as off since

    def calls(self, request):
        return {"identify": self.identify, "read_temperature": lambda: {"value": self.read_temperature()},
                "read_target": lambda: {"value": self.read_target()}, "read_output": lambda: {"value": self.read_output()},
                "set_target": lambda: self.set_target(request["t_c"]), "set_output": lambda: self.set_output(request["on"])}

    def read_output(self):
        on = self.output()
        if not on:
            self.told_to_heat = False
        return on

    def set_output(self, on):
        if on:
            if self.suspect or self.port.fd is None:
                self.get_in_step()
                raise Trouble("no_answer", "not sent: the source may have been off meanwhile and have its old setpoint; look first")
            self.told_to_heat = True
            return self.tell(self.ON, self.DONE)
        if self.suspect and self.port.fd is not None:
            self.port.write(self.framed(self.OFF))  # at once, whatever else is on the line
        self.tell(self.OFF, self.DONE, even_unready=True)
        self.park()
        return {"done": True}

    def leave(self):
        """Looks first, unless it was told to heat: a source that is off is left alone. 0: off is proved."""
        end, first = time.monotonic() + OFF_WITHIN_S, self.told_to_heat
        while time.monotonic() < end:
            self.deadline = min(end, time.monotonic() + 5)
            try:
                if first:
                    self.set_output(False)
                if not self.read_output():
                    return 0
            except Trouble as trouble:
                note(f"switching off: {trouble.code}: {trouble.detail}")
                time.sleep(0.5)
            except Exception:  # a mistake in here must not leave it on
                note(traceback.format_exc())
                time.sleep(0.5)
                self.suspect = True
            first = True
        note("the output could not be proved off: look at the heat source now")
        return 1


# ---- this instrument ----
DRIVER, REVISION = "python-bath", "1"  # a name of your own, and a revision that you raise with every change


def exclusive_or(text):
    total = 0
    for byte in text.encode():
        total ^= byte
    return f"{total:02X}"


def number(text):
    """Exactly its numbers: +035.00. ValueError: it is none."""
    if len(text) != 7 or text[0] not in "+-" or not text[1:].replace(".", "", 1).isdigit():
        raise ValueError
    return float(text)


def state(text):
    if text not in ("0", "1"):
        raise ValueError
    return text == "1"


class Bath(HeatSource):
    PAUSE_S = 0.005
    LINE_END = b"\r"
    IDENTITY = "I?"
    ON, OFF, DONE = "H1", "H0", "A"

    def framed(self, command):
        return f"{command}*{exclusive_or(command)}\r".encode()

    def body_of(self, reply):
        body = reply.decode("ascii", "replace").rpartition("*")[0]
        return body if body and self.framed(body) == reply else None

    def is_identity(self, reply):
        return reply.startswith("I ")

    def is_refusal(self, reply):
        return reply.startswith("N")

    def start_up(self):
        if self.exchange("R1") != "A" or self.exchange("R?") != "R1":
            raise Trouble("refused", "it does not go into remote control")

    def park(self):
        """Behind every "off": what belongs to a parked instrument."""
        self.tell("P1", "A", even_unready=True)
        if self.ask("P?", "P") != "1":
            raise Trouble("mismatch", "it does not go to standby")

    def read_temperature(self):
        return self.ask("T?", "T", number)

    def read_target(self):
        return self.ask("S?", "S", number)

    def set_target(self, t_c):
        text = f"{t_c:+07.2f}"
        if len(text) != 7:
            raise Trouble("bad_input", f"{t_c} does not fit into the command")
        self.tell(f"S{text}", "A")
        if self.read_target() != float(text):
            raise Trouble("mismatch", "it reads back another setpoint")
        return {"done": True}

    def output(self):
        """True: it may heat."""
        return self.ask("H?", "H", state)


if __name__ == "__main__":
    sys.exit(serve(Bath, "heat_source", DRIVER, REVISION))
