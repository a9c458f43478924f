"""`nightwell keys`, `tail --relay`, `runs --relay` and `verify --heads` as people use them, against a relay of the test's own and
against nightwell-relay, which stands beside NIGHTWELL.

follower_test.py NIGHTWELL [TEST…]. Python 3, python3-cryptography and the `openssl` command; every test has a folder of its own, and
they run side by side, since most of them wait for a pause between two lines.
"""
import concurrent.futures
import contextlib
import datetime
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "journal"))
from fake_relay import FakeRelay, end, head, hello, own, refusal, says  # noqa: E402
from written_journals import chain, night, note, sha256, text  # noqa: E402

NIGHTWELL = sys.argv[1]
RUN = "cold-store-20261125-201500"


def check(condition, words):
    if not condition:
        raise AssertionError(words)


class Lab:
    """A folder with a relay's folder in it, and one follower."""

    def __init__(self):
        self.held = tempfile.TemporaryDirectory(prefix="nightwell-follow-")
        self.folder = self.held.name
        self.relay = f"{self.folder}/relay"
        self.call("keys", "relay", self.relay, "--host", "localhost", "--host", "127.0.0.1", "--listen", "127.0.0.1:7440",
                  "--state", f"{self.folder}/state")
        self.call("keys", "follower", self.relay, "anna")
        self.file = f"{self.relay}/anna.pem"
        self.copies = f"{self.folder}/copies"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.held.cleanup()

    def call(self, *arguments, expect=0, **more):
        done = subprocess.run([NIGHTWELL, *arguments], capture_output=True, timeout=60, check=False, **more)
        self.out, self.err = done.stdout, done.stderr.decode(errors="replace")
        check(expect is None or done.returncode == expect,
              f"{' '.join(arguments)}: exit {done.returncode}, expected {expect}\n{self.out.decode(errors='replace')}{self.err}")
        return self.out.decode(errors="replace")

    def tail(self, relay, *arguments, expect=0):
        return self.call("tail", "--relay", self.file, "--at", relay.at, *arguments, expect=expect)

    def tailing(self, relay, *arguments):
        return Tailing([NIGHTWELL, "tail", "--relay", self.file, "--at", relay.at, "--follow", *arguments])

    def copy(self, name="journal.ndjson"):
        with open(f"{self.copies}/{RUN}/{name}", "rb") as f:
            return f.read()


class Tailing:
    """A `tail` that runs on: what it has said on standard error, and how it ended."""

    def __init__(self, arguments):
        self.process = subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace")
        self.err, self.more, self.ended = "", threading.Condition(), False
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        for line in self.process.stderr:
            with self.more:
                self.err += line
                self.more.notify_all()
        with self.more:
            self.ended = True
            self.more.notify_all()

    def says(self, words):
        with self.more:
            self.more.wait_for(lambda: words in self.err or self.ended, 60)
            check(words in self.err, f"it does not say {words!r}: {self.err}")

    def end(self, *numbers):
        """Its exit code, after the signals."""
        for number in numbers:
            self.process.send_signal(number)
        try:
            return self.process.wait(60)
        finally:
            self.process.kill()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.end(signal.SIGKILL)


def words_of(count, closed=True):
    return chain(night("unsealed" if closed else "open", [note(f"note {i}") for i in range(count)]))


def whole(lines):
    """A step that answers as docs/relay.md has it."""
    def answer(tls, request):
        start = request["from"]
        tls.sendall(hello(RUN, start) + text(lines[start:]) + head(lines, sha256) + end(True))
    return answer


# ---- keys ----

def openssl(*arguments):
    return subprocess.run(["openssl", *arguments], capture_output=True, text=True, check=False)


def openssl_takes_the_certificates_for_their_purpose_alone():
    with Lab() as lab:
        authority = ["verify", "-x509_strict", "-CAfile", f"{lab.relay}/authority.pem", "-purpose"]
        check(openssl(*authority, "sslserver", f"{lab.relay}/relay.pem").returncode == 0, "the relay's as a server")
        check(openssl(*authority, "sslclient", lab.file).returncode == 0, "the follower's as a client")
        check(openssl(*authority, "sslclient", f"{lab.relay}/relay.pem").returncode != 0, "the relay's is no client's")
        check(openssl(*authority, "sslserver", lab.file).returncode != 0, "the follower's is no server's")
        der = subprocess.run(["openssl", "pkey", "-pubin", "-outform", "DER"], capture_output=True, check=True,
                             input=openssl("x509", "-in", lab.file, "-noout", "-pubkey").stdout.encode()).stdout
        with open(f"{lab.relay}/relay.json", encoding="utf-8") as f:
            allow = json.load(f)["allow"]
        check(allow == [{"name": "anna", "key": "sha256:" + sha256(der)}], f"the allow-list names the key: {allow}")
        check(allow[0]["key"] in lab.call("keys", "show", lab.file), "keys show names it")


