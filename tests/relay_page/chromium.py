"""A real Chromium without a window, told what to do through a pair of pipes. Standard library only.

The browser speaks the DevTools protocol (chromedevtools.github.io/devtools-protocol): JSON messages, each ended by a zero byte, on its
descriptors 3 and 4. A TLS client certificate cannot be chosen without a window, so pages come through a `Door`: plain HTTP on the
loopback address here, the relay's own TLS behind it, byte for byte.
"""
import base64
import contextlib
import json
import os
import queue
import shutil
import socket
import subprocess
import tempfile
import threading

PROGRAM = shutil.which("chromium")
PATIENCE_S = 60


class Door:
    """Forwards connections of this address to the page of a relay, with one of its followers' certificates."""

    def __init__(self, lab):
        self.lab = lab
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = "http://127.0.0.1:%d" % self.listener.getsockname()[1]
        self.open, self.held = True, []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        with contextlib.suppress(OSError):
            while True:
                here, _ = self.listener.accept()
                threading.Thread(target=self._forward, args=(here,), daemon=True).start()

    def _forward(self, here):
        with contextlib.suppress(OSError), here:
            if not self.open:
                return
            plain = socket.create_connection(("127.0.0.1", self.lab.page_port), timeout=PATIENCE_S)
            with self.lab.context(alpn="http/1.1").wrap_socket(plain, server_hostname="127.0.0.1") as there:
                self.held += [here, there]
                there.settimeout(None)
                back = threading.Thread(target=self._pump, args=(there, here), daemon=True)
                back.start()
                self._pump(here, there)
                back.join()

    @staticmethod
    def _pump(source, sink):
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def shut(self):
        """As a telephone without a network: what is connected breaks, and nothing connects any more."""
        self.open = False
        for end in self.held:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        self.held = []

    def reopen(self):
        self.open = True


class Chromium:
    def __init__(self):
        self.folder = tempfile.mkdtemp(prefix="nightwell-chromium-")
        to_browser, self.out = os.pipe()
        self.back, from_browser = os.pipe()
        # The browser wants its ends as 3 and 4, whatever they are here: a shell puts them there (bash: others know one digit only).
        command = [PROGRAM, "--headless=new", "--remote-debugging-pipe", f"--user-data-dir={self.folder}", "--no-first-run",
                   "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking", "--disable-component-update",
                   "--no-proxy-server", *(["--no-sandbox"] if os.geteuid() == 0 else [])]
        self.process = subprocess.Popen(
            ["bash", "-c", f'exec 3<&{to_browser} 4>&{from_browser}; exec "$@"', "bash", *command], stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, pass_fds=(to_browser, from_browser), start_new_session=True,
            env=dict(os.environ, HOME=self.folder, TZ="America/St_Johns", LANG="C.UTF-8"))
        os.close(to_browser)
        os.close(from_browser)
        self.lock, self.number, self.answers, self.tabs = threading.Lock(), 0, {}, {}
        threading.Thread(target=self._listen, daemon=True).start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        with contextlib.suppress(Exception):
            self.say("Browser.close")
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(10)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, 9)
        self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _listen(self):
        rest = b""
        while got := os.read(self.back, 1 << 16):
            *messages, rest = (rest + got).split(b"\0")
            for message in map(json.loads, messages):
                if "id" in message:
                    self.answers.pop(message["id"]).put(message)
                elif message.get("sessionId") in self.tabs:
                    self.tabs[message["sessionId"]].happened(message["method"], message["params"])

    def say(self, method, session=None, **parameters):
        answer = queue.Queue()
        with self.lock:
            self.number += 1
            message = {"id": self.number, "method": method, "params": parameters}
            if session:
                message["sessionId"] = session
            self.answers[self.number] = answer
            data = json.dumps(message).encode() + b"\0"
            while data:
                data = data[os.write(self.out, data):]
        told = answer.get(timeout=PATIENCE_S + 10)  # until() may take all of it
        if "error" in told:
            raise AssertionError(f"{method}: {told['error']}")
        return told["result"]

    def tab(self, **how):
        return Tab(self, **how)


class Tab:
    """One page, at a width; what went wrong in it is in `complaints`."""

    def __init__(self, browser, width, height, scripts=True, dark=False, mobile=False):
        self.browser, self.complaints, self.loaded = browser, [], queue.Queue()
        target = browser.say("Target.createTarget", url="about:blank")["targetId"]
        self.session = browser.say("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        browser.tabs[self.session] = self
        for domain in ("Page", "Runtime", "Log"):
            self.say(f"{domain}.enable")
        self.say("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=2 if mobile else 1, mobile=mobile)
        self.say("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])
        self.say("Emulation.setScriptExecutionDisabled", value=not scripts)

    def say(self, method, **parameters):
        return self.browser.say(method, session=self.session, **parameters)

    def happened(self, method, parameters):
        if method == "Page.loadEventFired":
            self.loaded.put(True)
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(parameters["exceptionDetails"].get("text", "an exception"))
        elif method == "Log.entryAdded" and parameters["entry"]["level"] in ("error", "warning"):
            self.complaints.append(parameters["entry"]["text"])
        elif method == "Page.javascriptDialogOpening":
            self.complaints.append("a dialog: " + parameters["message"])

    def go(self, address):
        self.say("Page.navigate", url=address)
        self.loaded.get(timeout=PATIENCE_S)

    def value(self, expression):
        """What an expression is in the page (also where the page's own scripts are off)."""
        told = self.say("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in told:
            raise AssertionError(f"{expression}: {told['exceptionDetails']}")
        return told["result"].get("value")

    def text(self, selector):
        return self.value(f"document.querySelector({json.dumps(selector)})?.innerText ?? ''")

    def until(self, condition):
        """Waits for an expression to become true; the page itself looks, at each change of what it shows."""
        told = self.say("Runtime.evaluate", awaitPromise=True, returnByValue=True, expression=f"""new Promise((resolve) => {{
            const late = setTimeout(() => resolve(false), {PATIENCE_S * 1000});
            const look = () => {{ if ({condition}) {{ clearTimeout(late); watcher.disconnect(); resolve(true); }} }};
            const watcher = new MutationObserver(look);
            watcher.observe(document, {{ subtree: true, childList: true, characterData: true, attributes: true }});
            look();
        }})""")
        if not told["result"].get("value"):
            raise AssertionError(f"never became true: {condition}; the page says: {self.text('body')[:600]}")

    def picture(self, name):
        """Kept where NIGHTWELL_PICTURES names a folder, for people to look at."""
        folder = os.environ.get("NIGHTWELL_PICTURES")
        if not folder:
            return
        size = self.say("Page.getLayoutMetrics")["cssContentSize"]
        data = self.say("Page.captureScreenshot", format="png", captureBeyondViewport=True,
                        clip={"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1})["data"]
        os.makedirs(folder, exist_ok=True)
        with open(os.path.join(folder, name + ".png"), "wb") as f:
            f.write(base64.b64decode(data))
