"""Good and bad journals with the exit code that docs/journal.md gives each: (code, name, bytes of each file…)."""
import itertools
import re

from written_journals import Record, Seal, chain, closing, journal, night, note, opening, public, sha256, text, value

WHOLE, DAMAGED, NOT_CLOSED, NOT_SEALED = 0, 2, 4, 5
MIB = 1 << 20

GOOD_TEXT = ["", "a / b", "[{'", r"\u000a", r"\u001f", r"\u007f", r"\u0080", r"\u00e9", r"\ud7ff", r"\ue000", r"\uffff",
             r"\u0000", r"\"", r"\\", r"\\u", r"\\\"", r"\ud83d\ude00", r"\udbff\udfff", r"\ufffd80", r"\\n", "]" * 40]
BAD_TEXT = ["\xe9", "\xc3\xa9", "\x00", "\x01", "\t", "\x7f", "\xff", '"', "\\",
            r"\n", r"\t", r"\/", r"\b", r"\q", r"\x41", r"\u", r"\u12", r"\U00e9", r"\u00E9", r"\uFFFD",
            r"\u0041", r"\u0022", r"\u005c", r"\u002f", r"\u007e", r"\u0020",
            r"\ud83d", r"\ude00", r"\ude00\ud83d", r"\ud83dx", r"\ud83d\u00e9", r"\ud83d\ud83d\ude00", r"\ud83d\uDE00"]
GOOD_VALUES = ["1", "-1", "-0", "-0.0", "1.0", "1.50", "1e5", "1E5", "1e+05", "1e-05", "1.0e5", "0.00001", "1e999",
               "1e-999", "9" * 400, "18446744073709551616", "null", "true", "false", "[]", "{}", '""', "[1,2]", '{"":1}',
               '{"a":1,"a":2}', '{"n":0,"prev":""}', "[[],{}]", '{"a":[{"b":null}]}']
BAD_VALUES = ["", "01", "00", "-01", "+1", ".5", "1.", "-", "1e", "1e+", "1e5.5", "1.0.0", "--1", "0x1", "1_0", "NaN",
              "-NaN", "Infinity", "-Infinity", "nul", "nulll", "True", "tru", "None", "undefined", "'a'", "a", '"a', 'a"',
              "[1,]", "[,1]", "[1 ,2]", "[1\t,2]", "[1,\r2]", "[1", "1]", "[1}", "{]", "[]]", "{}}", "[1]2", "[1:2]",
              '{"a":}', '{"a":1,}', '{"a"}', '{"a",1}', "{a:1}", "{1:1}", '{"a": 1}', '{"a":1', '{"a":1}{"b":1}',
              "1,", "1,,", "1 2", '1"a"', "//", "1/**/", "1:2", ":"]


def spellings():
    for code, good_or_bad in ((WHOLE, GOOD_TEXT), (DAMAGED, BAD_TEXT)):
        for words in good_or_bad:
            yield code, f"text {words!r}", journal(night(middle=[note(words), note()]))
    for code, good_or_bad in ((WHOLE, GOOD_VALUES), (DAMAGED, BAD_VALUES)):
        for written in good_or_bad:
            yield code, f"value {written[:30]!r}", journal(night(middle=[value(written), note()]))
    for code, key in ((WHOLE, r"k\u00e9"), (DAMAGED, "k\xe9"), (DAMAGED, r"\u006b"), (DAMAGED, "k\n")):
        yield code, f"key {key!r}", journal(night(middle=[Record("note", f',"{key}":1')]))


GOOD_UTC = ["2026-11-25T20:15:59.999999Z", "9999-99-99T99:99:99.999999Z"]  # a label: nobody reads the digits
BAD_UTC = ["", "2026-11-25T20:15:00Z", "2026-11-25T20:15:00.000Z", "2026-11-25T20:15:00.000000000Z",
           "2026-11-25 20:15:00.000000Z", "2026-11-25t20:15:00.000000Z", "2026-11-25T20:15:00.000000z",
           "2026-11-25T20:15:00.000000+00:00", "26-11-25T20:15:00.000000Z", "2026-11-25T20:15:00.00000aZ",
           r"2026-11-25T20:15:00.000000\u005a"]