def another_library_reads_the_same_in_them():
    with Lab() as lab:
        def load(name):
            with open(f"{lab.relay}/{name}", "rb") as f:
                return x509.load_pem_x509_certificate(f.read())
        authority, relay, follower = load("authority.pem"), load("relay.pem"), load("anna.pem")

        def value(certificate, kind):
            return certificate.extensions.get_extension_for_class(kind)
        basic = value(authority, x509.BasicConstraints)
        check(basic.critical and basic.value.ca and basic.value.path_length == 0, "the authority's constraints")
        check(value(authority, x509.KeyUsage).value.key_cert_sign, "the authority signs certificates")
        names = value(relay, x509.SubjectAlternativeName).value
        check(names.get_values_for_type(x509.DNSName) == ["localhost"], "the relay's names")
        check([str(a) for a in names.get_values_for_type(x509.IPAddress)] == ["127.0.0.1"], "the relay's addresses")
        for certificate, use in ((relay, ExtendedKeyUsageOID.SERVER_AUTH), (follower, ExtendedKeyUsageOID.CLIENT_AUTH)):
            check(list(value(certificate, x509.ExtendedKeyUsage).value) == [use], "one use")
            check(value(certificate, x509.BasicConstraints).critical, "constraints are critical")
            check(value(certificate, x509.KeyUsage).critical, "usage is critical")
            check(not value(certificate, x509.BasicConstraints).value.ca, "no authority")
            authority.public_key().verify(certificate.signature, certificate.tbs_certificate_bytes,
                                          ec.ECDSA(certificate.signature_hash_algorithm))
            check(value(certificate, x509.AuthorityKeyIdentifier).value.key_identifier ==
                  value(authority, x509.SubjectKeyIdentifier).value.digest, "the authority's key identifier")
            check((certificate.not_valid_after - certificate.not_valid_before).days == 730, "two years")
        serials = {c.serial_number for c in (authority, relay, follower)}
        check(len(serials) == 3 and all(s.bit_length() == 128 for s in serials), "random serial numbers of 128 bits")


def private_keys_are_their_owners_alone():
    with Lab() as lab:
        for name in ("authority.key", "relay.key", "anna.pem"):
            check(os.stat(f"{lab.relay}/{name}").st_mode & 0o777 == 0o600, f"{name} has mode 0600")
        os.chmod(lab.file, 0o644)
        lab.call("tail", "--relay", lab.file, expect=3)
        check("chmod 600" in lab.err, lab.err)


def a_replaced_file_keeps_mode_and_owner():
    """A relay that another user runs must be able to read them after root has added a follower with a careful umask."""
    with Lab() as lab:
        os.chmod(f"{lab.relay}/relay.json", 0o640)
        if os.geteuid() == 0:
            os.chown(f"{lab.relay}/relay.json", 65534, 65533)
            os.chown(f"{lab.relay}/relay.pem", 0, 65533)

        def facts():
            found = [os.stat(f"{lab.relay}/{name}") for name in ("relay.json", "relay.pem")]
            return [(oct(one.st_mode), one.st_uid, one.st_gid) for one in found]
        before = facts()
        for mask in (0o027, 0o077):
            lab.call("keys", "follower", lab.relay, "berta", umask=mask)
            check(facts() == before, f"a follower added: {facts()}, not {before}")
            lab.call("keys", "remove", lab.relay, "berta", umask=mask)
            check(facts() == before, f"a follower removed: {facts()}, not {before}")
            os.remove(f"{lab.relay}/berta.pem")
            lab.call("keys", "relay", lab.relay, "--renew", umask=mask)
            check(facts() == before, f"renewed: {facts()}, not {before}")
        os.remove(f"{lab.relay}/relay.pem")
        lab.call("keys", "relay", lab.relay, "--renew", "--host", "localhost", umask=0o077)
        check(os.stat(f"{lab.relay}/relay.pem").st_mode & 0o777 == 0o644, "and a new one is as keys relay makes it")


