"""The relay as its followers see it: docs/relay.md, sentence by sentence, against the real program.

A follower here is Python's own TLS; what a stream must hold is told by the files alone. Usage: relay_test.py [test...]
"""
import contextlib
import datetime
import json
import os
import random
import socket
import ssl
import subprocess
import time

import jsonschema
from cryptography.hazmat.primitives import serialization

from relay_lab import BIN, DAY, NOW, Authority, Lab, check, night, own, records, run_tests, sha256


def whole_answer(lines, expected, run, first=0, closed=True):
    """hello, the records as they stand, their head, the end."""
    check(records(lines) == expected, f"{len(records(lines))} records came, {len(expected)} were expected, or they differ")
    told = own(lines)
    check(told[0] == {"relay": "hello", "format": "nightwell-relay/1", "run": run, "from": first}, f"hello is {told[0]}")
    check(told[-1] == {"relay": "end", "closed": closed}, f"the end is {told[-1]}")
    if expected:
        head = told[-2]
        check(head["relay"] == "head" and head["n"] == first + len(expected) - 1 and head["hash"] == sha256(expected[-1]),
              f"the head is {head}")


def refused(lines, code):
    told = own(lines)
    check(not records(lines) and told and told[-1]["relay"] == "error" and told[-1]["code"] == code,
          f"expected the error {code}, got {lines[:3]}")
    check("/" not in told[-1]["text"], f"the relay's own paths are nobody's business: {told[-1]['text']}")


def closed_journals():
    with Lab() as lab:
        for run, lines in {"a-night": night(3000, size=900), "first-format": night(20, number=1),
                           "longest-lines": night(40, size=65300), "only-opening": night(0, closed=False)[:1]}.items():
            lab.write(run, lines)
        lab.write("no-record", [])
        lab.start()
        for run, closed in (("a-night", True), ("first-format", True), ("longest-lines", True), ("only-opening", False)):
            with open(lab.journal(run), "rb") as f:
                expected = f.read().splitlines()
            whole_answer(lab.ask({"read": run}), expected, run, closed=closed)
            if closed:
                whole_answer(lab.ask({"follow": run}), expected, run)
        whole_answer(lab.ask({"read": "no-record"}), [], "no-record", closed=False)
        with open(lab.journal("a-night"), "rb") as f:
            check(b"\n".join(lab.ask({"read": "a-night", "plain": True})) + b"\n" == f.read(), "plain is not the file")


def goodbye():
    """Who has everything and goes is gone at once: nothing of it waits for a deadline."""
    with Lab() as lab:
        lab.write("a", night(3))
        lab.start()
        lab.ask({"read": "a"})
        descriptors = f"/proc/{lab.process.pid}/fd"
        before = len(os.listdir(descriptors))
        begun = time.monotonic()
        for _ in range(30):
            lab.ask({"read": "a"})
        # Each takes a few milliseconds; a goodbye that waited would hold its connection for 5 s.
        check(time.monotonic() - begun > 4 or len(os.listdir(descriptors)) < before + 10, "connections are left behind")


def places():
    """Every record as the first one, and as the one before it says."""
    with Lab() as lab:
        lines = night(500, size=3000)
        lab.write("a", lines)
        lab.start()
        for n in [1, 2, 7, 100, 255, 256, 257, 499, len(lines) - 1]:
            got = lab.ask({"read": "a", "from": n, "prev": sha256(lines[n - 1])})
            whole_answer(got, lines[n:], "a", first=n)
        whole_answer(lab.ask({"follow": "a", "from": len(lines)}), [], "a", first=len(lines))
        refused(lab.ask({"follow": "a", "from": len(lines) + 1}), "no_such_record")
        refused(lab.ask({"follow": "a", "from": 10 ** 15}), "no_such_record")
        refused(lab.ask({"follow": "a", "from": 9, "prev": sha256(lines[9])}), "changed")


