"""Drives a headless Chromium over its debugging pipe, with nothing but Python's own library.

The pipe is descriptors 3 and 4 of the browser; messages are JSON, each ended by a zero byte
(https://chromedevtools.github.io/devtools-protocol/, "--remote-debugging-pipe"). No port is opened.
"""

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time

FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-default-apps", "--hide-scrollbars", "--force-color-profile=srgb",
    # A name of nobody's that leads here, as a hostile name server could have it.
    "--host-resolver-rules=MAP proofing-room.example 127.0.0.1",
]
# Keys that do what the browser, not the page, gives them to do.
KEY_CODES = {"Tab": 9, "Enter": 13, " ": 32}
ANSWER_S_MAX = 30


class Chromium:
    """One browser with an empty profile; use it in a `with`."""

    def __init__(self, path=None):
        path = path or shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
        if path is None:
            raise SystemExit("no Chromium here: install the package chromium")
        self.profile = tempfile.mkdtemp(prefix="nightclamp-browser-")
        to_browser, self.to = os.pipe()
        self.from_, from_browser = os.pipe()

        def hand_over():
            # First out of the way of 3 and 4, which may be taken by these very descriptors.
            read, write = os.dup(to_browser), os.dup(from_browser)
            while min(read, write) <= 4:
                read, write = os.dup(read), os.dup(write)
            os.dup2(read, 3)
            os.dup2(write, 4)

        command = [path, *FLAGS, "--remote-debugging-pipe", f"--user-data-dir={self.profile}", "about:blank"]
        self.process = subprocess.Popen(command, preexec_fn=hand_over, close_fds=False, stderr=subprocess.DEVNULL)
        os.close(to_browser)
        os.close(from_browser)
        self.buffer = b""
        self.number = 0
        self.pages = {}

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(10)
        shutil.rmtree(self.profile, ignore_errors=True)

    def call(self, method, session=None, **parameters):
        """Sends a command and returns its result; what comes meanwhile goes to its page."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        os.write(self.to, json.dumps(message).encode() + b"\0")
        wanted = self.number
        until = time.monotonic() + ANSWER_S_MAX
        while time.monotonic() < until:
            answer = self.receive(until - time.monotonic())
            if answer and answer.get("id") == wanted:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
        raise RuntimeError(f"{method}: no answer")

    def receive(self, seconds):
        """One message; events are handed to their page."""
        until = time.monotonic() + seconds
        while b"\0" not in self.buffer:
            ready, _, _ = select.select([self.from_], [], [], max(0, until - time.monotonic()))
            if not ready:
                return None
            chunk = os.read(self.from_, 1 << 20)
            if not chunk:
                raise RuntimeError("the browser has gone")
            self.buffer += chunk
        text, self.buffer = self.buffer.split(b"\0", 1)
        message = json.loads(text)
        page = self.pages.get(message.get("sessionId"))
        if page and "method" in message:
            page.heard(message["method"], message["params"])
        return message

    def idle(self, seconds):
        """Lets time pass and listens."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self.receive(until - time.monotonic())

    def page(self, **look):
        """A new page: width, height, phone, dark, still (reduced motion)."""
        return Page(self, **look)


class Page:
    """One tab."""

    def __init__(self, browser, width=1280, height=800, phone=False, dark=False, still=True):
        self.browser = browser
        self.problems = []
        self.requests = []
        self.received = 0  # bytes, as they came over the wire
        target = browser.call("Target.createTarget", url="about:blank")["targetId"]
        self.target = target
        self.session = browser.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        browser.pages[self.session] = self
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        scale = 2 if phone else 1
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=phone)
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone)
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if still else "no-preference"},
        ]
        self.call("Emulation.setEmulatedMedia", features=features)

    def call(self, method, **parameters):
        return self.browser.call(method, session=self.session, **parameters)

    def heard(self, method, parameters):
        if method == "Runtime.exceptionThrown":
            details = parameters["exceptionDetails"]
            self.problems.append(details.get("exception", {}).get("description") or details["text"])
        elif method == "Runtime.consoleAPICalled" and parameters["type"] in ("error", "warning", "assert"):
            self.problems.append(" ".join(str(arg.get("value", arg.get("description"))) for arg in parameters["args"]))
        elif method == "Log.entryAdded" and parameters["entry"]["level"] in ("error", "warning"):
            self.problems.append(f"{parameters['entry']['text']} {parameters['entry'].get('url', '')}")
        elif method == "Network.requestWillBeSent":
            self.requests.append(parameters["request"]["url"])
        elif method == "Network.loadingFinished":
            self.received += int(parameters["encodedDataLength"])

    def go(self, url):
        self.call("Page.navigate", url=url)

    def run(self, script):
        """The value of a script's expression."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"].get("exception", {}).get("description", script))
        return answer["result"].get("value")

    def wait(self, script, what, seconds=20):
        """Until a script's expression is true."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            if self.run(f"Boolean({script})"):
                return
            self.browser.idle(0.1)
        raise AssertionError(f"never came: {what}")

    def key(self, key, code=None):
        typed = {"Enter": "\r"}.get(key, key if len(key) == 1 else None)
        number = {"windowsVirtualKeyCode": KEY_CODES[key]} if key in KEY_CODES else {}
        for kind in ("keyDown", "keyUp"):
            text = {"text": typed} if kind == "keyDown" and typed else {}
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=code or key, **text, **number)

    def mouse(self, kind, x, y, held=False, clicks=0, shift=False):
        button = "left" if held or kind != "mouseMoved" else "none"
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=1 if held else 0, clickCount=clicks,
                  modifiers=8 if shift else 0)

    def wheel(self, x, y, by):
        self.call("Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=by)

    def touch(self, kind, *points):
        self.call("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)])

    def shoot(self, path, whole=True):
        parameters = {"format": "png", "captureBeyondViewport": whole}
        if whole:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            parameters["clip"] = {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}
        picture = self.call("Page.captureScreenshot", **parameters)["data"]
        with open(path, "wb") as file:
            file.write(base64.b64decode(picture))

    def close(self):
        self.browser.call("Target.closeTarget", targetId=self.target)
        self.browser.pages.pop(self.session, None)
