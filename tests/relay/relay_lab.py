"""A relay as a real process, with an authority, certificates and journals made for it. python3-cryptography.

Everything lives in a temporary folder that is removed at the end. Nothing waits for a fixed time: what is awaited is a line of the
stream or of the log.
"""
import contextlib
import datetime
import hashlib
import ipaddress
import json
import os
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

BIN = os.environ["NIGHTWELL_BIN_DIR"]
SOURCE = os.environ["NIGHTWELL_SOURCE_DIR"]
sys.path.insert(0, os.path.join(SOURCE, "tests", "journal"))

from written_journals import Record, Seal, chain, closing, note, opening  # noqa: E402

ALPN = "nightwell-relay/1"
NOW = datetime.datetime.utcnow()
DAY = datetime.timedelta(days=1)


class Failed(AssertionError):
    pass


def check(condition, text):
    if not condition:
        raise Failed(text)


class Authority:
    def __init__(self, folder, name):
        self.folder, self.name = folder, name
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.certificate = self._sign(self.subject, self.key.public_key(), NOW + 3650 * DAY, ca=True)
        self.file = self.write(f"{name}.pem", self.certificate.public_bytes(serialization.Encoding.PEM))

    def write(self, name, data, mode=0o644):
        path = os.path.join(self.folder, name)
        with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as f:
            f.write(data)
        return path

    def _sign(self, subject, public, until, ca=False, names=()):
        builder = (x509.CertificateBuilder().subject_name(subject).issuer_name(self.subject).public_key(public)
                   .serial_number(x509.random_serial_number()).not_valid_before(NOW - 30 * DAY).not_valid_after(until)
                   .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True))
        if names:
            builder = builder.add_extension(x509.SubjectAlternativeName(list(names)), critical=False)
        return builder.sign(self.key, hashes.SHA256())

    def issue(self, name, until=NOW + 365 * DAY, names=()):
        """Writes NAME.pem and NAME.key; gives the key's name as an allow-list has it."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._sign(subject, key.public_key(), until, names=names)
        self.write(f"{name}.pem", certificate.public_bytes(serialization.Encoding.PEM))
        self.write(f"{name}.key", key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
                                                     serialization.NoEncryption()), 0o600)
        der = key.public_key().public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
        return "sha256:" + hashlib.sha256(der).hexdigest()


class Stream:
    """A follower's end of the line."""

    def __init__(self, sock):
        self.sock = sock
        self.file = sock.makefile("rb")

    def lines(self):
        """All lines until the relay ends the connection, without LF."""
        return self.file.read().splitlines()

    def line(self):
        return self.file.readline().rstrip(b"\n")

    def record(self):
        """The next line of the journal."""
        while True:
            line = self.line()
            if not line.startswith(b'{"relay":') or not line:
                return line

    def close(self):
        self.file.close()
        self.sock.close()


def records(lines):
    return [line for line in lines if line.startswith(b'{"n":')]


def own(lines):
    return [json.loads(line) for line in lines if line.startswith(b'{"relay":')]


