#!/usr/bin/env python3
"""A driver program that does what its first argument says. The second, if any, is a file to which it adds a line at each start and at
each request, so that a test sees what reached it."""
import json
import os
import signal
import sys
import time

MODE = sys.argv[1]
LOG = sys.argv[2] if len(sys.argv) > 2 else os.devnull


def note(text):
    with open(LOG, "a") as f:
        f.write(text + "\n")


def say(line):
    os.write(1, (line if isinstance(line, str) else json.dumps(line)).encode() + b"\n")


def starts():
    if LOG == os.devnull:
        return 1
    with open(LOG) as f:
        return f.read().count("start")


def hang():
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    while True:
        time.sleep(3600)


note("start")
if MODE == "dies_before_hello":
    print("no such library", file=sys.stderr)
    sys.exit(7)
if MODE == "says_nothing":
    hang()
if MODE == "shouts":
    for number in range(2000):
        print(f"line {number} \x1b[31m", file=sys.stderr)
if MODE == "shouts_without_end":
    while True:
        os.write(2, b"x" * 65536)

hello = json.loads(sys.stdin.readline())
note("hello " + json.dumps(hello, sort_keys=True))
welcome = {"hello": "nightwell-driver/1", "driver": "fake", "revision": "1", "a key of later versions": [1, 2]}
if MODE == "other_version":
    welcome["hello"] = "nightwell-driver/9"
if MODE == "will_not":
    welcome["error"] = {"code": "bad_input", "detail": "only tcp"}
say("welcome to my driver" if MODE == "greets_in_prose" else welcome)
print("greeted", file=sys.stderr, flush=True)

output, target, asked = MODE == "was_on", 20.0, 0
for line in sys.stdin:
    request = json.loads(line)
    number, ask = request["id"], request["ask"]
    note(" ".join(str(request[key]) for key in ("ask", "channel", "t_c", "on") if key in request))
    asked += ask == "identify"
    if ask == "identify" and MODE == "start_up_fails_twice" and asked <= 2:
        say({"id": number, "error": {"code": "refused", "detail": "step 1 of its start-up: local"}})
    elif ask == "identify":
        say({"id": number, "value": "Other" if MODE == "another" and starts() > 1 else "Seed Bank,Fake,1", "old_errors": ["-113 x"]})
    elif ask == "configure":
        say({"id": number, "done": True})
    elif ask == "read":
        if MODE == "dies_once" and starts() == 1:
            print("Segmentation something", file=sys.stderr)
            os.kill(os.getpid(), signal.SIGSEGV)
        elif MODE == "dies_at_every_read":
            sys.exit(3)
        elif MODE == "hangs":
            hang()
        elif MODE == "no_answer_line":
            say("+1.0E+02")
        elif MODE == "wrong_kind":
            say({"id": number, "value": True, "text": "on"})
        elif MODE == "not_a_number":
            say('{"id": %d, "value": NaN, "text": "NaN"}' % number)
        elif MODE == "long_line":
            os.write(1, b'{"id": %d, "text": "' % number + b"x" * 40000)
        elif MODE == "floods":
            while True:
                os.write(1, b'{"id": 1, "done": true}\n' * 1000)
        elif MODE == "open_sensor":
            say({"id": number, "error": {"code": "open_sensor", "detail": "nothing connected"}})
        elif MODE == "unknown_error":
            say({"id": number, "error": {"code": "it_is_raining", "detail": ""}})
        elif MODE == "late":
            # The answer to this question comes with the next one.
            if number % 2:
                say({"id": number - 1, "value": 7.0, "text": "7"})
                say({"id": number, "value": 100.0 + request["channel"] / 1000, "text": "x"})
            else:
                say({"id": number, "value": 100.0 + request["channel"] / 1000, "text": "x"})
                say({"id": number, "value": 9.0, "text": "a second time"})
        else:
            say({"id": number, "value": 100.0 + request["channel"] / 1000, "text": "x", "odd": MODE == "odd", "asked_again": 1})
    elif ask == "set_output":
        if MODE == "hangs_at_off" and not request["on"] and starts() == 1:
            hang()
        if MODE == "dies_at_on" and request["on"]:
            os.kill(os.getpid(), signal.SIGKILL)
        output = request["on"]
        say({"id": number, "done": True})
    elif ask == "read_output":
        if MODE == "closes_its_output":
            os.close(1)
            hang()
        say({"id": number, "value": output})
    elif ask == "set_target":
        target = request["t_c"]
        say({"id": number, "done": True})
    else:
        say({"id": number, "value": target})
note("end of input")
