"""Hooks: people are told, and nothing that a hook does holds a run up or gets unescaped into log or journal.

Needs python3-jsonschema besides the standard library, to hold the hooks file's schema against the daemon.
"""
import copy
import email
import email.policy
import json
import os
import re
import signal
import subprocess

import jsonschema

from lab import BIN, PLATINUM, SOURCE, Bench, Lab, check, lasting, main, profile, wait_for, write

HOSTILE = "\x1b]52;c;aGVsbG8=\x07\x1b[2J\u202e\r\n\"}\n"


class Hooks:
    """Programs and the file that names them."""

    def __init__(self, lab):
        self.lab = lab
        self.folder = os.path.join(lab.folder, "hooks")
        os.makedirs(self.folder, mode=0o755)
        self.file = {"format": "nightwell-hooks/1", "hooks": []}

    def path(self, name):
        return os.path.join(self.folder, name)

    def program(self, name, text, mode=0o755):
        with open(self.path(name), "w") as f:
            f.write(text)
        os.chmod(self.path(name), mode)
        return self.path(name)

    def add(self, name, on, text, within_s=120, **more):
        """They run at nice 10: on a busy machine what takes a moment takes half a minute."""
        self.file["hooks"].append(dict({"name": name, "on": on, "run": [self.program(name, text), "an argument"],
                                        "within_s": within_s}, **more))
        return self

    def add_recorder(self, name, on, **more):
        """Keeps what it is given: its line, environment, descriptors, place."""
        return self.add(name, on, f"""#!/usr/bin/python3
import json, os, sys
line = sys.stdin.buffer.read()
facts = {{"line": line.decode(), "argv": sys.argv, "environment": dict(os.environ), "folder": os.getcwd(),
          "files": sorted(int(n) for n in os.listdir("/proc/self/fd")), "nice": os.nice(0),
          "leads_its_group": os.getpgid(0) == os.getpid()}}
with open({self.path(name + ".told")!r}, "a") as f:
    f.write(json.dumps(facts) + "\\n")
print("told")
""", **more)

    def told(self, name):
        try:
            with open(self.path(name + ".told")) as f:
                return [json.loads(line) for line in f]
        except FileNotFoundError:
            return []

    def option(self):
        return ["--hooks", write(os.path.join(self.lab.folder, "hooks.json"), self.file)]

    def outcomes(self, run, name):
        return [r for r in self.lab.records(run, "hook") if r["hook"] == name]


def exact_line(lab, run, n):
    with open(lab.journal(run), "rb") as f:
        return f.read().split(b"\n")[n].decode() + "\n"


def log_of(lab):
    with open(os.path.join(lab.folder, "daemon.err"), "rb") as f:
        return f.read()


def gone(pid):
    try:
        with open(f"/proc/{pid}/stat") as f:
            return f.read().rsplit(")", 1)[1].split()[0] == "Z"
    except FileNotFoundError:
        return True


# --- the tests ----------------------------------------------------------------------------------------------------------------

