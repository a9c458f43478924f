#!/usr/bin/python3
"""Checks a journal by docs/journal.md alone: a second reader that shares nothing with the program's own.

usage: independent_check.py JOURNAL [--key PUBLIC_KEY], with Python 3 and python3-cryptography. Prints the verdict (whole,
unfinished, torn, damaged at line n), how many lines are good, the hash of the last, and the seal. Ends as `nightwell verify`:
0 whole and closed; 4 not closed, torn, or without its seal; 5 unsealed, --key asks; 2 damaged, or sealed by another key."""
import collections, hashlib, itertools, json, os, pathlib, re, sys
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key

LONGEST_LINE, LONGEST_TORN_END, SECTOR, DEEPEST = 65536, 1 << 20, 512, 16
FRAME = re.compile(rb'\{"n":(0|[1-9][0-9]{0,17}),("utc":"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z",'
                   rb'"up_s":(?:0|[1-9][0-9]{0,11})\.[0-9]{6}),"kind":"([a-z_]{1,32})"(.*),"prev":"([0-9a-f]{64})"\}\n')
OPENING = re.compile(rb',"format":"nightwell-journal/([12])"(?:|,.*)')
SEAL = re.compile(rb',"algorithm":(?:"none","key":null,"signature":null|'
                  rb'"Ed25519","key":"([0-9a-f]{64})","signature":"([0-9a-f]{128})")')
# Escapes of ", \ and what is not printable ASCII, and of nothing else; beyond U+FFFF in pairs, never half a pair.
STRING = re.compile(rb'"(?:[ !#-\[\]-~]|\\["\\]|\\u(?:00[01][0-9a-f]|007f|00[89a-f][0-9a-f]|0[1-9a-f][0-9a-f]{2}|'
                    rb'[1-9abcef][0-9a-f]{3}|d[0-7][0-9a-f]{2}|d[89ab][0-9a-f]{2}\\ud[c-f][0-9a-f]{2}))*"')
OUTSIDE_STRINGS = re.compile(rb'[][{}:,0-9eE+.a-z-]*')  # no white space, no NaN; the rest is for json to judge
Verdict = collections.namedtuple("Verdict", "code state lines head seal")  # lines: the good ones
Piece = collections.namedtuple("Piece", "line start file")  # a line with its LF if it has one, its offset, its whole file


def record(piece):
    """The match of FRAME where the line is a record in the one way to write it, else None."""
    frame, outside = FRAME.fullmatch(piece.line), STRING.sub(b'', piece.line[:-1])
    depths = itertools.accumulate(1 if bracket in b"[{" else -1 for bracket in re.findall(rb'[][{}]', outside))
    good = frame and len(piece.line) <= LONGEST_LINE + 1 and max(depths) <= DEEPEST and OUTSIDE_STRINGS.fullmatch(outside)
    try:
        return good and json.loads(frame[0], parse_int=float) and frame
    except ValueError:
        return None


def begins_torn_end(piece):
    """Of a line that is no record: whether it is unfinished, or what a power cut leaves."""
    zeros, size = re.search(rb'\0+', piece.line), len(piece.file)
    unfinished = not piece.line.endswith(b"\n") and len(piece.line) <= LONGEST_LINE
    if unfinished or not zeros:
        return unfinished
    begin, end = (piece.start + at for at in zeros.span())
    at_sectors = (begin == piece.start or begin % SECTOR == 0) and (end == size or end % SECTOR == 0)
    return at_sectors and size - piece.start <= LONGEST_TORN_END


def pieces(path):
    """The lines of all files of a journal in order, without those that a later file has again, and what is behind them."""
    (stem, extension), lines, begin = os.path.splitext(path), [], 0
    later = (f"{stem}-{number}{extension}" for number in itertools.count(2))
    for name in itertools.takewhile(os.path.exists, itertools.chain([path], later)):
        file = pathlib.Path(name).read_bytes()
        own = [Piece(found.group(), found.start(), file) for found in re.finditer(rb'[^\n]*\n|[^\n]+\Z', file)]
        first = FRAME.fullmatch(own[0].line) if own else None
        if name != path and not first:  # torn: nothing goes on; otherwise damage
            return lines if not own or not own[0].line.endswith(b"\n") or begins_torn_end(own[0]) else lines + own
        begin = max(begin, int(first[1])) if name != path else 0
        lines[begin:] = own
    return lines


def seal_of(frame, closing):
    """What the record behind the closing one says: "unsealed", "sealed KEY", or None where it is no seal that fits."""
    form = SEAL.fullmatch(frame[4]) if frame[3] == b"seal" and frame[2] == closing[2] else None
    if not form or not form[1]:
        return form and "unsealed"
    begin, end = (frame.start(4) + at for at in form.span(2))
    key, signature = (bytes.fromhex(digits.decode()) for digits in form.groups())
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, frame[0][:begin] + frame[0][end:-1])
    except (InvalidSignature, ValueError):
        return None
    return f"sealed {key.hex()}"


def check(path, key=None):
    """The Verdict on a journal; key: the public key, as 64 hex digits, that must have sealed it."""
    lines, head, opening, closing, seal = pieces(path), "0" * 64, None, None, None
    for n, piece in enumerate(lines):
        frame, complete = record(piece), seal or (closing and opening[1] == b"1")
        if not frame and not complete and begins_torn_end(piece) and piece.file is lines[-1].file:
            return Verdict(4, "torn", n, head, "missing" if closing else "none")
        good = frame and frame[1] == b"%d" % n and frame[5].decode() == head
        opening = opening or (good and frame[3] == b"opening" and OPENING.fullmatch(frame[4]))
        seal = seal_of(frame, closing) if good and closing and not complete else None
        if not (good and opening) or (closing and not seal) or (frame[3] == b"seal" and not closing):
            return Verdict(2, "damaged", n, head, "none")
        closing, head = closing or (frame if frame[3] == b"closing" else None), hashlib.sha256(piece.line[:-1]).hexdigest()
    if not closing or (opening[1] == b"2" and not seal):
        return Verdict(4, "unfinished", len(lines), head, "missing" if closing else "none")
    code = 0 if not key or seal == f"sealed {key}" else 5 if seal in (None, "unsealed") else 2
    return Verdict(code, "whole", len(lines), head, seal or "unsealed")


if __name__ == "__main__":
    public = load_pem_public_key(pathlib.Path(sys.argv[3]).read_bytes()) if sys.argv[2:3] == ["--key"] else None
    code, state, lines, head, seal = check(sys.argv[1], public and public.public_bytes(Encoding.Raw, PublicFormat.Raw).hex())
    print(f"{state}{f' at line {lines}' if state == 'damaged' else ''}: {lines} lines, head {head}, seal {seal}")
    sys.exit(code)
