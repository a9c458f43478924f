"""Journals written by docs/journal.md, line by line, so that each part of a line can be bent."""
import hashlib
import re

from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat


class Record:
    """A line before it stands in a chain."""

    FORM = '{{"n":{n},"utc":"{utc}","up_s":{up},"kind":"{kind}"{fields},"prev":"{prev}"}}'

    def __init__(self, kind, fields="", utc="2026-11-25T20:15:00.000000Z", up="0.000000", form=FORM):
        self.kind, self.fields, self.utc, self.up, self.form = kind, fields, utc, up, form

    def line(self, n, prev):
        line = self.form.format(n=n, utc=self.utc, up=self.up, kind=self.kind, fields=self.fields, prev=prev)
        return line.encode("latin-1")


class Seal(Record):
    """Unsigned, or signed by `key` once its place in the chain is known."""

    def __init__(self, key=None, **frame):
        super().__init__("seal", ',"algorithm":"none","key":null,"signature":null', **frame)
        self.key = key

    def line(self, n, prev):
        if self.key:
            front = f',"algorithm":"Ed25519","key":"{public(self.key)}","signature":"'
            self.fields = front + '"'
            self.fields = front + self.key.sign(super().line(n, prev)).hex() + '"'
        return super().line(n, prev)


def opening(number=2):
    return Record("opening", f',"format":"nightwell-journal/{number}"')


def note(words="a", **frame):
    return Record("note", f',"text":"{words}"', **frame)


def value(written):
    return Record("note", f',"v":{written}')


def closing():
    return Record("closing", ',"ending":"finished","why":"done"')


def night(end="unsealed", middle=(note("a"), note("b")), number=2, key=None):
    """The records of a small journal. end: open, closed (lacks the seal of the second format), unsealed, sealed."""
    records = [opening(number), *middle]
    if end != "open":
        records.append(closing())
    if end in ("unsealed", "sealed"):
        records.append(Seal(key if end == "sealed" else None))
    return records


def chain(records, first_n=0, prev="0" * 64):
    """The lines, without their LF."""
    lines = []
    for n, record in enumerate(records, first_n):
        lines.append(record.line(n, prev))
        prev = sha256(lines[-1])
    return lines


def rechained(lines, key):
    """The lines with each prev made to fit, and a signature made anew: what is wrong in a line itself is left."""
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


def text(lines):
    """A file's bytes."""
    return b"".join(line + b"\n" for line in lines)


def journal(records):
    return text(chain(records))


def file_name(number):
    return "journal.ndjson" if number == 1 else f"journal-{number}.ndjson"


def sha256(line):
    return hashlib.sha256(line).hexdigest()


def public(key):
    """A private key's public key, as seals name it."""
    return key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()
