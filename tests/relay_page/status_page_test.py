"""The status page and the metrics as a browser and a monitoring program see them: docs/relay.md against the real program.

A client here is Python's own TLS and HTTP. Usage: status_page_test.py [test...]
"""
import http.client
import json
import os
import re
import shutil
import socket
import subprocess
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path[:0] = [HERE, os.path.join(HERE, "..", "relay")]

import openmetrics_check  # noqa: E402
from relay_lab import Lab, check, run_tests  # noqa: E402
from written_journals import Record, Seal, chain, closing, note  # noqa: E402

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
                                  at_s=[0.0], raw=[t_c]))


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
        """(its name, its data)"""
        name = ""
        while True:
            line = self.answer.readline().decode().rstrip("\n")
            if line.startswith("event: "):
                name = line[len("event: "):]
            if line.startswith("data: "):
                return name, json.loads(line[len("data: "):])

    def close(self):
        self.answer.close()
        self.browser.close()


def pages():
    with PageLab() as lab:
        lab.write("cold-1", chain(begun()))
        lab.write("old-1", chain(begun(utc="2026-11-20T20:15:00.000000Z") + [closing(), Seal()]))
        lab.start()
        body = lab.until("/", "14.2500 °C")
        for text in ("cold room", "probes 1 to 8", "approach", "plateau 1 of 1", "/run/old-1", "<svg" if "<svg" in body else "15 °C"):
            check(text in body, f"the page does not hold {text!r}")
        body = lab.until("/run/old-1", "finished")
        check('data-events="/events?run=old-1"' in body, "the page of a run follows another")
        for path in ("/run/none", "/run/", "/run/../cold-1", "/run/%2e%2e/x", "/run/COLD-1", "/etc/passwd", "/run/cold-1/", "/events?run=none"):
            check(lab.get(path)[0] == 404, f"{path} is not 404")
        for path in ("/", "/run/cold-1", "/page.css", "/page.js", "/metrics", "/nowhere"):
            status, headers, body = lab.get(path)
            policy = headers["Content-Security-Policy"]
            check(policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self';") and
                  "unsafe" not in policy, f"{path}: the policy is {policy}")
            check(headers["X-Content-Type-Options"] == "nosniff" and int(headers["Content-Length"]) == len(body.encode()), path)
            head_status, head_headers, head_body = lab.get(path, method="HEAD")
            check((head_status, head_body) == (status, "") and head_headers["Content-Type"] == headers["Content-Type"], path)
        status, headers, _ = lab.get("/page.js")
        check(lab.get("/page.js", headers={"If-None-Match": headers["ETag"]})[0] == 304, "what is there already is sent again")


def who_may():
    with PageLab(names=("alder",)) as lab:
        lab.authority.issue("stranger")
        lab.write("cold-1", chain(begun()))
        lab.start()
        check(lab.get("/", name="alder")[0] == 200, "who is on the list does not see the page")
        for name in ("stranger", None):
            try:
                lab.get("/", name=name)
            except OSError:
                continue
            raise AssertionError(f"{name} saw the page")
        lab.wait_for_log("page 127.0.0.1")