def growing():
    """Lines in pieces of any size, a file that fails and another that goes on, and followers that came at different times."""
    with Lab() as lab:
        chance = random.Random(7)
        lines = night(300, size=2000)
        moved = 180  # written to the first file, and standing again in the second, which goes on from 170
        first, second = b"".join(line + b"\n" for line in lines[:moved]), b"".join(line + b"\n" for line in lines[170:])
        lab.write("a", [])
        lab.start()
        early = lab.connect({"follow": "a"})
        check(early.line().startswith(b'{"relay":"hello"'), "no hello for an empty journal")
        while first:
            size = chance.randrange(1, 9000)
            lab.append("a", first[:size])
            first = first[size:]
        got = [early.record() for _ in range(moved)]
        late = lab.connect({"follow": "a", "from": 100, "prev": sha256(lines[99])}, name="birch")
        late_got = [late.record() for _ in range(moved - 100)]
        lab.append("a", b'{"n":180,"utc":"2026-11-25T')  # torn for ever
        while second:
            size = chance.randrange(1, 9000)
            lab.append("a", second[:size], number=2)
            second = second[size:]
        check(got + records(early.lines()) == lines, "the early follower's copy is not the journal")
        check(late_got + records(late.lines()) == lines[100:], "the late follower's copy is not the journal")
        whole_answer(lab.ask({"read": "a"}), lines, "a")
        whole_answer(lab.ask({"read": "a", "from": 175, "prev": sha256(lines[174])}), lines[175:], "a", first=175)
        told = own(lab.ask({"runs": True}))
        check(told[0]["records"] == len(lines) and told[0]["closed"] and
              told[0]["bytes"] == sum(len(line) + 1 for line in lines), f"the list says {told[0]}")


def several_files():
    """What a file holds behind the next one's begin is passed by, whatever it is; so is a file in which nothing was acknowledged."""
    with Lab() as lab:
        lines = night(60)
        lab.write("a", lines[:20] + [b"anything", b'{"relay":"error"}'])
        lab.write("a", lines[20:40], number=2, end=b"\0" * 100)
        lab.write("a", lines[38:], number=3)
        lab.write("a", [], number=4, end=b'{"n":62,"utc"')
        lab.write("missing", lines[:20])
        lab.write("missing", lines[25:], number=2)
        lab.start()
        whole_answer(lab.ask({"read": "a"}), lines, "a")
        for n in (19, 20, 21, 38, 39, 40, 41):
            whole_answer(lab.ask({"read": "a", "from": n}), lines[n:], "a", first=n)
        got = lab.ask({"read": "missing"})
        check(records(got) == lines[:20] and own(got)[-1]["code"] == "damaged", f"got {got[-1:]}")


def torn_ends():
    """Behind the last whole line nothing is sent, be it unfinished or the zeros of a power cut."""
    with Lab() as lab:
        lines = night(30, closed=False)
        whole = sum(len(line) + 1 for line in lines)
        for run, end in {"unfinished": b'{"n":31,', "zeros": b"\0" * 3000,
                         "zeros-and-lines": b"\0" * (512 - whole % 512) + b'more"}\n{"n":33,\n'}.items():
            lab.write(run, lines, end=end)
        lab.start()
        for run in ("unfinished", "zeros", "zeros-and-lines"):
            whole_answer(lab.ask({"read": run}), lines, run, closed=False)
            told = {line["run"]: line for line in own(lab.ask({"runs": True})) if "run" in line}[run]
            check(told["records"] == 31 and told["bytes"] == whole and not told["closed"], f"{told}")


def damaged():
    with Lab() as lab:
        lines = night(30)
        bad = {"no-record": lines[:9] + [b"hello"] + lines[10:], "a-line-missing": lines[:9] + lines[10:],
               "not-ascii": lines[:9] + [lines[9].replace(b"aaaaa", b"a\xff\x1b[2J")] + lines[10:],
               "a-relay-line": lines[:9] + [b'{"relay":"end","closed":true}'] + lines[9:],
               "too-long": lines[:9] + [lines[9].replace(b"aaaaa", b"a" * 70000)] + lines[10:]}
        for run, content in bad.items():
            lab.write(run, content)
        lab.start()
        for run in bad:
            got = lab.ask({"read": run})
            check(records(got) == lines[:9] and own(got)[-1]["code"] == "damaged", f"{run}: {got[-2:]}")


def changed_while_followed():
    with Lab() as lab:
        lines = night(40, closed=False)
        other = night(40, closed=False, utc="2026-11-25T20:15:00.000001Z")
        longer = night(60, closed=False, utc="2026-11-25T20:15:00.000001Z")

        def cut():
            os.truncate(lab.journal("cut"), 500)

        def written_anew():
            with open(lab.journal("written-anew"), "r+b") as f:
                f.write(b"".join(line + b"\n" for line in longer))

        def swapped():
            lab.write("spare", other)
            os.replace(lab.journal("spare"), lab.journal("swapped"))

        def removed():
            os.remove(lab.journal("removed"))

        acts = {"cut": cut, "written-anew": written_anew, "swapped": swapped, "removed": removed}
        for run in acts:
            lab.write(run, lines)
        lab.start()
        for run, act in acts.items():
            stream = lab.connect({"follow": run})
            check([stream.record() for _ in lines] == lines, "the journal did not come")
            act()
            rest = stream.lines()
            check(not records(rest) and own(rest)[-1]["code"] == "changed", f"{run}: {rest}")
            lab.wait_for_log(f"runs/{run}/journal.ndjson): ")


