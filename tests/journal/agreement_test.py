"""`nightwell verify` and a second reader, written from docs/journal.md alone, judge the same journals alike.

usage: agreement_test.py NIGHTWELL

The journals are written here, from the document too: good ones of both formats, and bad ones by hand (each with the exit
code that the document gives it), cut at every byte, changed at every other byte, torn, in several files, and a thousand and
more at random, with and without a chain made anew behind the change. Compared are the exit code, the first bad line, how
many lines are good, the head hash, whether the end is torn, and what is said about the seal.
"""
import hashlib
import itertools
import os
import pathlib
import random
import re
import subprocess
import sys
import tempfile

sys.dont_write_bytecode = True

from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key

import independent_check

NIGHTWELL = sys.argv[1]
WHOLE, DAMAGED, NOT_CLOSED, NOT_SEALED = 0, 2, 4, 5
SEED = int(os.environ.get("NIGHTWELL_TEST_SEED", "20261125"))
RANDOM_CASES = 1500
MIB = 1 << 20


# --- journals, by the document ------------------------------------------------------------------------------------------------

class Record:
    """A line before it stands in a chain; every part of its frame can be bent."""

    FORM = '{{"n":{n},"utc":"{utc}","up_s":{up},"kind":"{kind}"{fields},"prev":"{prev}"}}'

    def __init__(self, kind, fields="", utc="2026-11-25T20:15:00.000000Z", up="0.000000", form=FORM):
        self.kind, self.fields, self.utc, self.up, self.form = kind, fields, utc, up, form

    def line(self, n, prev):
        line = self.form.format(n=n, utc=self.utc, up=self.up, kind=self.kind, fields=self.fields, prev=prev)
        return line.encode("latin-1")


class Seal(Record):
    """A seal that is signed, where a key is given, once its place in the chain is known."""

    def __init__(self, key=None, **frame):
        super().__init__("seal", ',"algorithm":"none","key":null,"signature":null', **frame)
        self.key = key

    def line(self, n, prev):
        if self.key:
            self.fields = f',"algorithm":"Ed25519","key":"{public(self.key)}","signature":""'
            self.fields = self.fields[:-1] + self.key.sign(super().line(n, prev)).hex() + '"'
        return super().line(n, prev)


def public(key):
    return key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()


def sha256(line):
    return hashlib.sha256(line).hexdigest()


def chain(records, first_n=0, prev="0" * 64):
    """The lines, without their LF."""
    lines = []
    for n, record in enumerate(records, first_n):
        lines.append(record.line(n, prev))
        prev = sha256(lines[-1])
    return lines


def text(lines):
    return b"".join(line + b"\n" for line in lines)


def opening(number=2):
    return Record("opening", f',"format":"nightwell-journal/{number}"')


def note(words="a", **frame):
    return Record("note", f',"text":"{words}"', **frame)


def field(value):
    return Record("note", f',"v":{value}')


CLOSING = Record("closing", ',"ending":"finished","why":"done"')


def night(end="unsealed", middle=(note("a"), note("b")), number=2, key=None):
    """The records of a small journal; end: open, closed (without the seal that the second format wants), unsealed, sealed."""
    records = [opening(number), *middle]
    if end != "open":
        records.append(CLOSING)
    if end in ("unsealed", "sealed"):
        records.append(Seal(key if end == "sealed" else None))
    return records


def file_name(number):
    return "journal.ndjson" if number == 1 else f"journal-{number}.ndjson"


def in_files(*contents):
    return {file_name(number): content for number, content in enumerate(contents, 1)}


# --- by hand: (name, files, exit code by the document) ------------------------------------------------------------------------

GOOD_TEXT = ["", "a / b", "[{'", r"\u000a", r"\u001f", r"\u007f", r"\u0080", r"\u00e9", r"\ud7ff", r"\ue000", r"\uffff", r"\u0000",
             r"\"", r"\\", r"\\u", r"\\\"", r"\ud83d\ude00", r"\udbff\udfff", r"\ufffd80", r"\\n", "]" * 40]
BAD_TEXT = ["\xe9", "\xc3\xa9", "\x00", "\x01", "\t", "\x7f", "\xff", r"\n", r"\t", r"\/", r"\b", r"\u0041", r"\u0022", r"\u005c", r"\u002f",
            r"\u007e", r"\u0020", r"\u00E9", r"\uFFFD", r"\ud83d", r"\ude00", r"\ude00\ud83d", r"\ud83dx", r"\ud83d\u00e9",
            r"\ud83d\ud83d\ude00", r"\q", r"\u12", r"\u", r"\x41", '"', "\\", r"\ud83d\uDE00", r"\U00e9"]
GOOD_VALUES = ["1", "-1", "-0", "-0.0", "1.0", "1.50", "1e5", "1E5", "1e+05", "1e-05", "1.0e5", "0.00001", "1e999", "1e-999", "9" * 400,
               "18446744073709551616", "null", "true", "false", "[]", "{}", '""', "[1,2]", '{"":1}', '{"a":1,"a":2}', '{"n":0,"prev":""}',
               "[[],{}]", '{"a":[{"b":null}]}']