def nothing_is_overwritten():
    with Lab() as lab:
        before = {name: open(f"{lab.relay}/{name}", "rb").read() for name in os.listdir(lab.relay)}
        lab.call("keys", "relay", lab.relay, "--host", "192.0.2.7", expect=2)
        lab.call("keys", "follower", lab.relay, "anna", expect=2)
        lab.call("keys", "remove", lab.relay, "berta", expect=2)
        lab.call("keys", "follower", lab.relay, "../berta", expect=2)
        lab.call("keys", "follower", lab.relay, "relay", expect=2)
        after = {name: open(f"{lab.relay}/{name}", "rb").read() for name in os.listdir(lab.relay)}
        check(before == after, "the folder is as it was")


def a_follower_comes_and_goes_and_the_relay_is_renewed():
    with Lab() as lab:
        lab.call("keys", "follower", lab.relay, "berta", "--at", "lab.example.org:7999", "--days", "10")
        check("10 days more" in lab.call("keys", "show", f"{lab.relay}/berta.pem"), "near its end")
        check("lab.example.org:7999" in lab.out.decode(), "where the relay is")
        check("must be restarted" in lab.call("keys", "remove", lab.relay, "anna"), "berta is left")
        with open(f"{lab.relay}/relay.json", encoding="utf-8") as f:
            check([one["name"] for one in json.load(f)["allow"]] == ["berta"], "the allow-list")
        shown = lab.call("keys", "show", f"{lab.relay}/relay.pem")
        renewed = lab.call("keys", "relay", lab.relay, "--renew", "--days", "900")
        key = [line for line in shown.splitlines() if line.startswith("key")]
        check(key == [line for line in renewed.splitlines() if line.startswith("key")], "the relay's key stays")
        check("localhost, 127.0.0.1" in renewed, "and so do its hosts")
        check("Nobody is left on the list" in lab.call("keys", "remove", lab.relay, "berta"), "a relay serves somebody, or nobody")


def a_browsers_file_opens_with_the_password_that_was_shown():
    with Lab() as lab:
        out = lab.call("keys", "follower", lab.relay, "phone", "--browser")
        password = out.split("password ")[1].split()[0]
        with open(f"{lab.relay}/phone.p12", "rb") as f:
            packed = f.read()
        key, certificate, more = pkcs12.load_key_and_certificates(packed, password.encode())
        public = serialization.PublicFormat.SubjectPublicKeyInfo
        check(key.public_key().public_bytes(serialization.Encoding.DER, public) ==
              certificate.public_key().public_bytes(serialization.Encoding.DER, public), "key and certificate fit")
        check(len(more) == 1, "the authority is in it")
        try:
            pkcs12.load_key_and_certificates(packed, b"another")
            check(False, "any password opens it")
        except ValueError:
            pass


# ---- tail ----

def cut_off_again_and_again_the_copy_is_the_journal():
    lines = words_of(40)
    with Lab() as lab:
        def cut(at):
            def step(tls, request):
                start = request["from"]
                check(start == 0 or request["prev"] == sha256(lines[start - 1]), f"prev of {request}")
                tls.sendall((hello(RUN, start) + text(lines[start:]))[:at])
            return step
        with FakeRelay(lab.relay, [cut(60), cut(2000), cut(3001), whole(lines)]) as relay:
            printed = lab.tail(relay, "--follow", "--raw", "--copy", lab.copies)
        check(printed.encode() == text(lines), "every record is printed once")
        check(lab.copy() == text(lines), "the copy is the journal, byte for byte")
        check(lab.copy("heads.ndjson") == head(lines, sha256), "the head is kept")
        check(relay.requests[-1]["from"] > 0, f"it went on: {relay.requests}")
        check(lab.err.count("no line to the relay") >= 1 and "up again" in lab.err, lab.err)
        lab.call("verify", f"{lab.copies}/{RUN}", "--heads", f"{lab.copies}/{RUN}")
        # The copy is whole: the next call asks only whether it still fits.
        with FakeRelay(lab.relay, [whole(lines)]) as relay:
            lab.tail(relay, "--copy", lab.copies, RUN)
        check(relay.requests == [{"read": RUN, "from": len(lines), "prev": sha256(lines[-1])}], f"{relay.requests}")
        check(lab.copy() == text(lines), "and it is as it was")


