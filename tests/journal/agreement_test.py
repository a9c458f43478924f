"""`nightwell verify` and a second reader, written from docs/journal.md alone, judge the same journals alike.

usage: agreement_test.py NIGHTWELL VERIFY_MANY [SEED [RANDOM_JOURNALS]]

The journals are written by the document too: good ones, bad ones by hand (bent_journals.py, each with the exit code that the
document gives it) and bad ones by chance (random_journals.py). Compared are the exit code, the first bad line, how many
lines are good, the head hash, whether the end is torn, and what is said about the seal. VERIFY_MANY (verify_many.cpp) is that
command for many journals in one process; some are given to the program itself too, which must say the same.
"""
import os
import pathlib
import re
import subprocess
import sys
import tempfile

sys.dont_write_bytecode = True

from cryptography.hazmat.primitives.serialization import load_pem_private_key

import bent_journals
import independent_check
from independent_check import Verdict
from random_journals import Chance
from written_journals import file_name, journal, night, public

NIGHTWELL, VERIFY_MANY = sys.argv[1:3]
SEED = int(sys.argv[3]) if len(sys.argv) > 3 else 20261125
RANDOM_JOURNALS = int(sys.argv[4]) if len(sys.argv) > 4 else 1000
TO_THE_PROGRAM = 100  # every so manieth is given to the program too


def ask_nightwell(questions):
    """The exit code and the words for each "FOLDER OPTIONS…"."""
    asked = subprocess.run([VERIFY_MANY], input="".join(question + "\n" for question in questions), capture_output=True, text=True,
                           check=True)
    parts = re.split(r"^= (\d+)\n", asked.stdout, flags=re.MULTILINE)
    answers = [(int(code), words) for words, code in zip(parts[0::2], parts[1::2])]
    if len(answers) != len(questions) or parts[-1]:
        sys.exit(f"{len(questions)} questions, {len(answers)} answers")
    for question, answer in list(zip(questions, answers))[::TO_THE_PROGRAM]:
        folder, *options = question.split()
        done = subprocess.run([NIGHTWELL, "verify", f"{folder}/journal.ndjson", *options], stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, text=True, check=False)
        if (done.returncode, done.stdout) != answer:
            sys.exit(f"the program says {done.returncode}: {done.stdout}, the same command in a process of many {answer}")
    return answers


def verdict_of(code, words):
    """What nightwell said, as the second reader would put it."""
    said = dict(line.split(None, 1) for line in words.splitlines() if " " in line)
    if "head" not in said:
        place = re.search(r"\(n (\d+)", words)
        return Verdict(code, "damaged", int(place[1]) if place else words, None, "none")
    words = said["seal"].removeprefix("BROKEN: ").split()
    seal = f"sealed {words[2].rstrip(',')}" if words[0] == "sealed" else words[0].rstrip(":")
    state = "torn" if "torn" in said else "whole" if words[0] in ("sealed", "unsealed:") else "unfinished"
    return Verdict(code, state, int(said["lines"]), said["head"], seal)


def compare(folder, code, name, key, answer):
    """What is wrong, as a list of at most one text, and the second reader's exit code."""
    mine = independent_check.check(str(folder / file_name(1)), key and public(key))
    theirs = verdict_of(*answer)
    if mine.state == "damaged":
        mine = mine._replace(head=None)
    if mine != theirs:
        return [f"{name}: the second reader says {tuple(mine)}, nightwell verify {tuple(theirs)}"], mine.code
    if code not in (None, mine.code):
        return [f"{name}: both say {mine.code}, the document {code}"], mine.code
    return [], mine.code


def as_a_program(folder, key):
    """The second reader as a person starts it: exit codes, --key, one line."""
    sealed, file = journal(night("sealed", key=key)), folder / "own.ndjson"
    for content, options, code, words in (
            (sealed, [], 0, f"whole: 5 lines, head [0-9a-f]{{64}}, seal sealed {public(key)}"),
            (sealed, ["--key", folder / "key.pub"], 0, "whole"), (sealed, ["--key", folder / "other.pub"], 2, "whole"),
            (sealed[1:], [], 2, "damaged at line 0: 0 lines"), (sealed[:-1], [], 4, "torn: 4 lines.*seal missing"),
            (journal(night()), ["--key", folder / "key.pub"], 5, "whole.*unsealed"), (b"", [], 4, "unfinished: 0 lines"),
            (journal(night("closed")), [], 4, "unfinished.*seal missing"),
            (journal(night("open")) + b"x", [], 4, "torn: 3 lines.*seal none")):
        file.write_bytes(content)
        done = subprocess.run([sys.executable, independent_check.__file__, file, *options], capture_output=True, text=True,
                              check=False)
        if done.returncode != code or not re.match(words, done.stdout) or done.stdout.count("\n") != 1:
            yield f"independent_check.py {options}: exit {done.returncode} and {done.stdout}{done.stderr}, not {code}, {words}"


def make_keys(folder):
    for name in ("key", "other"):
        subprocess.run([NIGHTWELL, "keys", "make", folder / name], check=True, capture_output=True)
        yield load_pem_private_key((folder / name).read_bytes(), None)


def main():
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # thousands of small files
    with tempfile.TemporaryDirectory(prefix="nightwell-test-", dir=memory) as temporary:
        folder = pathlib.Path(temporary)
        key, other = make_keys(folder)
        chance = Chance(SEED, key)
        cases = [(code, name, files, None) for code, name, *files in bent_journals.without_a_key(key, other)]
        cases += [(code, name, files, key) for code, name, *files in bent_journals.with_a_key(key, other)]
        by_hand = len(cases)
        cases += [(None, f"random {at} of seed {SEED}", chance.files(), None) for at in range(RANDOM_JOURNALS)]
        questions = []
        for number, (_, _, files, wanted) in enumerate(cases):
            (folder / str(number)).mkdir()
            for at, content in enumerate(files, 1):
                if content is not None:
                    (folder / str(number) / file_name(at)).write_bytes(content)
            questions.append(f"{folder / str(number)} --key {folder}/key.pub" if wanted else str(folder / str(number)))
        answers = ask_nightwell(questions)
        failures, codes = list(as_a_program(folder, key)), []
        for number, (code, name, _, wanted) in enumerate(cases):
            wrong, found = compare(folder / str(number), code, name, wanted, answers[number])
            failures += wrong
            codes.append(found)
    for failure in failures[:60]:
        print(failure)
    tally = {code: codes[by_hand:].count(code) for code in (0, 2, 4)}
    print(f"{by_hand} journals by hand, {RANDOM_JOURNALS} by chance ({tally}), {len(failures)} judged differently")
    if min(tally.values()) < RANDOM_JOURNALS // 100:
        sys.exit("the journals by chance are nearly all of one kind: they test nothing")
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