BAD_VALUES = ["", "01", "00", "-01", "+1", ".5", "1.", "-", "1e", "1e+", "1e5.5", "1.0.0", "--1", "0x1", "1_0", "NaN", "-NaN", "Infinity",
              "-Infinity", "nul", "nulll", "True", "tru", "None", "undefined", "'a'", "a", "[1,]", "[,1]", "[1 ,2]", "[1\t,2]", "[1,\r2]", "[1", "1]",
              "[1}", "{]", '{"a":}', '{"a":1,}', '{"a"}', '{"a",1}', "{a:1}", "{1:1}", '{"a": 1}', '{"a":1', '"a', 'a"', "1,", "1,,", "1 2", '1"a"',
              "[]]", "{}}", "[1]2", "//", "1/**/", '{"a":1}{"b":1}', "1:2", ":", "[1:2]"]


def spellings():
    for words in GOOD_TEXT:
        yield f"text {words!r}", in_files(text(chain(night(middle=[note(words), note()])))), WHOLE
    for words in BAD_TEXT:
        yield f"text {words!r}", in_files(text(chain(night(middle=[note(words), note()])))), DAMAGED
    for value in GOOD_VALUES:
        yield f"value {value[:30]}", in_files(text(chain(night(middle=[field(value), note()])))), WHOLE
    for value in BAD_VALUES:
        yield f"value {value!r}", in_files(text(chain(night(middle=[field(value), note()])))), DAMAGED
    for code, escapes in ((WHOLE, [r"k\u00e9"]), (DAMAGED, ["k\xe9", r"\u006b", "k\n"])):
        for key in escapes:
            yield f"key {key!r}", in_files(text(chain(night(middle=[Record("note", f',"{key}":1')])))), code


def frames():
    def bent(what, code, **frame):
        return what, in_files(text(chain(night(middle=[note(), Record("note", ',"text":"a"', **frame), note()])))), code

    for code, times in ((WHOLE, ["2026-11-25T20:15:59.999999Z", "9999-99-99T99:99:99.999999Z"]),  # a label: its digits are not read
                        (DAMAGED, ["", "2026-11-25T20:15:00Z", "2026-11-25T20:15:00.000Z", "2026-11-25T20:15:00.000000000Z", "2026-11-25 20:15:00.000000Z",
                                   "2026-11-25t20:15:00.000000Z", "2026-11-25T20:15:00.000000z", "2026-11-25T20:15:00.000000+00:00",
                                   "26-11-25T20:15:00.000000Z", "2026-11-25T20:15:00.00000aZ", r"2026-11-25T20:15:00.000000\u005a"])):
        for utc in times:
            yield bent(f"utc {utc}", code, utc=utc)
    for code, times in ((WHOLE, ["0.000001", "10.000000", "999999999999.999999"]),
                        (DAMAGED, ["", "0", "1.5", "1.00000", "1.0000000", "01.000000", "00.000000", "-1.000000", "-0.000000", "+1.000000", ".000000",
                                   "1000000000000.000000", "9" * 400 + ".000000", "1e3", "1.000000e1", '"1.000000"', "null", "1,000000"])):
        for up in times:
            yield bent(f"up_s {up[:20]}", code, up=up)
    for code, kinds in ((WHOLE, ["_", "a" * 32, "never_heard_of"]),
                        (DAMAGED, ["", "a" * 33, "Note", "note1", "no-te", "no te", r"n\u006fte", "seal"])):
        for kind in kinds:
            yield bent(f"kind {kind}", code, form=Record.FORM.replace("{kind}", kind))
    swaps = [('"n":{n}', form) for form in ('"n":0{n}', '"n":"{n}"', '"n":{n}.0', '"n":-{n}', '"n":+{n}', '"n": {n}', '"N":{n}', r'"\u006e":{n}', '"n":{n}0',
                                            '"n":' + "1" * 400, '"n":18446744073709551617', '"n":null', '"n":1{n}', '"n":1e0')]
    swaps += [('"n":{n},', ""), ('{{"n"', ' {{"n"'), ('{{"n"', '\xef\xbb\xbf{{"n"'), ('{{"n"', '[{{"n"'), ('{{"n"', '"n"'), ('{{"n"', '{{{{"n"'),
              ('"n":{n},"utc":"{utc}"', '"utc":"{utc}","n":{n}'), ('"utc":"{utc}","up_s":{up}', '"up_s":{up},"utc":"{utc}"'), ('"utc":"{utc}",', ""),
              ('"up_s":{up},', ""), (',"kind":"{kind}"', ""), (',"kind"', ',"x":1,"kind"'), ('"kind":"{kind}"', '"kind":null'), ('"utc"', '"utc_"'),
              ("{fields}", ",{fields}"), ("{fields},", "{fields}"), ("{fields}", "{fields},"), ("{fields}", ',"a":{{"b":1'), ("{fields}", ',"a"'),
              ("{fields}", ',"a":"\\"'), ("{fields}", '}},{{"a":1'), ('"{prev}"}}', '"{prev}"}} '), ('"{prev}"}}', '"{prev}"}}\r'),
              ('"{prev}"}}', '"{prev}"'), ('"{prev}"}}', '"{prev}"}}}}'), ('"{prev}"}}', '"{prev}"}},'), ('"{prev}"}}', '"{prev}"]'),
              ('"{prev}"}}', '"{prev}","x":1}}'), (',"prev":"{prev}"', ""), (',"prev"', ', "prev"'), ('"prev"', '"Prev"'), ('"{prev}"', "{prev}"), ('{prev}', ""),
              ("{prev}", "0{prev}"), ("{prev}", "0" * 64), ("{prev}", "x" * 64), ('"prev":"{prev}"', '"prev":null')]
    for old, new in swaps:
        yield bent(f"frame {old} -> {new[:40]}", DAMAGED, form=Record.FORM.replace(old, new))
    # What a check leaves: a key twice, even one of the frame's.
    for extra in (',"n":7', ',"kind":"closing"', ',"prev":1', ',"prev":"' + "0" * 64 + '"', ',"text":"b"', ',"a":{{"prev":"{prev}"}}', ""):
        yield bent(f"frame and {extra[:20]}", WHOLE, form=Record.FORM.replace("{fields}", extra + "{fields}"))
    yield "time goes back", in_files(text(chain(night(middle=[note(up="5.000000"), note(utc="2020-01-01T00:00:00.000000Z")])))), WHOLE

    class LoudPrev(Record):
        def line(self, n, prev):
            return super().line(n, prev.upper())
    yield "prev in upper case", in_files(text(chain(night(middle=[LoudPrev("note")])))), DAMAGED