def a_copy_goes_on_where_it_was_cut():
    lines = words_of(10)
    with Lab() as lab:
        os.makedirs(f"{lab.copies}/{RUN}")
        with open(f"{lab.copies}/{RUN}/journal.ndjson", "wb") as f:
            f.write(text(lines)[:1000])
        with FakeRelay(lab.relay, [whole(lines)]) as relay:
            lab.tail(relay, "--copy", lab.copies)  # the newest: its id is known after the hello only
        kept = text(lines)[:1000].count(b"\n")
        check([r["from"] for r in relay.requests] == [0, kept], f"{relay.requests}")
        check(lab.copy() == text(lines), "the copy is the journal")
        check("unfinished line" in lab.err, lab.err)


def a_copy_that_is_removed_while_it_is_kept_is_told():
    lines = words_of(10)
    with Lab() as lab:
        def removed(tls, request):
            tls.sendall(hello(RUN, 0) + text(lines[:5]))
            path = f"{lab.copies}/{RUN}/journal.ndjson"
            while not os.path.exists(path) or lab.copy().count(b"\n") < 5:
                time.sleep(0.01)
            shutil.rmtree(f"{lab.copies}/{RUN}")
            tls.sendall(text(lines[5:]) + head(lines, sha256) + end(True))
        with FakeRelay(lab.relay, [removed]) as relay:
            lab.tail(relay, "--follow", "--copy", lab.copies, expect=2)
        check("keeping a copy" in lab.err and "removed or moved away" in lab.err, lab.err)


def what_is_said_to_nobody_is_not_in_the_copy():
    """With standard output and error closed the next files that a program opens would be called 1 and 2."""
    lines = words_of(10)
    with Lab() as lab:
        def cut(at):
            def step(tls, request):
                start = request["from"]
                tls.sendall(hello(RUN, start) + text(lines[start:at]))
            return step
        with FakeRelay(lab.relay, [cut(3), cut(5), whole(lines)]) as relay:
            command = [NIGHTWELL, "tail", "--relay", lab.file, "--at", relay.at, "--follow", "--copy", lab.copies]
            for closed in (">&- 2>&-", "<&- >&- 2>&-", "<&- 2>&-"):
                shutil.rmtree(lab.copies, ignore_errors=True)
                relay.script = [cut(3), cut(5), whole(lines)]
                done = subprocess.run(["/bin/sh", "-c", f"exec \"$@\" {closed}", "sh", *command], timeout=60, check=False,
                                      stdout=subprocess.DEVNULL)
                check(done.returncode == 0, f"{closed}: exit {done.returncode}")
                check(lab.copy() == text(lines), f"{closed}: {lab.copy()[:2000]}")


def another_history_is_told_and_leaves_the_copy():
    lines, other = words_of(10, closed=False), chain(night("open", [note("other words") for _ in range(12)]))
    with Lab() as lab:
        def first(tls, request):
            tls.sendall(hello(RUN, 0) + text(lines) + head(lines, sha256))
        for told in (lambda tls, request: tls.sendall(refusal("changed", "prev does not fit")),
                     lambda tls, request: tls.sendall(refusal("no_such_record", "it ends before")),
                     lambda tls, request: tls.sendall(hello(RUN, request["from"]) + text(other[request["from"]:])),
                     lambda tls, request: tls.sendall(hello(RUN, request["from"]) + head(other[:len(lines)], sha256))):
            with FakeRelay(lab.relay, [first, told]) as relay:
                lab.tail(relay, "--follow", "--copy", lab.copies, expect=6)
            check("ANOTHER HISTORY" in lab.err, lab.err)
            check(lab.copy() == text(lines), "the copy is as it was")
        # Later, with the lab's file in hand.
        for name, journal, expect in (("same", lines, 4), ("cut", lines[:-3], 2), ("anew", other, 2)):
            with open(f"{lab.folder}/{name}.ndjson", "wb") as f:
                f.write(text(journal))
            lab.call("verify", f"{lab.folder}/{name}.ndjson", "--heads", f"{lab.copies}/{RUN}/heads.ndjson", expect=expect)
            check((b"CUT" in lab.out, b"WRITTEN ANEW" in lab.out) == (name == "cut", name == "anew"), lab.out.decode())