GOOD_UP = ["0.000001", "10.000000", "999999999999.999999"]
BAD_UP = ["", "0", "1.5", "1.00000", "1.0000000", "01.000000", "00.000000", "-1.000000", "-0.000000", "+1.000000",
          ".000000", "1000000000001.000000", "9" * 400 + ".000000", "1e3", "1.000000e1", '"1.000000"', "null", "1,000000"]
GOOD_KINDS = ["_", "a" * 32, "never_heard_of"]
BAD_KINDS = ["", "a" * 33, "Note", "note1", "no-te", "no te", r"n\u006fte", "seal"]
# Of a record's form: what stands there, and what is to stand there.
BAD_FORMS = [
    *(('"n":{n}', n) for n in (
        '"n":0{n}', '"n":"{n}"', '"n":{n}.0', '"n":-{n}', '"n":+{n}', '"n": {n}', '"N":{n}', r'"\u006e":{n}', '"n":{n}0',
        '"n":1{n}', '"n":1e0', '"n":null', '"n":18446744073709551617', '"n":' + "1" * 400)),
    *(('{{"n"', front) for front in (' {{"n"', '\xef\xbb\xbf{{"n"', '[{{"n"', '"n"', '{{{{"n"')),
    *(('"{prev}"}}', back) for back in (
        '"{prev}"}} ', '"{prev}"}}\r', '"{prev}"', '"{prev}"}}}}', '"{prev}"}},', '"{prev}"]', '"{prev}","x":1}}')),
    *(("{prev}", prev) for prev in ("", "0{prev}", "0" * 64, "x" * 64)),
    *(("{fields}", fields) for fields in (
        ",{fields}", "{fields},", ',"a":{{"b":1', ',"a"', ',"a":"\\"', '}},{{"a":1')),
    ("{fields},", "{fields}"), ('"n":{n},', ""), ('"utc":"{utc}",', ""), ('"up_s":{up},', ""), (',"kind":"{kind}"', ""),
    (',"prev":"{prev}"', ""), ('"kind":"{kind}"', '"kind":null'), ('"prev":"{prev}"', '"prev":null'),
    ('"{prev}"', "{prev}"), (',"prev"', ', "prev"'), ('"prev"', '"Prev"'), ('"utc"', '"utc_"'),
    (',"kind"', ',"x":1,"kind"'), ('"n":{n},"utc":"{utc}"', '"utc":"{utc}","n":{n}'),
    ('"utc":"{utc}","up_s":{up}', '"up_s":{up},"utc":"{utc}"')]
# A key twice is no matter of the chain, not even one of the frame's.
GOOD_FIELDS = ["", ',"n":7', ',"kind":"closing"', ',"prev":1', ',"prev":"' + "0" * 64 + '"', ',"text":"b"',
               ',"a":{{"prev":"{prev}"}}']


class LoudPrev(Record):
    def line(self, n, prev):
        return super().line(n, prev.upper())