def sizes():
    room = 65536 - len(chain([opening(), note("")])[1])
    for more, code in ((-1, WHOLE), (0, WHOLE), (1, DAMAGED), (4000, DAMAGED)):
        lines = chain(night(middle=[note("x" * (room + more)), note()]))
        yield f"a line of the longest and {more}", in_files(text(lines)), code
        yield f"the last line of the longest and {more}", in_files(text(lines[:2])), code or NOT_CLOSED
        yield f"an unfinished line of the longest and {more}", in_files(text(lines[:2])[:-1]), code or NOT_CLOSED
    for size, code in ((65536, NOT_CLOSED), (65537, DAMAGED), (2 * MIB, DAMAGED)):
        yield f"{size} bytes behind the last line", in_files(text(chain(night("open"))) + b"x" * size), code
    for deep in (1, 14, 15, 16, 17, 30000):
        for name, value in (("lists", "[" * deep + "]" * deep), ("objects", '{"a":' * deep + "1" + "}" * deep),
                            ("both", '[{"a":' * (deep // 2) + "[]" * (deep % 2) + "1" * (1 - deep % 2) + "}]" * (deep // 2))):
            if len(value) < 65000:
                yield f"{deep} {name} deep", in_files(text(chain(night(middle=[field(value)])))), WHOLE if deep <= 15 else DAMAGED


def ends(key, other):
    for number in (1, 2):
        opened = chain(night("open", number=number))
        yield f"format {number}, open", in_files(text(opened)), NOT_CLOSED
        yield f"format {number}, closed", in_files(text(chain(night("closed", number=number)))), WHOLE if number == 1 else NOT_CLOSED
        yield f"format {number}, and a seal", in_files(text(chain(night(number=number)))), WHOLE if number == 2 else DAMAGED
        yield f"format {number}, and a signature", in_files(text(chain(night("sealed", number=number, key=key)))), WHOLE if number == 2 else DAMAGED
        for end, name in itertools.product(("closed", "unsealed", "sealed"), ("x", "\0", "\0" * 512, "\0" * 5000, "\n", "x\n", '{"n":')):
            if number == 2 or end == "closed":
                lines = text(chain(night(end, number=number, key=key)))
                yield f"{name[:6]!r} behind {end}, format {number}", in_files(lines + name.encode()), DAMAGED
        for name in ("\n", "x\n", "{}\n", "[]\n", "\r\n", "\0\n"):
            yield f"{name!r} behind an open one, format {number}", in_files(text(opened) + name.encode()), DAMAGED
        for name in ("x", "\xff", "\0", '{"n":3', "\0" * 5000, " ", "\r"):
            yield f"{name[:6]!r} behind an open one, format {number}", in_files(text(opened) + name.encode("latin-1")), NOT_CLOSED
    orders = {
        "closing twice": [opening(), CLOSING, CLOSING, Seal()], "closing twice, format 1": [opening(1), CLOSING, CLOSING],
        "a note between": [opening(), CLOSING, note(), Seal()], "a note behind": [opening(), CLOSING, Seal(), note()],
        "two seals": [opening(), CLOSING, Seal(), Seal()], "a seal without closing": [opening(), note(), Seal()],
        "a seal in the middle": [opening(), Seal(), note(), CLOSING, Seal()], "a seal in the middle, format 1": [opening(1), Seal(), CLOSING],
        "a signed seal in the middle": [opening(), Seal(key), note()], "no opening": [note(), note(), CLOSING, Seal()], "no opening, open": [note()],
        "no opening, closed": [note(), CLOSING], "opening second": [note(), opening(), CLOSING, Seal()], "closing first": [CLOSING, Seal()],
        "closing alone": [CLOSING], "a seal alone": [Seal()], "opening without format": [Record("opening", ',"run":"x"'), note()],
        "opening without fields": [Record("opening")], "format second": [Record("opening", ',"run":"x","format":"nightwell-journal/2"'), CLOSING, Seal()],
        "format a number": [Record("opening", ',"format":2'), CLOSING, Seal()], "another format": [Record("opening", ',"format":"nightwell-log/2"'), note()],
        "format 0": [opening(0), CLOSING], "format 3": [opening(3), CLOSING, Seal()], "format 3, open": [opening(3), note()],
        "format 10": [opening(10), CLOSING], "format 02": [opening("02"), CLOSING, Seal()], "format 1.0": [opening("1.0"), CLOSING]}
    for name, records in orders.items():
        yield name, in_files(text(chain(records))), DAMAGED
    for name, records in {"two openings": [opening(), opening(), CLOSING, Seal()], "the other format later": [opening(), opening(1), CLOSING, Seal()],
                          "closing without fields": [opening(), Record("closing"), Seal()],
                          "an ending that is none": [opening(), Record("closing", ',"ending":7'), Seal()],
                          "an ending nobody knows": [opening(1), Record("closing", ',"ending":"?"')]}.items():
        yield name, in_files(text(chain(records))), WHOLE
    digits, long_digits = "0" * 64, "0" * 128
    for fields in ("", ',"algorithm":"none"', ',"algorithm":"none","key":null', ',"algorithm":"none","signature":null,"key":null',
                   ',"algorithm":"none","key":"","signature":""', ',"algorithm":"none","key":null,"signature":null,"x":1', ',"algorithm":null,"key":null,"signature":null',
                   f',"algorithm":"none","key":"{digits}","signature":null', f',"algorithm":"Ed25519","key":"{digits}","signature":"{long_digits}"',
                   f',"algorithm":"RSA","key":"{digits}","signature":"{long_digits}"', ',"algorithm":"Ed25519","key":null,"signature":null',
                   ',"algorithm": "none","key":null,"signature":null'):
        yield f"seal {fields[:50]}", in_files(text(chain([opening(), CLOSING, Record("seal", fields)]))), DAMAGED
    for seal in (Seal(utc="2026-11-25T20:15:00.000001Z"), Seal(up="0.000001"), Seal(key, utc="2026-11-25T20:15:00.000001Z"), Seal(key, up="0.000001")):
        yield f"a seal at {seal.utc} {seal.up}", in_files(text(chain([opening(), CLOSING, seal]))), DAMAGED
    lines = chain(night("sealed", key=key))
    seal, signature = lines[-1], re.search(rb'[0-9a-f]{128}', lines[-1])[0]
    for name, bent in {"upper-case signature": seal.replace(signature, signature.upper()), "upper-case key": seal.replace(public(key).encode(), public(key).upper().encode()),
                       "another key's name": seal.replace(public(key).encode(), public(other).encode()), "no signature": seal.replace(signature, b""),
                       "half a signature": seal.replace(signature, signature[:64]), "a signature of the line as it stands": seal.replace(signature, key.sign(seal).hex().encode()),
                       "another journal's signature": seal.replace(signature, key.sign(b"").hex().encode())}.items():
        yield f"seal: {name}", in_files(text(lines[:-1] + [bent])), DAMAGED


def lines_moved(key):
    for number, end in ((1, "closed"), (1, "open"), (2, "open"), (2, "unsealed"), (2, "sealed")):
        lines = chain(night(end, number=number, middle=[note(word) for word in "abc"], key=key))
        last = len(lines) - 1
        foreign = chain(night(end, number=number, middle=[note(word) for word in "xyz"], key=key))
        name = f"format {number}, {end}: line"
        for at, line in enumerate(lines):
            gone = in_files(text(lines[:at] + lines[at + 1:]))
            code = NOT_CLOSED if at == last and (end == "open" or number == 1) else NOT_CLOSED if at == last else DAMAGED
            yield f"{name} {at} taken away", gone, code
            yield f"{name} {at} of another journal", in_files(text(lines[:at] + [foreign[at]] + lines[at + 1:])), \
                WHOLE if foreign[at] == line else NOT_CLOSED if end == "open" and at == last and False else DAMAGED
            for to in range(len(lines) + 1):
                yield f"{name} {at} again at {to}", in_files(text(lines[:to] + [line] + lines[to:])), DAMAGED
            for to in range(at + 1, len(lines)):
                swapped = list(lines)
                swapped[at], swapped[to] = swapped[to], swapped[at]
                yield f"{name} {at} and {to} swapped", in_files(text(swapped)), DAMAGED
        for at in range(len(lines) + 1):
            added = note("added").line(at, sha256(lines[at - 1]) if at else "0" * 64)
            yield f"{name} added at {at}", in_files(text(lines[:at] + [added] + lines[at:])), NOT_CLOSED if at == len(lines) and end == "open" else DAMAGED
        yield f"{name}s twice", in_files(text(lines + lines)), DAMAGED
        yield f"{name}s of two journals", in_files(text(lines + foreign)), DAMAGED


def changed_bytes(key):
    whole = text(chain(night("sealed", middle=[note()], key=key)))
    for at in range(0, len(whole), 2):
        yield f"sealed, byte {at} changed", in_files(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1:]), DAMAGED


def cut_ends(key):
    for number, end in ((1, "closed"), (2, "sealed")):
        lines = chain(night(end, middle=[], number=number, key=key))
        whole, closed = text(lines), len(text(lines[:2]))
        for at in range(len(whole) + 1):
            code = WHOLE if at == len(whole) else NOT_CLOSED if at <= closed else DAMAGED  # behind closing nothing may be torn
            yield f"format {number}, {end}, cut at byte {at}", in_files(whole[:at]), code


def torn_by_power_cuts():
    spare = len(text(chain([opening(), note("")])))
    head = chain([opening(), note("x" * (1000 - spare))])  # 1000 bytes: the next line begins between two sectors
    tail = chain([note(letter * 900) for letter in "yzw"], 2, sha256(head[-1]))
    whole = text(head + tail)
    size = len(whole)

    def zeros(begin, end, code, source=whole):
        return f"zeros from {begin} to {end} of {len(source)}", in_files(source[:begin] + b"\0" * (end - begin) + source[end:]), code

    for begin, end in ((1024, 1536), (1024, 2048), (1024, size), (1000, 1024), (1000, 1536), (1000, size), (1536, 2048), (1536, 3584), (512, 1024), (512, size),
                       (0, 512), (0, size), (3584, size), (1100, size), (1001, size), (2048, size)):
        tears_first = begin <= 1000 or begin % 512 == 0 or end == size
        yield zeros(begin, end, NOT_CLOSED if tears_first else DAMAGED)
    for begin, end in ((1024, 1537), (1025, 1536), (1000, 1025), (1001, 1024), (1536, 1900), (0, 100), (1, 512), (511, 512), (999, 1024), (1200, 1201)):
        yield zeros(begin, end, DAMAGED)
    unfinished = whole[:1800]  # the end of an unfinished line, whatever is in it
    for begin, end in ((1024, 1536), (1025, 1536), (1100, 1537), (1200, 1201)):
        yield zeros(begin, end, NOT_CLOSED, unfinished)
    yield zeros(1024, 1536, DAMAGED, whole[:1535] + b"\n" + whole[1536:1024] + whole[1536:])[:1] + (
        in_files(whole[:1024] + b"\0" * 511 + b"\n" + whole[1536:]), DAMAGED)
    yield "zeros up to a sector that begins with LF", in_files(whole[:1024] + b"\0" * 512 + b"\n" + whole[1537:]), NOT_CLOSED
    yield "the first run decides", in_files(whole[:1024] + b"\0" * 512 + whole[1536:1600] + b"\0" + whole[1601:]), NOT_CLOSED
    yield "the first run decides, badly", in_files(whole[:1100] + b"\0" + whole[1101:1536] + b"\0" * 512 + whole[2048:]), DAMAGED
    yield "only zeros", in_files(b"\0" * 700), NOT_CLOSED
    yield "zeros and LF", in_files(b"\0" * 511 + b"\n"), DAMAGED
    yield "a sector of zeros and LF", in_files(b"\0" * 512 + b"\n"), NOT_CLOSED
    yield "a wrong prev before zeros", in_files(text(head[:1] + tail[:1]) + b"\0" * 600), DAMAGED
    for more in (-1, 0, 1, 512):
        torn = NOT_CLOSED if more <= 0 else DAMAGED
        size = MIB + more
        yield f"zeros of a MiB and {more}", in_files(text(head) + b"\0" * size), torn
        lines = (b"y" * 99 + b"\n") * (size // 100)
        yield f"lines behind zeros, a MiB and {more}", in_files(text(head) + b"\0" * 24 + lines + b"y" * (size - 24 - len(lines))), torn
        yield f"no sector behind zeros, a MiB and {more}", in_files(text(head) + b"\0" * (size - 1) + b"\n"), DAMAGED
    for end, code in (("open", NOT_CLOSED), ("closed", NOT_CLOSED)):  # the closing record itself is in the torn part
        lines = chain(night(end, middle=[note("x" * 400), note("y" * 400)]))
        whole = text(lines)
        yield f"the middle torn, {end}", in_files(whole[:512] + b"\0" * 512 + whole[1024:]), code


def several_files():
    lines = chain(night(middle=[note(word) for word in "abc"]))  # 0 to 5, the last two closing and seal
    size = len(lines)
    for first, begin in itertools.product(range(size + 1), repeat=2):
        code = WHOLE if begin <= first and begin < size else DAMAGED if begin < size else WHOLE if first == size else NOT_CLOSED
        yield f"0 to {first}, {begin} on", in_files(text(lines[:first]), text(lines[begin:])), code
    for second, third in itertools.product(range(size), repeat=2):
        code = WHOLE if second <= 3 and second <= third <= 5 else DAMAGED
        files = in_files(text(lines[:3]), text(lines[second:5]), text(lines[third:]))
        if second < 5:
            yield f"0 to 3, {second} to 5, {third} on", files, code
    for junk in (b"x", b"\0", b"\0" * 700, b'{"n":3,"utc', lines[3][:-5], lines[3], b"x" * 70000):
        # What stands behind the lines that count was not acknowledged; a file without one whole line carries nothing on.
        yield f"{junk[:12]!r} behind the lines that count", in_files(text(lines[:3]) + junk, text(lines[3:])), WHOLE
        yield f"{junk[:12]!r} before the lines that count", in_files(text(lines[:2]) + junk, text(lines[3:])), DAMAGED
        yield f"{junk[:12]!r} alone in the second", in_files(text(lines[:3]), junk), NOT_CLOSED
        yield f"{junk[:12]!r} alone behind a closed one", in_files(text(lines), junk), WHOLE
        yield f"{junk[:12]!r} alone behind a torn one", in_files(text(lines[:3]) + b"torn", junk), NOT_CLOSED
        yield f"{junk[:12]!r} alone, then a third", in_files(text(lines[:3]), junk, text(lines[3:])), NOT_CLOSED
        yield f"{junk[:12]!r} at the end of the second", in_files(text(lines[:3]), text(lines[3:4]) + junk), DAMAGED if len(junk) > 65536 else NOT_CLOSED
        yield f"{junk[:12]!r} behind the seal in the second", in_files(text(lines[:3]), text(lines[3:]) + junk), DAMAGED
    for junk in (b"x\n", b"\n", b"\0\n", b"\0" * 600 + b"\n", b"x" * 70000 + b"\n", note().line(10**17, "0" * 64) + b"\n", note().line(10**30, "0" * 64) + b"\n",
                 b" " + lines[3] + b"\n", lines[3][:-5] + b"\n", lines[3][1:] + b"\n"):
        # A whole line that is no record is damage, wherever it stands.
        for name, files in {"alone": [junk], "and more": [junk + text(lines[3:])], "then a third": [junk, text(lines[3:])]}.items():
            yield f"{junk[:12]!r} first in the second, {name}", in_files(text(lines[:3]), *files), DAMAGED
        yield f"{junk[:12]!r} first in the second, behind a closed one", in_files(text(lines), junk), DAMAGED
        yield f"{junk[:12]!r} behind the lines that count", in_files(text(lines[:3]) + junk, text(lines[3:])), WHOLE
    yield "zeros to a sector first in the second", in_files(text(lines[:3]), b"\0" * 512 + b"\n" + text(lines[3:])), NOT_CLOSED
    for at, bent in ((2, b"\xff"), (3, b"\xff"), (2, b"~"), (3, b"~")):
        changed = [line.replace(b'"text":"', b'"text":"' + bent) if n == at else line for n, line in enumerate(lines)]
        yield f"line {at} changed by {bent!r} in the first", in_files(text(changed[:4]), text(lines[3:])), DAMAGED if at < 3 else WHOLE
        yield f"line {at} changed by {bent!r} in the second", in_files(text(lines[:3]), text(changed[2:])), DAMAGED
    yield "no second file", {file_name(1): text(lines[:3]), file_name(3): text(lines[3:])}, NOT_CLOSED
    yield "an empty second file", in_files(text(lines[:3]), b""), NOT_CLOSED
    yield "an empty second file, and a third", in_files(text(lines[:3]), b"", text(lines[3:])), NOT_CLOSED
    yield "an empty first file", in_files(b"", text(lines)), WHOLE
    yield "an empty first file, and the rest", in_files(b"", text(lines[1:])), DAMAGED
    yield "two empty files", in_files(b"", b""), NOT_CLOSED
    other = chain(night(middle=[note(word) for word in "xyz"]))
    yield "carried on by another journal", in_files(text(lines[:3]), text(other[3:])), DAMAGED
    yield "closing and seal in two files", in_files(text(lines[:5]), text(lines[5:])), WHOLE
    yield "an unfinished seal, and the seal again", in_files(text(lines)[:-20], text(lines[5:])), WHOLE
    yield "offsets are those of the file", in_files(text(lines[:3]), text(lines[3:4]) + b"\0" * (512 - len(text(lines[3:4]))) + lines[4][:40] + b"\n"), NOT_CLOSED
    many = chain(night(middle=[note(str(n)) for n in range(8)]))
    for files in (8, 9, 10):
        cut = [text(many[n:n + 1]) for n in range(files - 1)] + [text(many[files - 1:])]
        yield f"{files} files", in_files(*cut), WHOLE if files <= 9 else NOT_CLOSED


def by_hand(key, other):
    """(name, files, the public key asked for or None, exit code)"""
    for cases in (spellings(), frames(), sizes(), ends(key, other), lines_moved(key), changed_bytes(key), cut_ends(key), torn_by_power_cuts(), several_files()):
        for name, files, code in cases:
            yield name, files, None, code
    asked = {"open": (NOT_CLOSED, NOT_CLOSED), "closed": (NOT_CLOSED, NOT_CLOSED), "unsealed": (NOT_SEALED, NOT_SEALED), "sealed": (WHOLE, DAMAGED)}
    for end, codes in asked.items():
        whole = text(chain(night(end, key=key)))
        for who, code in zip((key, other), codes):
            yield f"{end}, and a key is asked for", in_files(whole), who, code
            yield f"{end}, torn, and a key is asked for", in_files(whole + b"x"), who, DAMAGED if end != "open" else NOT_CLOSED
            yield f"{end}, changed, and a key is asked for", in_files(whole.replace(b'"b"', b'"c"')), who, NOT_CLOSED if end == "open" and False else DAMAGED
    yield "the first format, and a key is asked for", in_files(text(chain(night("closed", number=1)))), key, NOT_SEALED


# --- at random ----------------------------------------------------------------------------------------------------------------

TOKENS = [b'"', b"\\", b"{", b"}", b"[", b"]", b",", b":", b"\n", b"\0", b"\r", b" ", b"\t", b"0", b"-", b"1e5", b".", b"null", b"true", b"\xc3\xa9", b"\x7f", b"\\u00e9",
          b"\\ud83d\\ude00", b"\\ud83d", b"\\n", b"\\u0041", b"\\u00E9", b"\\/", b'","', b'":"', b'"a":1,', b',"a":[]', b'{"n":', b"\0" * 512, b'"prev"', b"seal", b"closing"]


def rechained(lines, key):
    """The lines with each prev made to fit, and a signature made anew: only what is wrong in a line itself is left."""
    out, prev = [], "0" * 64
    for line in lines:
        line = re.sub(rb'"prev":"[0-9a-f]{64}"\}$', f'"prev":"{prev}"}}'.encode(), line)
        signed = re.search(rb'"signature":"([0-9a-f]{128})","prev"', line)
        if signed:
            begin, end = signed.span(1)
            line = line[:begin] + key.sign(line[:begin] + line[end:]).hex().encode() + line[end:]
        out.append(line)
        prev = sha256(line)
    return out


class Chance:
    """Journals bent at random; the same ones for the same seed."""

    def __init__(self, key):
        self.random, self.key = random.Random(SEED), key
        rich = [note(r"caf\u00e9 \"\\"), field('{"a":[1.5,-2e-05,null],"b":{}}'), note(r"\ud83d\ude00"), Record("tick"), field("[[[1,[]]]]")]
        self.journals = [chain(night(end, middle=rich[:size], number=number, key=key))
                         for number, end in ((1, "open"), (1, "closed"), (2, "open"), (2, "closed"), (2, "unsealed"), (2, "sealed")) for size in (2, 5)]

    def bytes_bent(self, data):
        for _ in range(self.random.choice((1, 1, 1, 2, 5))):
            at = self.random.randrange(len(data) + 1)
            far = min(len(data), at + self.random.choice((1, 1, 2, 10, 200)))
            data = self.random.choice((
                lambda: data[:at] + bytes(byte ^ (1 << self.random.randrange(8)) for byte in data[at:at + 1]) + data[at + 1:],
                lambda: data[:at] + data[far:],
                lambda: data[:at] + self.random.choice(TOKENS) + data[at:],
                lambda: data[:at] + self.random.choice(TOKENS) + data[far:],
                lambda: data[:at] + data[at:far] + data[at:],
                lambda: data[:at // 512 * 512] + b"\0" * (min(len(data), far // 512 * 512 + 512) - at // 512 * 512) + data[far // 512 * 512 + 512:],
                lambda: data[:at],
                lambda: data[:at] + b"\0" * (len(data) - at)))()
        return data

    def lines_bent(self, lines):
        lines = list(lines)
        for _ in range(self.random.choice((1, 1, 2))):
            at, to = self.random.randrange(len(lines)), self.random.randrange(len(lines))
            change = self.random.randrange(7)
            if change == 0:
                self.random.shuffle(lines)
            elif change == 1 and len(lines) > 1:
                del lines[at]
            elif change == 2:
                lines.insert(to, lines[at])
            elif change == 3:
                lines[at], lines[to] = lines[to], lines[at]
            elif change == 4:
                lines = lines[:at] + self.random.choice(self.journals)[to:] or lines
            elif change == 5:
                lines[at] = self.random.choice(self.random.choice(self.journals))
            else:
                lines.append(self.bytes_bent(lines[at]))
        return lines

    def line_bent(self, lines):
        """One line bent between its frame's ends, and the chain made anew: what a forger who can count would do."""
        lines = list(lines)
        at = self.random.randrange(len(lines))
        front = lines[at].index(b'"kind"') if self.random.random() < 0.9 else 0
        back = len(lines[at]) - (74 if self.random.random() < 0.9 else 0)
        lines[at] = lines[at][:front] + self.bytes_bent(lines[at][front:back]) + lines[at][back:]
        return rechained(b"\n".join(lines).split(b"\n"), self.key)

    def files_bent(self, lines):
        cuts = sorted(self.random.randrange(len(lines) + 1) for _ in range(self.random.choice((1, 1, 2))))
        begins = [max(0, cut - self.random.choice((0, 0, 0, 1, 2, -1))) for cut in cuts]
        files = [text(lines[begin:end]) for begin, end in zip([0] + begins, cuts + [len(lines)])]
        at = self.random.randrange(len(files))
        if self.random.random() < 0.7:
            files[at] = self.bytes_bent(files[at])
        return in_files(*files)

    def case(self):
        lines = self.random.choice(self.journals)
        return self.random.choice((
            lambda: in_files(self.bytes_bent(text(lines))), lambda: in_files(text(self.lines_bent(lines))),
            lambda: in_files(text(self.line_bent(lines))), lambda: in_files(text(self.line_bent(lines))),
            lambda: in_files(text(rechained(self.lines_bent(lines), self.key))), lambda: self.files_bent(lines)))()


# --- both readers -------------------------------------------------------------------------------------------------------------

ASK = 'while read -r folder options; do "$0" verify "$folder/journal.ndjson" $options >"$folder/out" 2>"$folder/err"; echo $? >"$folder/code"; done'


def run_nightwell(folders):
    """Both processors start the program, once a folder."""
    shells = []
    for half in (folders[::2], folders[1::2]):
        shell = subprocess.Popen(["sh", "-c", ASK, NIGHTWELL], stdin=subprocess.PIPE, text=True)
        shell.stdin.write("".join(line + "\n" for line in half))
        shell.stdin.close()
        shells.append(shell)
    for shell in shells:
        assert shell.wait() == 0, "the shell that starts nightwell failed"


def answer_of(folder):
    """The program's answer in the words of independent_check.Verdict."""
    code = int((folder / "code").read_text())
    out, err = (folder / "out").read_text(), (folder / "err").read_text()
    said = dict(line.split(None, 1) for line in out.splitlines() if " " in line)
    if "head" not in said:
        place = re.search(r"\(n (\d+)", err)
        return independent_check.Verdict(code, "damaged", int(place[1]) if place else err, None, "none")
    words = said["seal"].removeprefix("BROKEN: ").split()
    seal = f"sealed {words[2].rstrip(',')}" if words[0] == "sealed" else words[0].rstrip(":")
    state = "torn" if "torn" in said else "whole" if seal.startswith(("sealed", "unsealed")) else "unfinished"
    return independent_check.Verdict(code, state, int(said["lines"]), said["head"], seal)


def program_of_its_own(folder, key, other):
    """The second reader as a person starts it: exit codes, --key, and its one line."""
    sealed = text(chain(night("sealed", key=key)))
    cases = [(sealed, [], 0, rf"whole: 5 lines, head [0-9a-f]{{64}}, seal sealed {public(key)}"), (sealed, ["--key", str(folder / "key.pub")], 0, "whole"),
             (sealed, ["--key", str(folder / "other.pub")], 2, "whole"), (sealed[:-1], [], 2, "damaged at line 4: 4 lines"),
             (text(chain(night())), ["--key", str(folder / "key.pub")], 5, "whole.*unsealed"), (b"", [], 4, "unfinished: 0 lines"),
             (text(chain(night("closed"))), [], 4, "unfinished.*seal missing"), (text(chain(night("open"))) + b"x", [], 4, "torn: 3 lines.*seal none")]
    for number, (content, options, code, words) in enumerate(cases):
        (folder / "own.ndjson").write_bytes(content)
        done = subprocess.run([sys.executable, independent_check.__file__, str(folder / "own.ndjson"), *options], capture_output=True, text=True, check=False)
        if done.returncode != code or not re.match(words, done.stdout) or done.stdout.count("\n") != 1:
            yield f"independent_check.py, case {number}: exit {done.returncode}, {done.stdout}{done.stderr}"


def main():
    with tempfile.TemporaryDirectory(prefix="nightwell-test-") as temporary:
        folder = pathlib.Path(temporary)
        keys = []
        for name in ("key", "other"):
            subprocess.run([NIGHTWELL, "keys", "make", str(folder / name)], check=True, capture_output=True)
            keys.append(load_pem_private_key((folder / name).read_bytes(), None))
        names = dict(zip(keys, ("key", "other")))
        cases = list(by_hand(*keys))
        chance = Chance(keys[0])
        cases += [(f"random {number} of seed {SEED}", chance.case(), None, None) for number in range(RANDOM_CASES)]
        folders, failures = [], list(program_of_its_own(folder, *keys))
        for number, (_, files, who, _) in enumerate(cases):
            place = folder / str(number)
            place.mkdir()
            for name, content in files.items():
                (place / name).write_bytes(content)
            folders.append(f"{place} --key {folder / names[who]}.pub" if who else str(place))
        run_nightwell(folders)
        tally = dict.fromkeys((WHOLE, DAMAGED, NOT_CLOSED, NOT_SEALED), 0)
        for number, (name, _, who, code) in enumerate(cases):
            mine = independent_check.check(str(folder / str(number) / file_name(1)), who and public(who))
            theirs = answer_of(folder / str(number))
            tally[mine.code] += code is None
            if mine.state == "damaged":
                mine = mine._replace(head=None)
            if mine != theirs:
                failures.append(f"{name}: the document says {tuple(mine)}, nightwell verify {tuple(theirs)}")
            elif code is not None and mine.code != code:
                failures.append(f"{name}: both say {mine.code}, the document {code}")
        for failure in failures[:60]:
            print(failure)
        print(f"{len(cases)} journals, {RANDOM_CASES} of them at random ({tally}), {len(failures)} judged differently")
        if min(tally[code] for code in (WHOLE, DAMAGED, NOT_CLOSED)) < RANDOM_CASES // 100:
            sys.exit("the random journals are all of one kind: they test nothing")
        sys.exit(1 if failures else 0)


main()