def a_journal_cut_within_one_line_is_another_history_too():
    lines = words_of(6, closed=False)
    with Lab() as lab, FakeRelay(lab.relay, [says(hello(RUN, 0), text(lines), head(lines[:-1], sha256))]) as relay:
        lab.tail(relay, "--follow", expect=6)


def only_the_labs_relay_is_believed():
    lines = words_of(3)
    with Lab() as lab, Lab() as foreign, FakeRelay(foreign.relay, [whole(lines)]) as relay:
        check(lab.tail(relay, "--follow", expect=3) == "", "nothing of it is printed")
        check("not by the authority" in lab.err, lab.err)
    # A tunnel: the line goes elsewhere, and the certificate is for the host that the file names.
    with Lab() as lab:
        elsewhere = f"{lab.folder}/elsewhere"
        lab.call("keys", "relay", elsewhere, "--host", "192.0.2.7", "--state", lab.folder)
        lab.call("keys", "follower", elsewhere, "anna")
        with FakeRelay(elsewhere, [whole(lines)]) as relay:
            lab.call("tail", "--relay", f"{elsewhere}/anna.pem", "--at", relay.at, "--raw")
        check(lab.out == text(lines), "all of it")


def a_host_that_the_certificate_does_not_name_is_refused():
    lines = words_of(3)
    with Lab() as lab:
        with open(lab.file, encoding="utf-8") as f:
            moved = f.read().replace("relay: localhost:7440", "relay: lab.example.org:7440")
        with open(lab.file, "w", encoding="utf-8") as f:
            f.write(moved)
        lab.call("keys", "relay", lab.relay, "--renew", "--host", "other.example.org")
        with FakeRelay(lab.relay, [whole(lines)]) as relay:
            check(lab.tail(relay, expect=3) == "", "nothing of it is printed")
        check("it is for other.example.org, not for lab.example.org, localhost" in lab.err, lab.err)


def valid(lab, begin, until):
    """The follower's file with a certificate that is valid then."""
    with open(f"{lab.relay}/authority.key", "rb") as f:
        authority_key = serialization.load_pem_private_key(f.read(), None)
    with open(f"{lab.relay}/authority.pem", "rb") as f:
        authority_pem = f.read()
    authority = x509.load_pem_x509_certificate(authority_pem)
    key = ec.generate_private_key(ec.SECP256R1())
    own_certificate = (x509.CertificateBuilder().subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "anna")]))
                       .issuer_name(authority.subject).public_key(key.public_key()).serial_number(7)
                       .not_valid_before(begin).not_valid_after(until)
                       .sign(authority_key, hashes.SHA256()))
    with open(lab.file, "wb") as f:
        f.write(b"nightwell follower: anna\nrelay: localhost:7440\n" + key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()) +
                own_certificate.public_bytes(serialization.Encoding.PEM) + authority_pem)


def an_expired_certificate_is_told_before_anything_is_sent():
    with Lab() as lab, FakeRelay(lab.relay, [whole(words_of(3))]) as relay:
        now = datetime.datetime.utcnow()
        valid(lab, now - datetime.timedelta(days=4), now - datetime.timedelta(days=3))
        lab.tail(relay, "--follow", expect=3)
        check("expired on" in lab.err and "ask the lab" in lab.err, lab.err)
        check(relay.connections == 0, "nobody was called")


