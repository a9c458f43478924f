"""Journals bent at random, the same ones for the same seed: bytes, lines, files, with and without a chain made anew."""
import random
import re

from written_journals import Record, chain, night, note, rechained, text, value

TOKENS = [b'"', b"\\", b"{", b"}", b"[", b"]", b",", b":", b"\n", b"\0", b"\r", b" ", b"\t", b"0", b"-", b"1e5", b".", b"null",
          b"true", b"\xc3\xa9", b"\x7f", b"\\u00e9", b"\\ud83d\\ude00", b"\\ud83d", b"\\n", b"\\u0041", b"\\u00E9", b"\\/",
          b'","', b'":"', b'"a":1,', b',"a":[]', b'{"n":', bytes(512), b'"prev"', b"seal", b"closing"]


class Chance:
    def __init__(self, seed, key):
        self.random, self.key = random.Random(seed), key
        middle = [note(r"caf\u00e9 \"\\"), value('{"a":[1.5,-2e-05,null],"b":{}}'), note(r"\ud83d\ude00"), Record("tick"),
                  value("[[[1,[]]]]")]
        ends = ((1, "open"), (1, "closed"), (2, "open"), (2, "closed"), (2, "unsealed"), (2, "sealed"))
        self.journals = [chain(night(end, middle[:size], number, key)) for number, end in ends for size in (2, 5)]

    def files(self):
        """The files of the next journal."""
        lines = self.random.choice(self.journals)
        way = self.random.randrange(6)
        if way == 0:
            return [self.bent(text(lines))]
        if way == 1:
            return [text(self.lines_moved(lines))]
        if way == 2:
            return [text(rechained(self.lines_moved(lines), self.key))]
        if way == 3:
            return self.in_files(lines)
        return [text(self.forged(lines))]

    def bent(self, data):
        for _ in range(self.random.choice((1, 1, 1, 2, 5))):
            at = self.random.randrange(len(data) + 1)
            far = min(len(data), at + self.random.choice((1, 1, 2, 10, 200)))
            sector, next_sector = at // 512 * 512, far // 512 * 512 + 512
            token, bit = self.random.choice(TOKENS), 1 << self.random.randrange(8)
            data = self.random.choice((
                data[:at] + bytes(byte ^ bit for byte in data[at:at + 1]) + data[at + 1:],
                data[:at] + data[far:],
                data[:at] + token + data[at:],
                data[:at] + token + data[far:],
                data[:far] + data[at:],
                data[:sector] + bytes(min(len(data), next_sector) - sector) + data[next_sector:],
                data[:at],
                data[:at] + bytes(len(data) - at)))
        return data

    def lines_moved(self, lines):
        lines = list(lines)
        for _ in range(self.random.choice((1, 1, 2))):
            at, to = self.random.randrange(len(lines)), self.random.randrange(len(lines))
            other = self.random.choice(self.journals)
            swapped = list(lines)
            swapped[at], swapped[to] = swapped[to], swapped[at]
            lines = self.random.choice((
                self.random.sample(lines, len(lines)),
                lines[:at] + lines[at + 1:] or lines,
                lines[:to] + [lines[at]] + lines[to:],
                swapped,
                lines[:at] + other[to:] or lines,
                lines[:at] + [self.random.choice(other)] + lines[at + 1:],
                lines + [self.bent(lines[at])]))
        return lines

    def forged(self, lines):
        """One line bent, as a rule between the ends of its frame, and the chain made anew behind it."""
        lines = list(lines)
        at = self.random.randrange(len(lines))
        front = lines[at].index(b'"kind"') if self.random.random() < 0.9 else 0
        back = len(lines[at]) - (74 if self.random.random() < 0.9 else 0)  # ,"prev":"<64 hex>"}
        lines[at] = lines[at][:front] + self.bent(lines[at][front:back]) + lines[at][back:]
        return rechained(re.split(rb"\n", b"\n".join(lines)), self.key)

    def in_files(self, lines):
        cuts = sorted(self.random.randrange(len(lines) + 1) for _ in range(self.random.choice((1, 1, 2))))
        begins = [max(0, cut - self.random.choice((0, 0, 0, 1, 2, -1))) for cut in cuts]
        files = [text(lines[begin:end]) for begin, end in zip([0] + begins, cuts + [len(lines)])]
        at = self.random.randrange(len(files))
        if self.random.random() < 0.7:
            files[at] = self.bent(files[at])
        return files