def frames():
    def framed(**frame):
        return journal(night(middle=[note(), Record("note", ',"text":"a"', **frame), note()]))

    for code, times in ((WHOLE, GOOD_UTC), (DAMAGED, BAD_UTC)):
        for utc in times:
            yield code, f"utc {utc}", framed(utc=utc)
    for code, times in ((WHOLE, GOOD_UP), (DAMAGED, BAD_UP)):
        for up in times:
            yield code, f"up_s {up[:20]}", framed(up=up)
    for code, kinds in ((WHOLE, GOOD_KINDS), (DAMAGED, BAD_KINDS)):
        for kind in kinds:
            yield code, f"kind {kind}", framed(form=Record.FORM.replace("{kind}", kind))
    for old, new in BAD_FORMS:
        yield DAMAGED, f"form {old} -> {new[:40]}", framed(form=Record.FORM.replace(old, new))
    for fields in GOOD_FIELDS:
        yield WHOLE, f"form with {fields[:20]}", framed(form=Record.FORM.replace("{fields}", fields + "{fields}"))
    yield WHOLE, "up_s goes back", journal(night(middle=[note(up="5.000000"), note(up="4.000000")]))
    yield DAMAGED, "prev in upper case", journal(night(middle=[LoudPrev("note")]))


def sizes():
    room = 65536 - len(chain([opening(), note("")])[1])
    for more in (-1, 0, 1, 4000):
        lines = chain(night(middle=[note("x" * (room + more)), note()]))
        yield DAMAGED if more > 0 else WHOLE, f"a line of the longest and {more}", text(lines)
        yield DAMAGED if more > 0 else NOT_CLOSED, f"the last line of the longest and {more}", text(lines[:2])
        yield DAMAGED if more > 0 else NOT_CLOSED, f"unfinished, of the longest and {more}", text(lines[:2])[:-1]
    for size in (65536, 65537, 2 * MIB):
        code = NOT_CLOSED if size <= 65536 else DAMAGED
        yield code, f"{size} bytes behind the last line", journal(night("open")) + b"x" * size
    for deep in (1, 14, 15, 16, 17, 30000):
        code = WHOLE if deep <= 15 else DAMAGED  # the record itself is counted
        yield code, f"{deep} lists deep", journal(night(middle=[value("[" * deep + "]" * deep)]))
        if deep < 10000:
            yield code, f"{deep} objects deep", journal(night(middle=[value('{"a":' * deep + "1" + "}" * deep)]))
        if deep < 10000 and deep % 2 == 0:
            both = '[{"a":' * (deep // 2) + "1" + "}]" * (deep // 2)
            yield code, f"{deep} lists and objects deep", journal(night(middle=[value(both)]))


def ends(key):
    for number in (1, 2):
        yield NOT_CLOSED, f"format {number}, open", journal(night("open", number=number))
        yield NOT_CLOSED if number == 2 else WHOLE, f"format {number}, closed", journal(night("closed", number=number))
        code = WHOLE if number == 2 else DAMAGED  # the first format knows no seal
        yield code, f"format {number}, unsealed", journal(night(number=number))
        yield code, f"format {number}, sealed", journal(night("sealed", number=number, key=key))
    for number, end in ((1, "open"), (1, "closed"), (2, "open"), (2, "closed"), (2, "unsealed"), (2, "sealed")):
        content = journal(night(end, number=number, key=key))
        for tail in (b"\n", b"x\n", b"{}\n", b"[]\n", b"\r\n", b"\0\n", b"\xff\n"):
            yield DAMAGED, f"{tail!r} behind format {number}, {end}", content + tail
        for tail in (b"x", b"\xff", b"\0", b" ", b"\r", b'{"n":3', b"\0" * 512, b"\0" * 5000):
            code = NOT_CLOSED if end == "open" or (number == 2 and end == "closed") else DAMAGED
            yield code, f"{tail[:8]!r} behind format {number}, {end}", content + tail


def orders(key):
    bad_opening = [Record("opening"), Record("opening", ',"run":"x"'), Record("opening", ',"format":2'),
                   Record("opening", ',"run":"x","format":"nightwell-journal/2"'), opening(0), opening(3), opening(10),
                   opening("02"), opening("1.0"), opening("2 "), Record("opening", ',"format":"nightwell-log/2"'), note(),
                   closing(), Seal()]
    for first in bad_opening:
        for end, rest in {"open": [note()], "closed": [closing()], "unsealed": [opening(), closing(), Seal()]}.items():
            yield DAMAGED, f"begins with {first.kind}{first.fields}, {end}", journal([first, *rest])
    end = [closing(), Seal()]
    for name, records in {
            "closing twice": [opening(), closing(), *end], "closing twice, format 1": [opening(1), closing(), closing()],
            "a note before the seal": [opening(), closing(), note(), Seal()], "a note behind": [opening(), *end, note()],
            "two seals": [opening(), *end, Seal()], "a seal, not closed": [opening(), note(), Seal()],
            "a signed seal, not closed": [opening(), Seal(key), note()],
            "two seals, one signed": [opening(), *end, Seal(key)],
            "a seal in the middle": [opening(), Seal(), note(), *end],
            "a seal in the middle, format 1": [opening(1), Seal(), closing()]}.items():
        yield DAMAGED, name, journal(records)
    for name, records in {
            "two openings": [opening(), opening(), *end], "the other format later": [opening(), opening(1), *end],
            "closing without fields": [opening(), Record("closing"), Seal()],
            "an ending that is none": [opening(), Record("closing", ',"ending":7'), Seal()],
            "an ending nobody knows": [opening(1), Record("closing", ',"ending":"?"')],
            "the other format's name within": [
                Record("opening", ',"format":"nightwell-journal/1","x":{"format":"nightwell-journal/2"}'), closing()],
            "the other format's name again": [
                Record("opening", ',"format":"nightwell-journal/1","format":"nightwell-journal/2"'), closing()]}.items():
        yield WHOLE, name, journal(records)


def seals(key, other):
    digits, long_digits = "0" * 64, "0" * 128
    for fields in ('', ',"algorithm":"none"', ',"algorithm":"none","key":null', ',"algorithm":"none","key":"","signature":""',
                   ',"algorithm":"none","signature":null,"key":null', ',"algorithm":null,"key":null,"signature":null',
                   ',"algorithm":"none","key":null,"signature":null,"x":1',
                   ',"algorithm":"Ed25519","key":null,"signature":null',
                   f',"algorithm":"none","key":"{digits}","signature":null',
                   f',"algorithm":"Ed25519","key":"{digits}","signature":"{long_digits}"',
                   f',"algorithm":"RSA","key":"{digits}","signature":"{long_digits}"'):
        yield DAMAGED, f"seal {fields[:60]}", journal([opening(), closing(), Record("seal", fields)])
    for who in (None, key):
        for frame in ({"utc": "2026-11-25T20:15:00.000001Z"}, {"up": "0.000001"}):
            yield DAMAGED, f"a seal with another {list(frame)}", journal([opening(), closing(), Seal(who, **frame)])
    lines = chain(night("sealed", key=key))
    seal, signature = lines[-1], re.search(rb'[0-9a-f]{128}', lines[-1])[0]
    mine, theirs = public(key).encode(), public(other).encode()
    for name, bent in {"upper-case signature": seal.replace(signature, signature.upper()),
                       "upper-case key": seal.replace(mine, mine.upper()), "another key": seal.replace(mine, theirs),
                       "no signature": seal.replace(signature, b""), "half": seal.replace(signature, signature[:64]),
                       "signed with its digits": seal.replace(signature, key.sign(seal).hex().encode()),
                       "signed elsewhere": seal.replace(signature, key.sign(b"").hex().encode())}.items():
        yield DAMAGED, f"seal: {name}", text(lines[:-1] + [bent])


def lines_moved(key):
    for number, end in ((1, "closed"), (1, "open"), (2, "open"), (2, "sealed")):
        lines = chain(night(end, number=number, middle=[note(word) for word in "abc"], key=key))
        foreign = chain(night(end, number=number, middle=[note(word) for word in "xyz"], key=key))
        last, good, name = len(lines) - 1, NOT_CLOSED if end == "open" else WHOLE, f"format {number}, {end}: line"
        for at, line in enumerate(lines):
            yield NOT_CLOSED if at == last else DAMAGED, f"{name} {at} taken away", text(lines[:at] + lines[at + 1:])
            yield (good if foreign[at] == line else DAMAGED, f"{name} {at} of another journal",
                   text(lines[:at] + [foreign[at]] + lines[at + 1:]))
            for to in range(len(lines) + 1):
                yield DAMAGED, f"{name} {at} again at {to}", text(lines[:to] + [line] + lines[to:])
            for to in range(at + 1, len(lines)):
                swapped = list(lines)
                swapped[at], swapped[to] = swapped[to], swapped[at]
                yield DAMAGED, f"{name} {at} and {to} swapped", text(swapped)
        for at in range(len(lines) + 1):
            added = note("added").line(at, sha256(lines[at - 1]) if at else "0" * 64)
            code = NOT_CLOSED if at == len(lines) and end == "open" else DAMAGED
            yield code, f"{name} added at {at}", text(lines[:at] + [added] + lines[at:])
        yield DAMAGED, f"{name}s twice", text(lines + lines)
        yield DAMAGED, f"{name}s of two journals", text(lines + foreign)


def changed_bytes(key):
    whole = journal(night("sealed", middle=[note()], key=key))
    for at in [*range(0, len(whole), 4), len(whole) - 1]:
        changed = whole[:at] + bytes([whole[at] ^ 1 << at // 4 % 8]) + whole[at + 1:]
        unfinished = at == len(whole) - 1  # without its LF
        yield NOT_CLOSED if unfinished else DAMAGED, f"sealed, byte {at} changed", changed


def cut_ends(key):
    for number, end, step in ((2, "unsealed", 1), (2, "sealed", 8), (1, "closed", 8)):
        whole = journal(night(end, middle=[], number=number, key=key))
        yield WHOLE, f"format {number}, {end}, not cut", whole
        for at in [*range(0, len(whole), step), len(whole) - 1]:
            yield NOT_CLOSED, f"format {number}, {end}, cut at byte {at}", whole[:at]


def torn_by_power_cuts():
    spare = len(journal([opening(), note("")]))
    head = chain([opening(), note("x" * (1000 - spare))])  # 1000 bytes: the next line begins between two sectors
    tail = chain([note(letter * 900) for letter in "yzw"], 2, sha256(head[-1]))
    whole = text(head + tail)
    size = len(whole)

    def zeros(code, begin, end, source=whole):
        return code, f"zeros from {begin} to {end} of {len(source)}", source[:begin] + bytes(end - begin) + source[end:]

    for begin, end in ((1024, 1536), (1024, 2048), (1024, size), (1000, 1024), (1000, 1536), (1000, size), (1536, 2048),
                       (1536, 3584), (512, 1024), (512, size), (0, 512), (0, size), (3584, size), (2048, size),
                       # Behind the last whole line begins the one whose zeros reach the end: its first run does not start
                       # at a sector, but as it has no LF it is an unfinished line all the same.
                       (1100, size), (1001, size)):
        yield zeros(NOT_CLOSED, begin, end)
    for begin, end in ((1024, 1537), (1025, 1536), (1000, 1025), (1001, 1024), (1536, 1900), (0, 100), (1, 512), (511, 512),
                       (999, 1024), (1200, 1201)):
        yield zeros(DAMAGED, begin, end)
    for begin, end in ((1024, 1536), (1025, 1536), (1100, 1537), (1200, 1201)):
        yield zeros(NOT_CLOSED, begin, end, whole[:1800])  # in an unfinished line
    sector = bytes(512)
    yield DAMAGED, "zeros up to LF at a sector's end", whole[:1024] + bytes(511) + b"\n" + whole[1536:]
    yield NOT_CLOSED, "zeros up to a sector that begins with LF", whole[:1024] + sector + b"\n" + whole[1537:]
    yield NOT_CLOSED, "the first run decides", whole[:1024] + sector + whole[1536:1600] + b"\0" + whole[1601:]
    yield DAMAGED, "the first run decides, badly", whole[:1100] + b"\0" + whole[1101:1536] + sector + whole[2048:]
    yield NOT_CLOSED, "only zeros", bytes(700)
    yield DAMAGED, "zeros and LF", bytes(511) + b"\n"
    yield NOT_CLOSED, "a sector of zeros and LF", sector + b"\n"
    yield DAMAGED, "a wrong prev before zeros", text(head[:1] + tail[:1]) + bytes(600)
    # The zeros must stand in the first line that is no record: a changed line before them is a changed line.
    for name, bent in {"a byte changed": b'"y\xff', "a quote added": b'"y"', "a line feed added": b'"y\n'}.items():
        changed = whole.replace(b'"y', bent)
        yield DAMAGED, f"{name} before zeros", changed[:3072] + bytes(len(changed) - 3072)
        yield DAMAGED, f"{name} before a sector of zeros", changed[:3072] + sector + changed[3584:]
        yield NOT_CLOSED, f"{name} behind zeros", changed[:512] + sector + changed[1024:]
    for more in (-1, 0, 1, 512):
        size, code = MIB + more, NOT_CLOSED if more <= 0 else DAMAGED
        lines = (b"y" * 99 + b"\n") * (size // 100)
        yield code, f"zeros of a MiB and {more}", text(head) + bytes(size)
        yield code, f"lines behind zeros, a MiB and {more}", text(head) + bytes(24) + lines + b"y" * (size - 24 - len(lines))
        yield DAMAGED, f"no sector behind zeros, a MiB and {more}", text(head) + bytes(size - 1) + b"\n"
    for end in ("open", "closed"):  # the closing record itself is in the torn part
        content = journal(night(end, middle=[note("x" * 400), note("y" * 400)]))
        yield NOT_CLOSED, f"the middle torn, {end}", content[:512] + sector + content[1024:]
    sealed = journal(night("unsealed", middle=[note("x" * (1000 - spare))]))
    yield NOT_CLOSED, "a torn seal", sealed[:-1][: len(sealed) // 512 * 512] + bytes(len(sealed) % 512)


def overlaps():
    """Lines 0 to 5 (the last two are closing and seal) in two and three files that overlap or leave gaps."""
    lines = chain(night(middle=[note(word) for word in "abc"]))
    size = len(lines)
    for first, begin in itertools.product(range(size + 1), repeat=2):
        without_second = WHOLE if first == size else NOT_CLOSED
        code = without_second if begin == size else WHOLE if begin <= first else DAMAGED
        yield code, f"0 to {first}, {begin} on", text(lines[:first]), text(lines[begin:])
    for second, third in itertools.product(range(5), range(6)):
        code = WHOLE if second <= 3 and second <= third else DAMAGED
        files = text(lines[:3]), text(lines[second:5]), text(lines[third:])
        yield (code, f"0 to 3, {second} to 5, {third} on", *files)
    many = chain(night(middle=[note(str(n)) for n in range(8)]))
    for files in (8, 9, 10):
        contents = [text(many[n:n + 1]) for n in range(files - 1)] + [text(many[files - 1:])]
        yield (WHOLE, f"{files} files", *contents)
    yield WHOLE, "closing and seal in two files", text(lines[:5]), text(lines[5:])
    yield WHOLE, "an unfinished seal, and the seal again", text(lines)[:-20], text(lines[5:])
    yield NOT_CLOSED, "no second file, but a third", text(lines[:3]), None, text(lines[3:])
    yield NOT_CLOSED, "an empty second file", text(lines[:3]), b""
    yield NOT_CLOSED, "an empty second file, and a third", text(lines[:3]), b"", text(lines[3:])
    yield WHOLE, "an empty first file", b"", text(lines)
    yield DAMAGED, "an empty first file, and the rest", b"", text(lines[1:])
    yield NOT_CLOSED, "two empty files", b"", b""


def files_with_junk():
    lines = chain(night(middle=[note(word) for word in "abc"]))
    first, second, whole = text(lines[:3]), text(lines[3:]), text(lines)
    for junk in (b"x", b"\0", bytes(700), b'{"n":3,"utc', lines[3][:-5], lines[3], b"x" * 70000):
        # Not one whole line: was not acknowledged, and carries nothing on.
        name = f"{junk[:12]!r}"
        yield WHOLE, f"{name} behind the lines that count", first + junk, second
        yield DAMAGED, f"{name} before the lines that count", text(lines[:2]) + junk, second
        yield NOT_CLOSED, f"{name} alone in the second", first, junk
        yield NOT_CLOSED, f"{name} alone behind a torn one", first + b"torn", junk
        yield NOT_CLOSED, f"{name} alone, then a third", first, junk, second
        yield WHOLE, f"{name} alone behind a closed one", whole, junk
        yield DAMAGED, f"{name} behind the seal in the second", first, second + junk
        code = NOT_CLOSED if len(junk) <= 65536 else DAMAGED
        yield code, f"{name} at the end of the second", first, text(lines[3:4]) + junk
    for junk in (b"x\n", b"\n", b"\0\n", bytes(600) + b"\n", b"x" * 70000 + b"\n", note().line(10**30, "0" * 64) + b"\n",
                 note().line(10**17, "0" * 64) + b"\n", b" " + lines[3] + b"\n", lines[3][1:] + b"\n"):
        # A whole line that is no record is damage, first in a file too.
        name = f"{junk[:12]!r} first in the second"
        yield DAMAGED, name, first, junk
        yield DAMAGED, f"{name}, and more", first, junk + second
        yield DAMAGED, f"{name}, behind a closed one", whole, junk
        yield WHOLE, f"{junk[:12]!r} behind the lines that count", first + junk, second
    yield NOT_CLOSED, "zeros to a sector first in the second", first, bytes(512) + b"\n" + second
    torn = text(lines[3:4]) + bytes(512 - len(text(lines[3:4]))) + lines[4][:40] + b"\n"
    yield NOT_CLOSED, "offsets are those of the file", first, torn
    for at, bent in itertools.product((2, 3), (b"\xff", b"~")):
        changed = [line.replace(b'"text":"', b'"text":"' + bent) if n == at else line for n, line in enumerate(lines)]
        yield DAMAGED if at < 3 else WHOLE, f"line {at} with {bent!r} in the first", text(changed[:4]), second
        yield DAMAGED, f"line {at} with {bent!r} in the second", first, text(changed[2:])
    other = chain(night(middle=[note(word) for word in "xyz"]))
    yield DAMAGED, "carried on by another journal", first, text(other[3:])


def without_a_key(key, other):
    return itertools.chain(spellings(), frames(), sizes(), ends(key), orders(key), seals(key, other), lines_moved(key),
                           changed_bytes(key), cut_ends(key), torn_by_power_cuts(), overlaps(), files_with_junk())


def with_a_key(key, other):
    """Cases in which `key` must have sealed the journal."""
    asked = ((NOT_CLOSED, "open", None), (NOT_CLOSED, "closed", None), (NOT_SEALED, "unsealed", None), (WHOLE, "sealed", key),
             (DAMAGED, "sealed", other))
    for code, end, who in asked:
        whole, name = journal(night(end, key=who)), f"{end}{' by another' if who == other else ''}, and a key is asked for"
        yield code, name, whole
        yield NOT_CLOSED if code == NOT_CLOSED else DAMAGED, f"torn: {name}", whole + b"x"
        yield DAMAGED, f"changed: {name}", whole.replace(b'"format"', b'"Format"')
    yield NOT_SEALED, "the first format, and a key is asked for", journal(night("closed", number=1))