@contextlib.contextmanager
def relay_with_another_clock(lab, port, clock):
    """OpenSSL's own server in its place: it is told by which time to judge certificates."""
    process = subprocess.Popen(
        ["openssl", "s_server", "-accept", f"127.0.0.1:{port}", "-cert", f"{lab.relay}/relay.pem", "-key",
         f"{lab.relay}/relay.key", "-CAfile", f"{lab.relay}/authority.pem", "-Verify", "2", "-verify_return_error", "-attime",
         f"{clock}", "-tls1_3", "-alpn", "nightwell-relay/1", "-quiet"],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.kill()
        process.wait(20)


CLOCKS = ((4_000_000_000, "is not valid now"), (1_000_000_000, "clock is far behind"))


def once_it_is_met_a_relay_whose_clock_is_wrong_is_tried_again():
    lines = words_of(5)
    with Lab() as lab:
        def hangs_up(tls, request):
            start = request["from"]
            tls.sendall(hello(RUN, start) + text(lines[start:3]))
        with FakeRelay(lab.relay, [hangs_up]) as relay:
            tail = lab.tailing(relay, "--copy", lab.copies)
            tail.says("no line to the relay")
        port = int(relay.at.rpartition(":")[2])
        with tail:
            for clock, words in CLOCKS:
                with relay_with_another_clock(lab, port, clock):
                    tail.says(words)
            with FakeRelay(lab.relay, [whole(lines)], port=port):
                check(tail.end() == 0, f"it goes on where the clock is right again: {tail.err}")
        check(lab.copy() == text(lines), "and nothing is missing")


def at_the_first_meeting_a_relay_whose_clock_is_wrong_is_final():
    with Lab() as lab, FakeRelay(lab.relay, [whole(words_of(3))]) as relay:
        pass  # its port is free now
    with Lab() as lab:
        for clock, words in CLOCKS:
            with relay_with_another_clock(lab, int(relay.at.rpartition(":")[2]), clock):
                lab.tail(relay, "--follow", expect=3)
            check(words in lab.err, lab.err)


def once_it_is_met_a_certificate_that_runs_out_is_no_end():
    lines = words_of(5, closed=False)
    with Lab() as lab:
        now = datetime.datetime.utcnow()
        until = now + datetime.timedelta(seconds=4)
        valid(lab, now - datetime.timedelta(days=1), until)

        def until_it_runs_out(tls, request):
            tls.sendall(hello(RUN, 0) + text(lines))
            while datetime.datetime.utcnow() <= until + datetime.timedelta(seconds=1):
                time.sleep(0.05)
        with FakeRelay(lab.relay, [until_it_runs_out]) as relay, lab.tailing(relay) as tail:
            tail.says("expired on")
            check("trying again" in tail.err, tail.err)
            check(tail.end(signal.SIGTERM) == 0, f"somebody asked it to leave: {tail.err}")


def certificates_near_their_end_are_told():
    with Lab() as lab:
        lab.call("keys", "remove", lab.relay, "anna")
        os.remove(lab.file)
        lab.call("keys", "follower", lab.relay, "anna", "--days", "20")
        lab.call("keys", "relay", lab.relay, "--renew", "--days", "29")
        with FakeRelay(lab.relay, [whole(words_of(3))]) as relay:
            lab.tail(relay)
        check("this follower's certificate (anna) is valid until" in lab.err and "20 days more" in lab.err, lab.err)
        check("the relay's certificate is valid until" in lab.err, lab.err)


def a_relay_that_does_not_let_us_in_says_why():
    with Lab() as lab, Lab() as other:
        with FakeRelay(lab.relay, [whole(words_of(3))], authority=f"{other.relay}/authority.pem") as relay:
            lab.tail(relay, "--follow", expect=3)
        check("does not know the authority" in lab.err, lab.err)


def what_is_no_relay_is_no_relay():
    with Lab() as lab:
        with FakeRelay(lab.relay, [says(b"HTTP/1.1 400 Bad Request\r\n\r\n")]) as relay:
            lab.tail(relay, expect=3)
        check("no relay's answer" in lab.err, lab.err)
        with FakeRelay(lab.relay, [says(hello(RUN, 0), b'{"n":0,"utc":"never"}\n')]) as relay:
            lab.tail(relay, "--follow", "--copy", lab.copies, expect=2)
        check(lab.copy() == b"", "nothing of it is kept")


def text_from_outside_is_shown_safely():
    lines = chain(night("open", [note("\\u001b[2Jgone\\u202ereversed")]))
    with Lab() as lab:
        with FakeRelay(lab.relay, [says(hello(RUN, 0), text(lines), end(False))]) as relay:
            printed = lab.tail(relay)
        check("\\x1b[2Jgone\\u202ereversed" in printed and "\x1b" not in printed, repr(printed))
        with FakeRelay(lab.relay, [says(refusal("no_such_run", "\x1b[2Jgone\u202e"))]) as relay:
            lab.tail(relay, "--follow", expect=3)
        check("\x1b" not in lab.err and "\u202e" not in lab.err and "gone" in lab.err, repr(lab.err))
        # A run's id is a folder's name: it may be nothing else.
        with FakeRelay(lab.relay, [says(hello("../../gone", 0), text(lines), end(False))]) as relay:
            lab.tail(relay, "--copy", lab.copies, expect=3)
        check(not os.path.exists(lab.copies), "nothing was made")


def records_are_chosen_by_number_and_kind():
    lines = words_of(5)
    with Lab() as lab, FakeRelay(lab.relay, [whole(lines)]) as relay:
        lab.tail(relay, "--raw", "--since", "3", "--kind", "note,closing")
        check(lab.out == text(lines[3:-1]), lab.out.decode())
        lab.tail(relay, "--raw", "--kind", "note", "--kind", "seal", "--kind", "of_tomorrow")
        check(lab.out == text(lines[1:-2] + lines[-1:]), lab.out.decode())
        check("of_tomorrow" in lab.err, lab.err)
        lab.tail(relay, "--kind", "Not A Kind", expect=2)
        there = lab.tail(relay, "--kind", "seal", "--local", expect=0)
        check("2026-11-25 20:15:00+0000" in lab.call(
            "tail", "--relay", lab.file, "--at", relay.at, "--kind", "seal", "--local", env=dict(os.environ, TZ="UTC")), there)
        check("2026-11-25 21:15:00+0100" in lab.call(
            "tail", "--relay", lab.file, "--at", relay.at, "--kind", "seal", "--local",
            env=dict(os.environ, TZ="CET-1CEST,M3.5.0,M10.5.0/3")), "an hour later")


def runs_are_listed():
    listed = own(relay="run", run=RUN, opened="2026-11-25T20:15:00.000000Z", records=12, bytes=3456, closed=True) + own(
        relay="run", run="other", opened=None, records=0, bytes=0, closed=False)
    with Lab() as lab, FakeRelay(lab.relay, [says(listed, end(False))]) as relay:
        table = lab.call("runs", "--relay", lab.file, "--at", relay.at).splitlines()
        check(table[1].split() == [RUN, "2026-11-25", "20:15:00Z", "12", "3456", "yes"], table)
        check(relay.requests == [{"runs": True}], f"{relay.requests}")
        found = json.loads(lab.call("runs", "--relay", lab.file, "--at", relay.at, "--json"))
        check([run["run"] for run in found] == [RUN, "other"] and found[1]["opened"] is None, found)


def a_reader_who_has_gone_ends_it_quietly():
    lines = words_of(3, closed=False)
    with Lab() as lab:
        path = f"{lab.folder}/journal.ndjson"
        with open(path, "wb") as f:
            f.write(text(lines))

        def open_for_ever(tls, request):
            tls.sendall(hello(RUN, 0) + text(lines))
            tls.recv(1)  # until the follower hangs up
        with FakeRelay(lab.relay, [open_for_ever]) as relay:
            for arguments in (["tail", path, "--follow"], ["tail", "--relay", lab.file, "--at", relay.at, "--follow"]):
                process = subprocess.Popen([NIGHTWELL, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
                check(b"opening" in process.stdout.readline(), "each line comes at once")
                process.stdout.readline()
                process.stdout.readline()
                process.stdout.readline()
                process.stdout.close()  # nothing more is written: the end of the pipe alone must be noticed
                check(process.wait(20) in (0, -13), f"exit {process.returncode}")
                check(process.stderr.read() == b"", "quietly")


# ---- with the relay itself ----

class RealRelay:
    """nightwell-relay on a port that the system chose."""

    def __init__(self, lab):
        self.lab = lab
        with open(f"{lab.relay}/relay.json", encoding="utf-8") as f:
            config = dict(json.load(f), listen="127.0.0.1:0")
        with open(f"{lab.relay}/relay.json", "w", encoding="utf-8") as f:
            json.dump(config, f)

    def __enter__(self):
        self.process = subprocess.Popen([os.path.join(os.path.dirname(NIGHTWELL), "nightwell-relay"), f"{self.lab.relay}/relay.json"],
                                        stderr=subprocess.PIPE, text=True)
        self.log = []
        for line in self.process.stderr:
            self.log.append(line)
            found = re.search(r"listens on 127\.0\.0\.1:(\d+)", line)
            if found:
                self.at = f"127.0.0.1:{found.group(1)}"
                break
        else:
            raise AssertionError("the relay does not start: " + "".join(self.log))
        threading.Thread(target=lambda: self.log.extend(self.process.stderr), daemon=True).start()
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(20)


def the_labs_relay_and_this_follower_understand_each_other():
    lines, others = words_of(2000), words_of(2)
    with Lab() as lab:
        folder = f"{lab.folder}/state/runs"
        for run, journal in ((RUN, text(lines)), ("cold-store-20261124-201500", text(others))):
            os.makedirs(f"{folder}/{run}")
            with open(f"{folder}/{run}/journal.ndjson", "wb") as f:
                f.write(journal)
        lab.call("keys", "follower", lab.relay, "berta")
        lab.call("keys", "remove", lab.relay, "berta")
        with RealRelay(lab) as relay:
            runs = json.loads(lab.call("runs", "--relay", lab.file, "--at", relay.at, "--json"))
            check({run["run"]: (run["records"], run["closed"]) for run in runs} == {
                RUN: (len(lines), True), "cold-store-20261124-201500": (len(others), True)}, f"{runs}")
            lab.tail(relay, RUN, "--follow", "--raw", "--copy", lab.copies)
            check(lab.out == text(lines) and lab.copy() == text(lines), "the journal is printed and copied")
            verified = lab.call("verify", f"{folder}/{RUN}", "--heads", f"{lab.copies}/{RUN}", "--copy", f"{lab.copies}/{RUN}")
            check("1 of 1 found" in verified and "equal" in verified, verified)
            lab.tail(relay, RUN, "--copy", lab.copies)  # nothing more, and it still fits
            lab.tail(relay, "no-such-run", "--follow", expect=3)
            check("no_such_run" in lab.err, lab.err)
            for _ in range(5):  # why one is refused must not depend on who is faster
                lab.call("tail", "--relay", f"{lab.relay}/berta.pem", "--at", relay.at, "--follow", expect=3)
                check("allow-list" in lab.err, lab.err)
            # Somebody writes the closed journal anew, as long as it was and with a chain that fits.
            anew = chain(night("unsealed", [note(f"note {i + 1}") for i in range(2000)]))
            with open(f"{folder}/{RUN}/journal.ndjson", "wb") as f:
                f.write(text(anew))
            lab.call("verify", f"{folder}/{RUN}")
            lab.tail(relay, RUN, "--copy", lab.copies, expect=6)
            lab.call("verify", f"{folder}/{RUN}", "--heads", f"{lab.copies}/{RUN}", expect=2)
            check(lab.copy() == text(lines), "the copy is as it was")


TESTS = [openssl_takes_the_certificates_for_their_purpose_alone, another_library_reads_the_same_in_them,
         private_keys_are_their_owners_alone, a_replaced_file_keeps_mode_and_owner, nothing_is_overwritten, a_follower_comes_and_goes_and_the_relay_is_renewed,
         a_browsers_file_opens_with_the_password_that_was_shown, cut_off_again_and_again_the_copy_is_the_journal,
         a_copy_goes_on_where_it_was_cut, a_copy_that_is_removed_while_it_is_kept_is_told,
         what_is_said_to_nobody_is_not_in_the_copy, another_history_is_told_and_leaves_the_copy,
         a_journal_cut_within_one_line_is_another_history_too, only_the_labs_relay_is_believed,
         a_host_that_the_certificate_does_not_name_is_refused, an_expired_certificate_is_told_before_anything_is_sent,
         once_it_is_met_a_relay_whose_clock_is_wrong_is_tried_again, at_the_first_meeting_a_relay_whose_clock_is_wrong_is_final,
         once_it_is_met_a_certificate_that_runs_out_is_no_end, certificates_near_their_end_are_told, a_relay_that_does_not_let_us_in_says_why, what_is_no_relay_is_no_relay,
         text_from_outside_is_shown_safely, records_are_chosen_by_number_and_kind, runs_are_listed,
         a_reader_who_has_gone_ends_it_quietly, the_labs_relay_and_this_follower_understand_each_other]


def main():
    wanted = [test for test in TESTS if not sys.argv[2:] or test.__name__ in sys.argv[2:]]
    with concurrent.futures.ThreadPoolExecutor(8) as pool:
        done = [(test, pool.submit(test)) for test in wanted]
    failed = 0
    for test, outcome in done:
        error = outcome.exception()
        failed += error is not None
        print(f"{'FAIL' if error else 'ok  '}  {test.__name__}" + (f": {type(error).__name__}: {error}" if error else ""))
    print(f"{len(wanted) - failed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