class Lab:
    def __init__(self, names=("alder", "birch"), **config):
        self.folder = tempfile.mkdtemp(prefix="nightwell-relay-test-")
        self.runs = os.path.join(self.folder, "state", "runs")
        os.makedirs(self.runs)
        self.authority = Authority(self.folder, "authority")
        self.authority.issue("relay", names=[x509.DNSName("localhost"),
                                             x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
        self.config = {"state": os.path.join(self.folder, "state"), "listen": "127.0.0.1:0", "certificate": "relay.pem",
                       "key": "relay.key", "authority": "authority.pem",
                       "allow": [{"name": name, "key": self.authority.issue(name)} for name in names], **config}
        self.log = []
        self.heard = threading.Condition()
        self.process = None

    def __enter__(self):
        return self

    def __exit__(self, kind, value, trace):
        if self.process:
            self.process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(10)
            self.process.kill()
        if kind is not None:
            print("--- the relay's log\n" + "\n".join(self.log), file=sys.stderr)
        shutil.rmtree(self.folder, ignore_errors=True)

    def write_config(self, **changes):
        path = os.path.join(self.folder, "relay.json")
        with open(path, "w") as f:
            json.dump({**self.config, **changes}, f)
        return path

    def start(self):
        # The sanitizers' search for leaks wants to look at the process from outside, which its sandbox refuses.
        environment = dict(os.environ, ASAN_OPTIONS="detect_leaks=0")
        self.process = subprocess.Popen([f"{BIN}/nightwell-relay", self.write_config()], stderr=subprocess.PIPE, text=True,
                                        env=environment)
        threading.Thread(target=self._listen, daemon=True).start()
        line = self.wait_for_log("listens on ")
        self.port = int(line.split("listens on 127.0.0.1:")[1].split(",")[0])
        return self

    def _listen(self):
        for line in self.process.stderr:
            with self.heard:
                self.log.append(line.rstrip("\n"))
                self.heard.notify_all()

    def wait_for_log(self, text, seconds=60):
        with self.heard:
            found = self.heard.wait_for(lambda: next((line for line in self.log if text in line), None), seconds)
        check(found, f"the log does not say {text!r}")
        return found

    def context(self, name="alder", version=ssl.TLSVersion.TLSv1_3, alpn=ALPN):
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.minimum_version = context.maximum_version = version
        context.load_verify_locations(self.authority.file)
        if alpn:
            context.set_alpn_protocols([alpn])
        if name:
            context.load_cert_chain(os.path.join(self.folder, f"{name}.pem"), os.path.join(self.folder, f"{name}.key"))
        return context

    def connect(self, request=None, name="alder", receive_buffer=None, timeout=30, **context):
        """A Stream behind its handshake; `request` is sent if given, as a value or as bytes."""
        raw = socket.socket()
        raw.settimeout(timeout)
        if receive_buffer:
            raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        raw.connect(("127.0.0.1", self.port))
        sock = self.context(name, **context).wrap_socket(raw, server_hostname="127.0.0.1")
        if request is not None:
            sock.sendall(request if isinstance(request, bytes) else json.dumps(request).encode() + b"\n")
        return Stream(sock)

    def ask(self, request, **how):
        """All lines of the answer."""
        stream = self.connect(request, **how)
        try:
            return stream.lines()
        finally:
            stream.close()

    # ---- journals ----

    def journal(self, run, number=1):
        folder = os.path.join(self.runs, run)
        os.makedirs(folder, exist_ok=True)
        return os.path.join(folder, "journal.ndjson" if number == 1 else f"journal-{number}.ndjson")

    def write(self, run, lines, number=1, end=b""):
        with open(self.journal(run, number), "wb") as f:
            f.write(b"".join(line + b"\n" for line in lines) + end)

    def append(self, run, data, number=1):
        with open(self.journal(run, number), "ab") as f:
            f.write(data)


def night(count, closed=True, number=2, utc="2026-11-25T20:15:00.000000Z", size=0):
    """The lines of a journal with `count` notes, some of them long where `size` says so."""
    middle = [note("a" * (size if size and i % 7 == 0 else 5) + str(i)) for i in range(count)]
    first = Record("opening", f',"format":"nightwell-journal/{number}"', utc=utc)
    ends = [closing()] + ([Seal()] if number == 2 else [])
    return list(chain([first, *middle, *(ends if closed else [])]))


def sha256(line):
    return hashlib.sha256(line).hexdigest()


def run_tests(tests):
    """Runs the functions at once, each in a thread (they wait more than they work); names on the command line choose some."""
    wanted = sys.argv[1:]
    failed, begun = [], time.monotonic()

    def run(test):
        start = time.monotonic()
        try:
            test()
            print(f"ok      {test.__name__} ({time.monotonic() - start:.1f} s)", flush=True)
        except Exception as error:  # noqa: BLE001: whatever it is, it is told
            failed.append(test.__name__)
            print(f"FAILED  {test.__name__}: {type(error).__name__}: {error}", flush=True)
            if not isinstance(error, Failed):
                import traceback
                traceback.print_exc()

    threads = [threading.Thread(target=run, args=(test,)) for test in tests if not wanted or test.__name__ in wanted]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print(f"{len(threads)} tests, {len(failed)} failed, {time.monotonic() - begun:.1f} s")
    sys.exit(1 if failed or not threads else 0)