def requests_that_are_refused():
    with PageLab(metrics=False) as lab:
        lab.write("cold-1", chain(begun()))
        lab.start()
        check(lab.get("/metrics")[0] == 404, "metrics that nobody asked for")
        for method in ("POST", "PUT", "DELETE", "OPTIONS", "TRACE"):
            status, headers, _ = lab.get("/", method=method)
            check(status == 405 and headers["Allow"] == "GET, HEAD", f"{method} is answered with {status}")
        check(b" 431 " in lab.raw(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"a" * 9000 + b"\r\n\r\n").split(b"\r\n")[0], "a long head")
        check(b" 413 " in lab.raw(b"GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\nabc").split(b"\r\n")[0], "a body")
        check(b" 400 " in lab.raw(b"\x00\x01\x02\r\n\r\n").split(b"\r\n")[0], "no request at all")
        two = lab.raw(b"GET /page.css HTTP/1.1\r\nHost: x\r\n\r\nGET /page.js HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        check(two.count(b"HTTP/1.1 200 OK") == 2, "two requests on one connection")


def growing():
    with PageLab() as lab:
        lines = chain(begun() + [sweep(1, 14.5), phase("settle", "in the band")])
        lab.write("cold-1", lines[:5])
        lab.start()
        lab.until("/", "14.2500 °C")
        events = Events(lab, "/events?run=cold-1")
        check(events.type == "text/event-stream", f"the type is {events.type}")
        name, told = events.next()
        check(name == "parts" and "14.2500 °C" in told["parts"]["now"], "the first event is not the run as it stands")
        lab.append("cold-1", b"".join(line + b"\n" for line in lines[5:]))
        parts = {}
        while "settle" not in parts.get("now", "") or "14.5000 °C" not in parts["now"]:
            name, told = events.next()
            parts.update(told.get("parts", {}))
        check("in the band" in parts["events"], "the event is not told")
        body = lab.get("/run/cold-1")[2]
        check(parts["now"] in body, "the part that was sent is not the page's")
        events.close()


def hostile_text():
    with PageLab() as lab:
        records = [opening(bench=HOSTILE, job=HOSTILE), phase(HOSTILE, HOSTILE),
                   Record("source", fields(source=HOSTILE, target_c=1.0, temperature_c=1.0, output=True)),
                   Record("source", fields(source=HOSTILE.replace("\x1b", "\\x1b"), target_c=1.0, temperature_c=1.0, output=True)),
                   Record("fault", fields(instrument=HOSTILE, code=HOSTILE, text=HOSTILE)),
                   Record("storage", fields(event=HOSTILE, text=HOSTILE)),
                   Record("ask", fields(text=HOSTILE, source=HOSTILE))]
        lab.write("cold-1", chain(records))
        lab.start()
        body = lab.until("/", "&lt;script&gt;")
        check(body.count("<script") == 1 and "<script src=\"/page.js\" defer></script>" in body, "a script came in")
        for bad in ("\x1b", "\u202e", "\n]]>"):
            check(bad not in body, f"{bad!r} came through")
        form = {"Accept": "application/openmetrics-text; version=1.0.0, text/plain; q=0.5"}
        families = openmetrics_check.check(lab.get("/metrics", headers=form)[2].encode())
        check("nightwell_source_faults" in families, "the fault is not counted")


def damaged_and_long():
    with PageLab() as lab:
        lines = chain([opening(), *[note("x" * 50) for _ in range(3000)], phase("settle")])
        lab.write("long-1", lines)
        damaged = chain([opening(bench="hot room"), note("a"), note("b")])
        damaged[1] = damaged[1].replace(b'"text":"a"', b'"text":"c"')
        lab.write("bad-1", damaged)
        lab.start()
        lab.until("/run/long-1", '<span class="state">settle</span>')
        body = lab.until("/run/bad-1", "cannot be read further")
        check("record 2" in body, "it does not say where")


def streams_have_a_limit():
    with PageLab() as lab:
        lab.write("cold-1", chain(begun()))
        lab.start()
        lab.until("/", "14.2500 °C")
        open_ones = [Events(lab) for _ in range(32)]
        check(lab.get("/events")[0] == 503, "one stream too many was let in")
        check("\nnightwell_relay_page_streams 32\n" in lab.get("/metrics")[2], "the metrics count others")
        check(lab.get("/")[0] == 200, "the page waits for streams")
        for stream in open_ones:
            stream.close()


def metrics():
    check(openmetrics_check.check_the_check() is None, "")
    with PageLab() as lab:
        lab.write("cold-1", chain(begun() + [Record("disk", fields(syncs=4, mean_s=0.5, largest_s=1.5, copy_behind_bytes=7, asked_again={"a": 1}))]))
        lab.write("hot-1", chain(begun(bench="hot room") + [closing(), Seal()]))
        lab.start()
        lab.until("/run/cold-1", "14.2500 °C")
        lab.until("/run/hot-1", "finished")
        status, headers, text = lab.get("/metrics", headers={"Accept": "application/openmetrics-text"})
        check(headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0"), headers["Content-Type"])
        families = openmetrics_check.check(text.encode())
        with open(os.path.join(os.environ["NIGHTWELL_SOURCE_DIR"], "docs", "relay.md")) as document:
            told = set(re.findall(r"^\| `(nightwell_\w+)`", document.read(), re.MULTILINE))
        known = set(families)
        rare = {"nightwell_run_hooks", "nightwell_reading_faults", "nightwell_source_faults", "nightwell_journal_storage_events", "nightwell_relay_lag_bytes",
                "nightwell_source_temperature_celsius"}
        check(known <= told, f"docs/relay.md does not list {known - told}")
        check(told - rare <= known, f"docs/relay.md lists what is not there: {told - rare - known}")
        for line in ('nightwell_reference_temperature_celsius{bench="cold room"} 14.25', 'nightwell_run_open{bench="hot room"} 0',
                     'nightwell_run_state{bench="hot room",nightwell_run_state="finished"} 1',
                     'nightwell_journal_sync_seconds_sum{bench="cold room"} 2'):
            check(f"\n{line}\n" in text, f"the metrics lack {line}")
        status, headers, text = lab.get("/metrics")
        check(headers["Content-Type"].startswith("text/plain; version=0.0.4"), headers["Content-Type"])
        promtool(text)


def promtool(text):
    program = shutil.which("promtool")
    if not program:
        print("skipped metrics, its check by promtool: promtool (Debian: prometheus) is not installed", flush=True)
        return
    done = subprocess.run([program, "check", "metrics"], input=text, text=True, capture_output=True)
    check(done.returncode == 0 and not done.stdout + done.stderr, f"promtool: {done.stdout}{done.stderr}")


run_tests([pages, who_may, requests_that_are_refused, growing, hostile_text, damaged_and_long, streams_have_a_limit, metrics])
