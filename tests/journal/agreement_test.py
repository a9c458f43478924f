"""`nightwell verify` and a second reader, written from docs/journal.md alone, judge the same journals alike.

usage: agreement_test.py NIGHTWELL

The journals are written here, from the document too: good ones of both formats, and bad ones by hand (each with the
answer that the document gives), cut at every byte, changed at every other byte, torn, in several files, and some
thousand at random. Of each are compared: the exit code, the first bad line, the number of good lines, the head hash,
whether it is torn, and what is said about the seal. Needs python3-cryptography.
"""
import concurrent.futures
import hashlib
import itertools
import os
import random
import re
import subprocess
import sys
import tempfile

from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key

import independent_check

WHOLE, DAMAGED, NOT_CLOSED, NOT_SEALED = 0, 2, 4, 5
RANDOM_CASES, SEED = 1500, 20261125
UTC, UP = "2026-11-25T20:15:00.000000Z", "0.000000"


# --- journals, by the document ---

class Record:
    """One line before it stands in a chain: every part of the frame can be bent."""

    def __init__(self, kind, fields="", utc=UTC, up=UP, form='{{"n":{n},"utc":"{utc}","up_s":{up},"kind":"{kind}"{fields},"prev":"{prev}"}}'):
        self.kind, self.fields, self.utc, self.up, self.form = kind, fields, utc, up, form

    def line(self, n, prev):
        text = self.form.format(n=n, utc=self.utc, up=self.up, kind=self.kind, fields=self.fields, prev=prev)
        return text.encode("latin-1")


class Seal(Record):
    """Signed by `key` where one is given, when its place in the chain is known."""

    def __init__(self, key=None, **frame):
        super().__init__("seal", ',"algorithm":"none","key":null,"signature":null', **frame)
        self.key = key

    def line(self, n, prev):
        if self.key:
            public = self.key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()
            self.fields = f',"algorithm":"Ed25519","key":"{public}","signature":""'
            self.fields = self.fields[:-1] + self.key.sign(super().line(n, prev)).hex() + '"'
        return super().line(n, prev)


def chain(records, first_n=0, prev="0" * 64):
    """The lines, each without its LF."""
    lines = []
    for n, record in enumerate(records, first_n):
        lines.append(record.line(n, prev))
        prev = hashlib.sha256(lines[-1]).hexdigest()
    return lines


def text(lines):
    return b"".join(line + b"\n" for line in lines)


def opening(number=2, more=""):
    return Record("opening", f',"format":"nightwell-journal/{number}"{more}')


CLOSING = Record("closing", ',"ending":"finished","why":"done"')


def note(words="a"):
    return Record("note", f',"text":"{words}"')


def night(number=2, middle=(note("a"), note("b")), end="unsealed", key=None):
    """The records of a small journal; end: open, closed (its seal is missing), unsealed, sealed."""
    records = [opening(number), *middle]
    if end != "open":
        records.append(CLOSING)
    if number == 2 and end in ("unsealed", "sealed"):
        records.append(Seal(key if end == "sealed" else None))
    return records
