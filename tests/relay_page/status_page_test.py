"""The status page and the metrics as a browser and a monitoring program see them: docs/relay.md against the real program.

A client here is Python's own TLS and HTTP. Usage: status_page_test.py [test...]
"""
import os
import re
import shutil
import subprocess
import time

import openmetrics_check
from page_lab import HOSTILE, Events, PageLab, begun, check, fields, opening, phase, sweep
from relay_lab import run_tests
from written_journals import Record, Seal, chain, closing, note


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


def another_run_begins():
    with PageLab() as lab:
        lab.write("cold-1", chain(begun()))
        lab.start()
        lab.until("/", "14.2500 °C")
        events = Events(lab)
        events.next()
        later = begun(job="probes 9 to 16", utc="2026-11-26T20:15:00.000000Z")
        lab.write("cold-2", chain([*later, sweep(1, 14.5), sweep(2, 14.75)]))
        while "probes 9 to 16" not in (parts := events.next()[1].get("parts", {})).get("now", ""):
            pass
        check("course" in parts, "the plot is still that of the run before")
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


def a_dead_computers_journal():
    """What a power cut leaves, growing old: nothing is damaged, nothing is of now, and in the end somebody must look."""
    with PageLab() as lab:
        lab.write("torn-1", chain(begun()), end=b"\0" * 100000)
        lab.start()
        lab.until("/run/torn-1", "14.2500 °C")
        events, parts = Events(lab, "/events?run=torn-1"), {}

        def until(holds, what):
            while not parts or not holds():
                name, told = events.next()
                check(name == "parts", what)
                parts.update(told["parts"])

        until(lambda: "readings a second" in parts["journal"], "it has no readings in the last minute")
        for age_s, holds in ((120, lambda: "readings a second" not in parts["journal"]), (400, lambda: "Silent" in parts["now"])):
            os.utime(lab.journal("torn-1"), (time.time() - age_s,) * 2)
            until(holds, f"the page of a journal that is {age_s} s old stays as it was")
        check("cannot be read" not in parts["now"], "a torn end is taken for damage")
        text = lab.get("/metrics")[2]
        check("nightwell_reading_rate_hertz{" not in text, "readings a second that were long ago")
        check('\nnightwell_journal_unreadable{bench="cold room"} 0\n' in text, "it is called unreadable")
        events.close()


def a_run_that_is_taken_away():
    with PageLab() as lab:
        lab.write("cold-1", chain(begun()))
        lab.write("old-1", chain(begun(utc="2026-11-20T20:15:00.000000Z")))
        lab.start()
        lab.until("/run/old-1", "14.2500 °C")
        events = Events(lab, "/events?run=old-1")
        events.next()
        os.rename(os.path.join(lab.runs, "old-1"), os.path.join(lab.folder, "old-1"))
        try:
            while True:
                check(events.next()[0] != "alive", "nothing says that the run is no longer there")
        except EOFError:
            pass
        status, _, body = lab.get("/run/old-1")
        said = "404 Not Found\nThere is no run of this name in the runs folder, or no longer.\n"
        check(status == 404 and body == said, f"{status} {body!r}")
        check(lab.get("/nowhere")[2] == "404 Not Found\n", "what was never a run's address")


def a_runs_folder_that_cannot_be_read():
    with PageLab() as lab:
        lab.start()
        events, away = Events(lab), lab.runs + "-away"
        check(list(events.next()[1]["parts"]) == ["benches"], "more parts than there are")
        for known in ("no run", "a run"):
            os.rename(lab.runs, away)
            text = ""
            while "The runs folder cannot be read" not in text:
                name, told = events.next()
                check(name == "parts", f"{known}: nothing says that the folder is not there")
                text = told["parts"].get("folder", "")
            check("No such file or directory" in text, f"it does not say why: {text}")
            check(told["order"][0] == "folder", f"it does not stand first: {told['order']}")
            for address in ("/", "/run/cold-1") if known == "a run" else ("/",):
                body = lab.get(address)[2]
                parts = len(told["order"]) - (address != "/")
                check(text in body and body.count("<section") == parts, f"{address} is another page than what follows")
                check("There is no run here yet" not in body, f"{address} says of the folder what nobody knows")
                check(lab.folder not in body, f"{address} tells where the lab's folders are")
                check(("14.2500 °C" in body) == (known == "a run"), f"{address}, {known}: {body}")
            families = lab.get("/metrics")[2]
            check("\nnightwell_relay_runs_unreadable 1\n" in families, "no metric of it")
            check(('\nnightwell_run_open{bench="cold room"} 1\n' in families) == (known == "a run"), "what was known is forgotten")
            os.rename(away, lab.runs)
            while "folder" in told["order"]:
                name, told = events.next()
                check(name == "parts", f"{known}: nothing says that the folder is there again")
            check("\nnightwell_relay_runs_unreadable 0\n" in lab.get("/metrics")[2], "the metric stays")
            if known == "no run":
                lab.write("cold-1", chain(begun()))
                lab.until("/", "14.2500 °C")
        events.close()


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


run_tests([pages, who_may, requests_that_are_refused, growing, another_run_begins, hostile_text, damaged_and_long,
           a_dead_computers_journal, a_run_that_is_taken_away, a_runs_folder_that_cannot_be_read, streams_have_a_limit, metrics])