def requests():
    with Lab() as lab:
        lab.write("a", night(3, utc="2026-11-24T20:15:00.000000Z"))
        lab.write("b", night(4, closed=False, utc="2026-11-25T20:15:00.000000Z"))
        lab.write("unreadable", [b"hello"])
        os.makedirs(os.path.join(lab.runs, "No Run"))
        os.makedirs(os.path.join(lab.runs, "empty"))
        lab.start()
        whole_answer(lab.ask({"read": ""}), night(4, closed=False, utc="2026-11-25T20:15:00.000000Z"), "b", closed=False)
        told = own(lab.ask({"runs": True}))
        check([line.get("run") for line in told] == ["unreadable", "a", "b", None], f"{told}")
        check(told[0]["opened"] is None and told[1]["closed"] and not told[2]["closed"], f"{told}")
        check(told[2] == {"relay": "run", "run": "b", "opened": "2026-11-25T20:15:00.000000Z", "records": 5, "closed": False,
                          "bytes": os.path.getsize(lab.journal("b"))}, f"{told[2]}")
        for request in ("no-such", "empty"):
            refused(lab.ask({"follow": request}), "no_such_run")
        for request in (b"\n", b"hello\n", b'{"follow":"../../etc"}\n', b'{"follow":"a","stop":1}\n', b"[" * 1000 + b"\n",
                        b'{"follow":"' + b"a" * 2000 + b'"}\n', b"GET / HTTP/1.1\n"):
            refused(lab.ask(request), "bad_request")
        lab.wait_for_log("alder (127.0.0.1:")


def refusals():
    """Who shows no certificate that this relay lets in gets nothing, and is in the log."""
    with Lab() as lab:
        lab.write("a", night(3))
        other = Authority(lab.folder, "other")
        other.issue("of-another-authority")
        lab.authority.issue("expired", until=NOW - DAY)
        lab.authority.issue("unlisted")
        lab.config["allow"].append({"name": "expired", "key": lab.authority.issue("expired", until=NOW - DAY)})
        lab.config["allow"].append({"name": "of-another", "key": other.issue("of-another-authority")})
        lab.start()

        def turned_away(text, alert, **how):
            try:
                got = lab.ask({"runs": True}, timeout=10, **how)
                check(False, f"{how}: got {got}")
            except ssl.SSLError as error:
                check(alert in str(error).lower(), f"{how}: told {error}")
            lab.wait_for_log(text)

        turned_away("it is not on the allow-list (/CN=unlisted, sha256:", "bad certificate", name="unlisted")
        turned_away("certificate has expired (/CN=expired)", "certificate expired", name="expired")
        turned_away("unable to get local issuer certificate (/CN=of-another-authority)", "unknown ca", name="of-another-authority")
        turned_away("self-signed certificate (/CN=self-signed)", "unknown ca", name=self_signed(lab))
        turned_away("it showed no certificate", "certificate required", name=None)
        turned_away("it speaks no TLS 1.3", "protocol version", version=ssl.TLSVersion.TLSv1_2)
        turned_away("it does not ask for the protocol that is spoken here", "no application protocol", alpn="http/1.1")
        plain = socket.create_connection(("127.0.0.1", lab.port), 10)
        plain.sendall(b'{"follow":"a"}\n')
        try:
            answer = plain.recv(1000)
        except ConnectionError:
            answer = b""
        check(b"relay" not in answer, "plain text was answered")
        lab.wait_for_log("it does not speak TLS")
        whole_answer(lab.ask({"read": "a"}), night(3), "a")  # and it still serves


def expires():
    """A follower whose certificate runs out while it is connected is dropped, and comes in no more."""
    with Lab() as lab:
        lab.write("a", night(3, closed=False))
        # On a busy machine the shortest may be over before it is shown: then the next one is.
        lives = {f"short-{life_s}": datetime.timedelta(seconds=life_s) for life_s in (6, 18, 54)}
        for name, life in lives.items():
            lab.config["allow"].append({"name": name, "key": lab.authority.issue(name, until=datetime.datetime.utcnow() + life)})
        lab.start()
        for name in lives:
            with contextlib.suppress(ssl.SSLError):
                stream = lab.connect({"follow": "a"}, name=name, timeout=80)
                if stream.record().startswith(b'{"n":0,'):
                    break
        else:
            check(False, "it is not served while it may be")
        stream.lines()
        lab.wait_for_log("dropped: its certificate has expired")
        try:
            check(not lab.ask({"follow": "a"}, name=name), "it was let in again")
        except ssl.SSLError as error:
            check("expired" in str(error), f"told {error}")


