"""A relay with a status page, journals of a small run written for it, and clients of Python's own TLS and HTTP."""
import http.client
import json
import os
import re
import socket
import sys

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "relay"))

from relay_lab import Lab, check  # noqa: E402
from written_journals import Record  # noqa: E402

HOSTILE = "<script>alert(1)</script>\"'&{{{x}}}\u202e\x1b[31m\\\n]]>"


def fields(**values):
    return "".join(f',"{key}":{json.dumps(value, separators=(",", ":"))}' for key, value in values.items()).replace("\\n", "\\u000a")


def opening(bench="cold room", job="probes 1 to 8", utc="2026-11-25T20:15:00.000000Z"):
    return Record("opening", fields(format="nightwell-journal/2", run="r", bench=bench, job=job, profile="p", speed=1,
                                    channels=["r1"], orders={"references": [0]}), utc=utc)


def card():
    return Record("card", fields(channel=0, name="r1", role="reference", scanner="s", address=1, measures="temperature",
                                 junction=None, serial="SB-1", type="probe", model={"kind": "indicated"}, lowest_c=-40.0,
                                 highest_c=100.0, certificate="C", calibrated="2026-01-01", due="2027-01-01", u95_k=0.02))


def phase(name, why="it is so"):
    return Record("phase", fields(phase=name, plateau=0, setpoint_c=15.0, why=why))


def plateau_plan():
    return Record("plateau_plan", fields(plateau=0, setpoint_c=15.0, source="bath", band_k=0.5))


def sweep(number, t_c):
    return Record("sweep", fields(sweep=number, order="references", purpose="watch", plateau=0, started_s=float(number),
                                  at_s=[0.0], raw=[t_c]), up=f"{float(number):.6f}")


def begun(**of):
    return [opening(**of), card(), plateau_plan(), phase("approach"), sweep(0, 14.25)]


class PageLab(Lab):
    def __init__(self, metrics=True, **how):
        super().__init__(page={"listen": "127.0.0.1:0", "metrics": metrics}, **how)

    def start(self):
        super().start()
        self.page_port = int(re.search(r"https://127\.0\.0\.1:(\d+)/", self.wait_for_log("the status page is at")).group(1))
        return self

    def browser(self, **who):
        return http.client.HTTPSConnection("127.0.0.1", self.page_port, timeout=30, context=self.context(alpn="http/1.1", **who))

    def get(self, path, method="GET", headers={}, **who):
        browser = self.browser(**who)
        try:
            browser.request(method, path, headers=headers)
            answer = browser.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read().decode()
        finally:
            browser.close()

    def raw(self, data):
        """What comes back for these bytes until the relay ends the connection."""
        plain = socket.create_connection(("127.0.0.1", self.page_port), timeout=30)
        with self.context(alpn="http/1.1").wrap_socket(plain, server_hostname="127.0.0.1") as sock:
            sock.sendall(data)
            out = b""
            while True:
                got = sock.recv(65536)
                if not got:
                    return out
                out += got

    def until(self, path, text):
        """The page once it holds the text: looked at again whenever its stream tells something new."""
        events = None
        for _ in range(100):
            status, _, body = self.get(path)
            if status == 200 and text in body:
                if events:
                    events.close()
                return body
            events = events or Events(self, re.search('data-events="([^"]*)"', body).group(1) if status == 200 else "/events")
            events.next()
        raise AssertionError(f"{path} never held {text!r}")


class Events:
    """A page's stream of server-sent events."""

    def __init__(self, lab, path="/events"):
        self.browser = lab.browser()
        self.browser.request("GET", path)
        self.answer = self.browser.getresponse()
        self.type = self.answer.getheader("Content-Type")

    def next(self):
        """(its name, its data); EOFError where the relay has ended the stream."""
        name = ""
        while True:
            line = self.answer.readline().decode()
            if not line:
                raise EOFError
            line = line.rstrip("\n")
            if line.startswith("event: "):
                name = line[len("event: "):]
            if line.startswith("data: "):
                return name, json.loads(line[len("data: "):])

    def close(self):
        self.answer.close()
        self.browser.close()