def hostile_hooks_hold_nothing_up():
    """Hang, flood, fork, lie, die and be changed, all in one night; and a good one beside them is told everything."""
    with Lab(speed=600) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        hooks = Hooks(lab)
        hooks.add("hangs", ["started"], "#!/bin/sh\ntrap '' TERM\necho here I stay\nsleep 1000 & wait; sleep 1000\n", within_s=2)
        hooks.add("sleeps", ["started"], "#!/bin/sh\nexec sleep 1000\n", within_s=1)
        hooks.add("floods", ["started"], "#!/bin/sh\necho begin\nexec head -c 100000000 /dev/zero\n")
        hooks.add("forks", ["started"], f"#!/bin/sh\nsleep 1000 &\necho $! >{hooks.path('grandchild')}\n")
        hooks.add("lies", ["started"], f"#!/usr/bin/python3\nimport sys\nsys.stdout.write({HOSTILE!r})\nsys.exit(1)\n")
        hooks.add("dies", ["started"], "#!/bin/sh\nkill -9 $$\n")
        hooks.add("changes", ["started"], "#!/bin/sh\necho never\n")
        hooks.add("elsewhere", ["started"], "#!/bin/sh\necho never\n", benches=["another bench"])
        hooks.add("script", ["started"], "\x7fno program\n")
        hooks.add_recorder("good", ["started", "held", "settled", "parked", "finished"], benches=["one"])
        lab.start_sim(bench)
        lab.start_daemon(*hooks.option())
        os.chmod(hooks.path("changes"), 0o757)
        hostile = ("hangs", "sleeps", "floods", "forks", "lies", "dies", "changes", "script")
        run = lab.start(bench.files(lasting(profile([24, 25]))))
        lab.wait_state(run, "approach", "settle")
        lab.command("hold", run)
        wait_for(lambda: all(hooks.outcomes(run, name) for name in hostile), 180)  # the night would be over before
        lab.command("resume", run)
        lab.command("skip", run)
        lab.wait_state(run, "finished")
        wait_for(lambda: len(hooks.told("good")) == 4, 120)
        lab.command("verify", run)

        only = {name: hooks.outcomes(run, name)[0] for name in hostile}
        got = {name: (r["outcome"], r["exit"], r["signal"]) for name, r in only.items()}
        check(got == {"hangs": ("time_limit", None, signal.SIGKILL), "sleeps": ("time_limit", None, signal.SIGTERM),
                      "floods": ("done", 0, None), "forks": ("done", 0, None), "lies": ("exit", 1, None),
                      "dies": ("signal", None, signal.SIGKILL), "changes": ("not_started", None, None),
                      "script": ("not_started", None, None)}, f"{got}")
        check(only["hangs"]["text"] == "here I stay", only["hangs"]["text"])
        check(only["hangs"]["took_s"] >= 4, "SIGTERM after its two seconds, SIGKILL two seconds later")
        check(only["floods"]["text"].startswith("begin\\x0a\\x00") and len(only["floods"]["text"]) < 2100, "shortened")
        check("others may write" in only["changes"]["text"], only["changes"]["text"])
        check("Exec format" in only["script"]["text"], only["script"]["text"])
        check(not hooks.outcomes(run, "elsewhere"), "another bench's hook")
        check(not hooks.outcomes(run, "hangs")[1:], "told once")
        with open(hooks.path("grandchild")) as f:
            check(gone(int(f.read())), "the grandchild is gone with its hook")

        # Nothing hostile in log or journal: printable ASCII there, and in the log UTF-8 without control characters.
        with open(lab.journal(run), "rb") as f:
            check(re.fullmatch(rb"[\x20-\x7e\n]*", f.read()), "the journal is printable")
        log = log_of(lab).decode()
        check(not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", log), "the log is printable")
        check("hook lies, started: exit 1" in log and "\\x1b]52" in log, "and says what happened")

        # Told, each once, exactly what is on disk; and that it was told stands in the journal.
        told = hooks.told("good")
        check([t["environment"]["NIGHTWELL_EVENT"] for t in told] == ["started", "held", "settled", "finished"], f"{told}")
        for t in told:
            check(t["line"] == exact_line(lab, run, json.loads(t["line"])["n"]), "the record's exact line")
        recorded = hooks.outcomes(run, "good")
        check([(r["event"], r["outcome"], r["text"]) for r in recorded[:2]] ==
              [("started", "done", "told"), ("held", "done", "told")], f"{recorded}")
        check([r["record"] for r in recorded[:2]] == [json.loads(t["line"])["n"] for t in told[:2]], "n of the record")
        wait_for(lambda: b"hook good, finished: done" in log_of(lab), 120)  # behind the closing record: in the log

        # What a program gets, and no more.
        first = told[0]
        check(first["argv"] == [hooks.path("good"), "an argument"], f"{first['argv']}")
        environment = {key: value for key, value in first["environment"].items() if key != "LC_CTYPE"}  # Python's own
        check(environment == {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8",
                              "NIGHTWELL_HOOK": "good", "NIGHTWELL_EVENT": "started", "NIGHTWELL_RUN": run,
                              "NIGHTWELL_BENCH": "one", "NIGHTWELL_JOURNAL": lab.journal(run)}, f"{environment}")
        check(first["folder"] == "/" and first["nice"] == 10 and first["leads_its_group"], f"{first}")
        check(len(first["files"]) == 4, f"0, 1, 2 and the listing's own: {first['files']}")

        # A daemon that waited for what hangs would have been blind for its two seconds, or for the two before SIGKILL.
        end_s, half_s = only["hangs"]["up_s"], 2 * lab.speed
        for from_s, to_s in ((end_s - 2 * half_s, end_s - half_s), (end_s - half_s, end_s)):
            begun = [r["started_s"] for r in lab.records(run, "sweep") if from_s <= r["started_s"] < to_s]
            check(begun, f"no sweep between {from_s} s and {to_s} s, while a hook hung")


def refuses_files_that_will_not_do():
    """Every fault with its place, exit code 2; what the schema refuses the daemon refuses too, and the other way round."""
    with Lab() as lab:
        hooks = Hooks(lab)
        hooks.add("good", ["parked"], "#!/bin/sh\n")
        good = hooks.file

        def bent(change):
            file = copy.deepcopy(good)
            change(file, file["hooks"][0])
            return file

        def refused(file):
            done = subprocess.run([f"{BIN}/nightwelld", "--runtime", f"{lab.folder}/runtime", "--state", f"{lab.folder}/state",
                                   "--hooks", write(f"{lab.folder}/bent.json", file)], capture_output=True, text=True, timeout=60)
            check(done.returncode == 2, f"{file}: exit {done.returncode}")
            return done.stderr

        with open(f"{SOURCE}/profiles/schema/hooks.schema.json") as f:
            schema = json.load(f)
        jsonschema.Draft202012Validator.check_schema(schema)
        judge = jsonschema.Draft202012Validator(schema)
        check(judge.is_valid(good), "the good one")
        for change, place in ((lambda f, h: f.pop("format"), "/format"), (lambda f, h: f.update(hooks=[]), "/hooks"),
                              (lambda f, h: f.update(more=1), "/more"), (lambda f, h: h.pop("name"), "/hooks/0/name"),
                              (lambda f, h: h.update(name="Mail!"), "/hooks/0/name"),
                              (lambda f, h: h.update(on=[]), "/hooks/0/on"),
                              (lambda f, h: h.update(on=["parked", "praked"]), "/hooks/0/on/1"),
                              (lambda f, h: h.update(on=["parked", "parked"]), "/hooks/0/on"),
                              (lambda f, h: h.update(run=[]), "/hooks/0/run"),
                              (lambda f, h: h.update(run=["mail"]), "/hooks/0/run/0"),
                              (lambda f, h: h["run"].append("a\nb"), "/hooks/0/run/2"),
                              (lambda f, h: h.update(within_s=0), "/hooks/0/within_s"),
                              (lambda f, h: h.update(within_s=601), "/hooks/0/within_s"),
                              (lambda f, h: h.update(benches=[""]), "/hooks/0/benches/0"),
                              (lambda f, h: h.update(bench="one"), "/hooks/0/bench")):
            file = bent(change)
            check(not judge.is_valid(file), f"the schema takes {file}")
            said = refused(file)
            check(f"bent.json: {place}" in said, f"expected {place}: {said}")
        # What no schema can know.
        check("a name of its own" in refused(bent(lambda f, h: f["hooks"].append(dict(h)))), "two of one name")
        for name, mode, said in (("writable", 0o777, "others may write"), ("plain", 0o644, "may run")):
            path = hooks.program(name, "#!/bin/sh\n", mode)
            text = refused(bent(lambda f, h: h.update(run=[path])))
            check("/hooks/0/run/0" in text and said in text, text)
        check("No such file" in refused(bent(lambda f, h: h.update(run=["/nowhere/to/be/found"]))), "no such program")
        for text, said in (("mail root\n", "#!/usr/bin/env python3"), ("#!/bin/sh\r\n", "CR LF"), ("#!/bin/no-shell\n", '"/bin/no-shell": No such')):
            path = hooks.program("script", text)
            check(said in (told := refused(bent(lambda f, h: h.update(run=[path])))), told)
        os.chmod(hooks.folder, 0o777)
        check("others may write" in refused(good), "a folder in which others can put another program")
        os.chmod(hooks.folder, 0o755)
        link = os.path.join(lab.folder, "link")
        os.symlink(hooks.path("writable"), link)
        check("others may write" in refused(bent(lambda f, h: h.update(run=[link]))), "what is behind a link counts")


def tells_of_a_night_that_a_daemon_did_not_survive():
    """The next daemon tells, once; what runs when a daemon ends is waited for."""
    with Lab(speed=300) as lab:
        bench = Bench(lab.folder, "one").simple(items=1)
        hooks = Hooks(lab)
        hooks.add_recorder("good", ["unclosed", "parked", "closed_parked"])
        lab.start_sim(bench)
        lab.start_daemon(*hooks.option())
        run = lab.start(bench.files(profile([110])))
        wait_for(lambda: lab.state_of(run) == "approach", 60)
        lab.kill(lab.daemon)
        lab.start_daemon(*hooks.option())
        wait_for(lambda: hooks.told("good"), 120)
        line = json.loads(hooks.told("good")[0]["line"])
        check(sorted(line) == ["kind", "run", "text", "utc"] and line["kind"] == "unclosed" and line["run"] == run, f"{line}")
        wait_for(lambda: not lab.guardians(), 60)
        again = lab.start(bench.files(profile([110])))
        wait_for(lambda: lab.state_of(again) == "approach", 60)
        lab.daemon.send_signal(signal.SIGTERM)
        check(lab.daemon.wait(60) == 0, "a clean end")
        events = [t["environment"]["NIGHTWELL_EVENT"] for t in hooks.told("good")]
        check(events == ["unclosed", "parked", "closed_parked"], f"{events}")
        lab.start_daemon(*hooks.option())
        check(lab.state_of(again) == "parked", f"a sealed journal is closed: {lab.state_of(again)}")
        lab.daemon.terminate()
        lab.daemon.wait(60)
        check(len(hooks.told("good")) == 3, "told once, and of a closed run never")


def the_examples_do_what_they_say():
    """demo/hooks with a sendmail and a mosquitto_pub that only keep what they are given; the record is as bad as records get."""
    with Lab() as lab:
        record = json.dumps({"n": 812, "utc": "2026-11-26T02:14:05.000250Z", "up_s": 1.0, "kind": "phase", "phase": "parked",
                             "why": "scanner-a:\nBcc: all@example.org\n.\n\x1b[2J\u202e", "prev": "0" * 64}) + "\n"
        keeper = os.path.join(lab.folder, "keeper")
        with open(keeper, "w") as f:
            f.write(f"#!/bin/sh\nprintf '%s\\n' \"$@\" >{keeper}.arguments\ncat >{keeper}.input\n"
                    f"[ -z \"$HOME\" ] || cat \"$HOME/.config/mosquitto_pub\" >{keeper}.secret\nexit 3\n")
        os.chmod(keeper, 0o700)

        def command(name, *arguments):
            return [f"{SOURCE}/demo/hooks/{name}", *arguments]

        def environment(name, **more):
            return {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8",
                    "NIGHTWELL_HOOK": name, "NIGHTWELL_EVENT": "parked", "NIGHTWELL_RUN": "night-1",
                    "NIGHTWELL_BENCH": "cold/st\u00f6re #1", "NIGHTWELL_JOURNAL": "/somewhere/journal.ndjson", **more}

        def run(name, *arguments, **more):
            return subprocess.run(command(name, *arguments), input=record, text=True, timeout=60, cwd="/", capture_output=True,
                                  env=environment(name, **more))

        def kept(what):
            with open(f"{keeper}.{what}") as f:
                return f.read()

        done = run("mail", "--to", "duty@example.org", "--sendmail", keeper)
        check(done.returncode == 3, f"its own exit code is that of sendmail: {done}")
        check(kept("arguments").split() == ["-odi", "-i", "-t"], kept("arguments"))
        mail = email.message_from_string(kept("input"), policy=email.policy.default)
        check(mail["Subject"] == "Nightwell, cold/st\u00f6re #1: the run is PARKED", f"{mail['Subject']!r}")
        check(mail["To"] == "duty@example.org" and mail["Bcc"] is None, f"{mail.items()}")
        body = mail.get_content()
        check("why: scanner-a: Bcc: all@example.org .  [2J" in body and "\x1b" not in body and "\u202e" not in body, body)
        check("Record: 812" in body and "Run: night-1" in body, body)

        # With --from nobody asks the name service, which may be dead and take half a minute to say so.
        with open(os.path.join(lab.folder, "sitecustomize.py"), "w") as f:
            f.write("import socket, sys\nsocket.getfqdn = lambda *_: sys.exit('asked for the name')\n")
        asking = {"PYTHONPATH": lab.folder}
        check(run("mail", "--to", "duty@example.org", "--sendmail", keeper, **asking).stderr == "asked for the name\n", "it does here")
        done = run("mail", "--to", "duty@example.org", "--from", "lab@example.org", "--sendmail", keeper, **asking)
        check(done.returncode == 3, f"{done}")
        check(email.message_from_string(kept("input"), policy=email.policy.default)["From"] == "lab@example.org", kept("input"))

        secret = os.path.join(lab.folder, "password")
        with open(secret, "w") as f:
            f.write("sesame\n")
        done = run("mqtt", "--host", "broker.example.org", "--publish", keeper, "--username", "lab", "--password-file", secret)
        check(done.returncode == 3, f"{done}")
        arguments = kept("arguments").splitlines()
        check(arguments == ["-h", "broker.example.org", "-p", "1883", "-q", "1", "-t",
                            "nightwell/cold%2Fst%C3%B6re%20%231/parked", "-s"], f"{arguments}")
        check(kept("input") == record[:-1], "the record as it is")
        check(kept("secret") == "-u lab\n-P sesame\n", kept("secret"))

        # Nothing of the password stays where the time limit ends it.
        slow, temporary = os.path.join(lab.folder, "slow"), os.path.join(lab.folder, "temporary")
        os.makedirs(temporary)
        with open(slow, "w") as f:
            f.write(f"#!/bin/sh\necho here >{slow}.here\nexec sleep 1000\n")
        os.chmod(slow, 0o700)
        with subprocess.Popen(command("mqtt", "--host", "broker.example.org", "--publish", slow, "--username", "lab",
                                      "--password-file", secret), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                              stderr=subprocess.PIPE, start_new_session=True, env=environment("mqtt", TMPDIR=temporary)) as hook:
            wait_for(lambda: os.path.exists(f"{slow}.here"), 60)
            check(os.listdir(temporary), "it has its folder")
            os.killpg(hook.pid, signal.SIGTERM)  # as the daemon does
            said = hook.communicate(timeout=60)[1]
            check(hook.returncode == 1 and said == b"", f"exit {hook.returncode}: {said}")
        check(not os.listdir(temporary), f"left behind: {os.listdir(temporary)}")

        told = os.path.join(lab.folder, "told.txt")
        for _ in range(2):
            check(run("append", told).returncode == 0, "appends")
        with open(told) as f:
            check(f.read() == 2 * f"cold/st\u00f6re #1 parked {record}", "a line a call")

        with open(f"{SOURCE}/demo/hooks/hooks.json") as f, open(f"{SOURCE}/profiles/schema/hooks.schema.json") as g:
            jsonschema.validate(json.load(f), json.load(g), jsonschema.Draft202012Validator)


def two_sources(lab, **bench):
    """A bath and a furnace; the reference and an item hang in the furnace."""
    both = Bench(lab.folder, "one", **bench)
    both.source("bath").source("furnace", kind="dry_well").scanner("scanner")
    for name, address, role in (("reference", 101, "references"), ("item-1", 102, "items")):
        both.channel(name, "scanner", address, role, PLATINUM, "resistance", source="furnace")
    both.job["sources"] = {"a": "bath", "b": "furnace"}
    return both


def guardian_of(lab, source):
    """The process that has the source's log open."""
    for pid in lab.guardians():
        held = [os.readlink(f"/proc/{pid}/fd/{n}") for n in os.listdir(f"/proc/{pid}/fd")]
        if any(f"guardian-{source}.log" in path for path in held):
            return pid
    raise AssertionError(f"no guardian of {source}")


def furnace_with_a_frozen_guardian(lab):
    """A run that heats the furnace, whose guardian is stopped then: the hooks, the run, the guardian's process."""
    bench = two_sources(lab, stale_s=14400)
    hooks = Hooks(lab).add_recorder("good", ["parked", "not_confirmed", "closed_parked"])
    lab.start_sim(bench)
    lab.start_daemon(*hooks.option())
    plan = profile([90])
    plan["plateaus"][0]["source"] = "b"
    run = lab.start(bench.files(plan))
    wait_for(lambda: any(r["source"] == "furnace" and r["output"] for r in lab.records(run, "source")))
    frozen = guardian_of(lab, "furnace")
    os.kill(frozen, signal.SIGSTOP)
    return hooks, run, frozen


def a_guardian_that_says_nothing_of_a_park():
    """One source is proved off, the heated one's guardian is frozen: nobody may be told that all is safe, and hooks are told that it is not."""
    with Lab(speed=20) as lab:
        hooks, run, frozen = furnace_with_a_frozen_guardian(lab)
        try:
            lab.command("park", run, "--why", "smoke")
            wait_for(lambda: len(hooks.told("good")) == 2)
            told = [(t["environment"]["NIGHTWELL_EVENT"], json.loads(t["line"])) for t in hooks.told("good")]
            check(lab.status(run)["parked"]["confirmed"] is False, "the status calls it safe")
        finally:
            os.kill(frozen, signal.SIGCONT)
        check([event for event, _ in told] == ["parked", "not_confirmed"], f"told: {told}")
        check(told[1][1]["source"] == "furnace" and "its guardian has not said a word of it" in told[1][1]["text"], f"told: {told[1]}")
        # It wakes up, and does what it was told.
        wait_for(lambda: lab.records(run, "closing"))
        check(lab.records(run, "park")[-1]["confirmed"], "the end is not proved")


def a_daemon_that_ends_before_a_park_is_proved():
    """It tells so before it goes, and the next one looks after the source: a frozen guardian is waited for, a dead one relieved."""
    with Lab(speed=20) as lab:
        hooks, run, frozen = furnace_with_a_frozen_guardian(lab)
        try:
            lab.daemon.terminate()
            check(lab.daemon.wait(60) == 0, "the daemon did not end well")
            told = [(t["environment"]["NIGHTWELL_EVENT"], json.loads(t["line"])) for t in hooks.told("good")]
            check([event for event, _ in told] == ["parked", "not_confirmed", "closed_parked"], f"told: {told}")
            check("furnace" in told[1][1]["text"], f"told: {told[1]}")
            lab.start_daemon(*hooks.option())
            wait_for(lambda: b"was closed as parked before that was proved; its guardian is still switching it off: furnace" in log_of(lab))
        finally:
            os.kill(frozen, signal.SIGKILL)
        wait_for(lambda: f"run {run}: furnace is switched off".encode() in log_of(lab))


def people_are_told_though_the_disk_takes_nothing():
    """No record can speak of it: the park and the source that is not proved off are told without one."""
    with Lab(speed=100) as lab:
        bench = two_sources(lab, stale_s=14400)
        hooks = Hooks(lab).add_recorder("good", ["storage", "parked", "not_confirmed", "closed_parked"])
        lab.start_sim(bench)
        lab.start_daemon(*hooks.option(), under=("bash", "-c", 'ulimit -f 16; exec "$@"', "bash"))
        plan = profile([90])
        plan["plateaus"][0]["source"] = "b"
        plan["sampling"] = {"every_s": 1, "items_every_s": 1}
        run = lab.start(bench.files(plan))
        folder = os.path.dirname(lab.journal(run))
        wait_for(lambda: os.path.exists(f"{folder}/journal-8.ndjson"))
        frozen = guardian_of(lab, "furnace")
        os.kill(frozen, signal.SIGSTOP)
        try:
            wait_for(lambda: any(t["environment"]["NIGHTWELL_EVENT"] == "not_confirmed" for t in hooks.told("good")))
        finally:
            os.kill(frozen, signal.SIGCONT)
        wait_for(lambda: any(t["environment"]["NIGHTWELL_EVENT"] == "closed_parked" for t in hooks.told("good")))
        told = [(t["environment"]["NIGHTWELL_EVENT"], json.loads(t["line"])) for t in hooks.told("good")]
        last = [one for one in told if "n" not in one[1]]
        check([event for event, _ in last if event != "storage"] == ["parked", "not_confirmed", "closed_parked"], f"told: {told}")
        check("furnace" in last[-2][1]["text"] and "cannot be written" in dict(last)["parked"]["text"], f"told: {last}")


def the_document_lists_the_same_words():
    with open(f"{SOURCE}/profiles/schema/hooks.schema.json") as f:
        words = json.load(f)["$defs"]["hook_event"]["enum"]
    with open(f"{SOURCE}/docs/hooks.md") as f:
        section = f.read().split("\n## What a hook can be told\n")[1].split("\n## ")[0]
    check(re.findall(r"^\| `([a-z_]+)` \|", section, re.MULTILINE) == words, "words of docs/hooks.md")


TESTS = (the_examples_do_what_they_say, the_document_lists_the_same_words, hostile_hooks_hold_nothing_up, refuses_files_that_will_not_do, tells_of_a_night_that_a_daemon_did_not_survive,
         a_guardian_that_says_nothing_of_a_park, a_daemon_that_ends_before_a_park_is_proved,
         people_are_told_though_the_disk_takes_nothing)

if __name__ == "__main__":
    main({test.__name__: test for test in TESTS})