def self_signed(lab):
    """An authority that shows its own certificate."""
    alone = Authority(lab.folder, "self-signed")
    alone.write("self-signed.key", alone.key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()), 0o600)
    return "self-signed"


def too_slow():
    """No whole handshake, or no whole request, within 10 s."""
    with Lab() as lab:
        lab.start()
        silent = socket.create_connection(("127.0.0.1", lab.port), 20)
        waits = lab.connect(b'{"follow":')
        lab.wait_for_log("no whole handshake within 10 s")
        lab.wait_for_log("followers alder (127.0.0.1")
        check(silent.recv(10) == b"", "the silent one was answered")
        check(waits.lines() == [], "the slow one was answered")


def sends_more():
    with Lab() as lab:
        lab.write("a", night(3, closed=False))
        lab.start()
        at_once = lab.connect(b'{"follow":"a"}\n{"follow":"a"}\n')
        check(at_once.lines() == [], "it was served all the same")
        lab.wait_for_log("alder (127.0.0.1")
        later = lab.connect({"follow": "a"}, name="birch")
        later.record()
        later.sock.sendall(b"\n")
        later.lines()
        lab.wait_for_log("dropped: it sent something behind its request")


def stalled():
    """One that stops reading is dropped after stalled_s, and holds up nobody meanwhile."""
    with Lab(stalled_s=5) as lab:
        lines = night(9000, size=900)
        lab.write("a", lines)
        lab.start()
        stuck = lab.connect({"follow": "a"}, receive_buffer=32768)
        check(stuck.record() == lines[0], "the first record did not come")
        whole_answer(lab.ask({"read": "a"}, name="birch"), lines, "a")
        lab.wait_for_log("followers alder (127.0.0.1")
        lab.wait_for_log("dropped: it took nothing for 5 s")
        stuck.close()


def many_at_once():
    with Lab() as lab:
        lines = night(400, closed=False, size=500)
        rest = night(400, size=500)[len(lines):]
        lab.write("a", lines)
        lab.start()
        streams = [lab.connect({"follow": "a", "from": i * 7}) for i in range(50)]
        got = [[stream.record() for _ in lines[i * 7:]] for i, stream in enumerate(streams)]
        lab.append("a", b"".join(line + b"\n" for line in rest))
        for i, stream in enumerate(streams):
            check(got[i] + records(stream.lines()) == (lines + rest)[i * 7:], f"follower {i}'s copy is not the journal")


def full():
    """At most so many, and of one name half of them: one that connects again and again leaves places for the others."""
    with Lab(followers=4) as lab:
        lab.write("a", night(3, closed=False))
        lab.start()
        held = [lab.connect({"follow": "a"}) for _ in range(2)]
        for stream in held:
            stream.record()
        refused(lab.ask({"follow": "a"}), "full")
        lab.wait_for_log("refused: 2 of this name are connected already")
        held += [lab.connect({"follow": "a"}, name="birch") for _ in range(2)]
        for stream in held[2:]:
            stream.record()
        refused(lab.ask({"follow": "a"}, name="birch"), "full")
        lab.wait_for_log("refused: 4 are connected already")
        held[0].close()
        lab.wait_for_log("is gone")
        again = lab.connect({"follow": "a"})
        check(again.record().startswith(b'{"n":0,'), "there is room again, and it is not served")


def given_away():
    """What the kernel says of the process once it serves."""
    with Lab() as lab:
        lab.write("a", night(3))
        lab.start()
        lab.ask({"read": "a"})
        with open(f"/proc/{lab.process.pid}/status") as f:
            status = dict(line.split(":", 1) for line in f.read().splitlines())
        status = {key: value.strip() for key, value in status.items()}
        check(status["NoNewPrivs"] == "1" and status["Threads"] == "1", f"{status}")
        check(status["Seccomp"] == "2" or "no seccomp" in "\n".join(lab.log), "no system-call filter, and nobody said so")
        for kind in ("CapInh", "CapPrm", "CapEff", "CapBnd", "CapAmb"):
            check(int(status[kind], 16) == 0 or kind == "CapBnd" and os.getuid() != 0, f"{kind} is {status[kind]}")


