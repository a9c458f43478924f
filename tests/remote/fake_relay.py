"""A relay that says what a test wants it to, written from docs/relay.md alone. Python 3 and its ssl."""
import contextlib
import json
import socket
import ssl
import threading

UTC = "2026-11-25T20:15:00.000000Z"


def own(**fields):
    return json.dumps(fields, separators=(",", ":")).encode() + b"\n"


def hello(run, start):
    return own(relay="hello", format="nightwell-relay/1", run=run, **{"from": start})


def head(lines, sha256):
    return own(relay="head", n=len(lines) - 1, hash=sha256(lines[-1]), utc=UTC)


def end(closed):
    return own(relay="end", closed=closed)


def refusal(code, text):
    return own(relay="error", code=code, text=text)


class FakeRelay:
    """Answers connection after connection by `script`: functions of (connection, request), the last one again and again."""

    def __init__(self, folder, script, authority=None, port=0):
        self.script, self.requests, self.connections = list(script), [], 0
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_3
        self.context.num_tickets = 0
        self.context.load_cert_chain(f"{folder}/relay.pem", f"{folder}/relay.key")
        self.context.load_verify_locations(authority or f"{folder}/authority.pem")
        self.context.verify_mode = ssl.CERT_REQUIRED
        self.context.set_alpn_protocols(["nightwell-relay/1"])
        self.listener = socket.create_server(("127.0.0.1", port))
        self.at = f"localhost:{self.listener.getsockname()[1]}"
        threading.Thread(target=self.serve, daemon=True).start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        # A thread that waits in accept() is not woken by close() alone.
        with contextlib.suppress(OSError):
            self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()

    def serve(self):
        while True:
            try:
                line, _ = self.listener.accept()
            except OSError:
                return
            self.connections += 1
            with contextlib.suppress(OSError, ValueError), line:
                line.settimeout(20)
                with self.context.wrap_socket(line, server_side=True) as tls:
                    request = self.read_line(tls)
                    self.requests.append(json.loads(request))
                    step = self.script.pop(0) if len(self.script) > 1 else self.script[0]
                    step(tls, self.requests[-1])

    @staticmethod
    def read_line(tls):
        out = b""
        while not out.endswith(b"\n"):
            got = tls.recv(1)
            if not got:
                raise OSError("the follower hung up")
            out += got
        return out


def says(*parts):
    """A step that sends these bytes and hangs up."""
    return lambda tls, request: tls.sendall(b"".join(parts))