def a_sound_start():
    """What is wrong with the start is said with its place, and ends with 2; a key that others may read, with 3."""
    with Lab() as lab:
        def ended(code, text, **changes):
            done = subprocess.run([os.path.join(os.environ["NIGHTWELL_BIN_DIR"], "nightwell-relay"),
                                   lab.write_config(**changes)], capture_output=True, text=True, timeout=60, check=False)
            check(done.returncode == code and text in done.stderr, f"{changes}: {done.returncode}, {done.stderr}")
        ended(2, "/listen: found \"7440\"", listen="7440")
        ended(2, "/allow/0/key", allow=[{"name": "alder", "key": "md5:0"}])
        ended(2, "the unknown key \"control\"", control="/run/nightwell")
        ended(2, "no-such.pem", certificate="no-such.pem")
        ended(2, "it is not the key of", key="alder.key")
        ended(2, "looking for the runs", state="/nonexistent")
        os.chmod(os.path.join(lab.folder, "relay.key"), 0o640)
        ended(3, "chmod 600")
        os.chmod(os.path.join(lab.folder, "relay.key"), 0o600)
        lab.start()
        ended(3, "listening for followers", listen=f"127.0.0.1:{lab.port}")
        lab.process.terminate()
        check(lab.process.wait(60) == 0, "SIGTERM does not end it well")


def agrees_with_its_schema():
    """A configuration that the schema refuses is refused, and one that it takes is taken as far as the runs folder."""
    with open(os.path.join(os.environ["NIGHTWELL_SOURCE_DIR"], "profiles/schema/relay.schema.json"), encoding="utf-8") as f:
        schema = json.load(f)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    key = "sha256:" + "0a" * 32
    numbers, addresses = [0, 1, 5, 1000, 1001, 3600, 3601, 2.5, "60", None], [
        "192.0.2.7:0", "[2001:db8::7]:65535", "192.0.2.7:65536", "192.0.2.7", ":7440", "localhost:7440", 7440, None]
    bent = [{key: value} for key in ("followers", "stalled_s") for value in numbers]
    bent += [{"listen": value} for value in addresses] + [{"page": {"listen": value}} for value in addresses]
    bent += [{}, {"page": {}}, {"page": {"metrics": True}}, {"page": {"metrics": "yes"}}, {"page": {"colour": 1}}, {"page": []},
             {"format": "x"}, {"state": "runs"}, {"state": ""}, {"certificate": ""}, {"key": 7}, {"authority": "a" * 1001},
             {"allow": []}, {"allow": [{"name": "a"}]}, {"allow": [{"name": "", "key": key}]}, {"allow": [{"name": "a", "key": key}]},
             {"allow": [{"name": "a", "key": key.upper()}]}, {"allow": [{"name": "a" * 101, "key": key}]},
             {"allow": [{"name": "a", "key": key, "until": "2027"}]}, {"allow": {"name": "a", "key": key}}]
    answers = set()
    with Lab() as lab:
        lab.config["state"] = "/nonexistent"
        for changes in bent:
            valid = validator.is_valid({**lab.config, **changes})
            done = subprocess.run([f"{BIN}/nightwell-relay", lab.write_config(**changes)], capture_output=True, text=True,
                                  timeout=60, check=False)
            taken = any(text in done.stderr for text in ("looking for the runs", "listening for ", "reading a"))
            # 3: the page's usual port belongs to another relay of this computer; the configuration was taken as far as that.
            as_should = done.returncode == 2 or done.returncode == 3 and "listening for page" in done.stderr
            check(as_should and taken == valid, f"{changes}: schema {valid}, relay {done.stderr}")
            answers.add(valid)
    check(answers == {True, False}, "only one answer was tried")


def knows_no_control():
    """Nothing of the daemon, its guardian, instruments or commands is linked in; the daemon, by the same look, has all of it."""
    def rooms(program):
        path = os.path.join(os.environ["NIGHTWELL_BIN_DIR"], program)
        symbols = subprocess.run(["nm", "-C", path], capture_output=True, text=True, check=True).stdout
        return {room for room in ("daemon", "guardian", "instrument", "drivers", "cli") if f"nightwell::{room}::" in symbols}
    check({"daemon", "guardian", "instrument"} <= rooms("nightwelld"), "this look sees nothing")
    check(not rooms("nightwell-relay"), f"the relay holds code of {rooms('nightwell-relay')}")


run_tests([closed_journals, goodbye, places, growing, several_files, torn_ends, damaged, changed_while_followed, requests,
           refusals, expires, too_slow, sends_more, stalled, many_at_once, full, given_away, knows_no_control, a_sound_start,
           agrees_with_its_schema])
