"""A headless Chromium, spoken to over two pipes (DevTools protocol, one JSON object and a zero byte each).

In: commands. Out: their results, and every event that came meanwhile. Needs nothing but the browser.
"""

import json
import os
import select
import shutil
import subprocess
import tempfile
import time

NAMES = ["chromium", "chromium-browser", "google-chrome"]
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic", "--disable-dev-shm-usage", "--hide-scrollbars",
    "--remote-debugging-pipe",
]


def find():
    """The browser's program, or nothing."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


# What the browser finds of fonts: those of one folder, or none at all.
FONTS = """<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">
<fontconfig>{folder}<cachedir>{cache}</cachedir></fontconfig>"""


class Browser:
    def __init__(self, program, fonts=None):
        """With the fonts of this machine, or, where `fonts` is given, those of that folder alone ("" is none)."""
        self.profile = tempfile.mkdtemp(prefix="packside-page-")
        environment = dict(os.environ)
        if fonts is not None:
            config = os.path.join(self.profile, "fonts.conf")
            folder = f"<dir>{fonts}</dir>" if fonts else ""
            with open(config, "w") as file:
                file.write(FONTS.format(folder=folder, cache=os.path.join(self.profile, "fonts")))
            environment["FONTCONFIG_FILE"] = config
        to_browser_read, to_browser_write = os.pipe()
        from_browser_read, from_browser_write = os.pipe()

        def wire():
            # The browser reads commands from 3 and writes results to 4.
            read, write = os.dup(to_browser_read), os.dup(from_browser_write)
            os.dup2(read, 3, inheritable=True), os.dup2(write, 4, inheritable=True)

        self.process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={self.profile}", "about:blank"],
            preexec_fn=wire, close_fds=False, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        os.close(to_browser_read), os.close(from_browser_write)
        self.out, self.input = to_browser_write, from_browser_read
        self.buffer, self.number, self.session = b"", 0, None
        self.events = []
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(t for t in targets if t["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=page["targetId"], flatten=True)
        self.session = attached["sessionId"]
        for domain in ["Page", "Runtime", "Log", "Network"]:
            self.call(f"{domain}.enable")

    def _message(self, until):
        while b"\0" not in self.buffer:
            ready, _, _ = select.select([self.input], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                return None
            chunk = os.read(self.input, 1 << 20)
            if not chunk:
                raise RuntimeError("the browser went away")
            self.buffer += chunk
        message, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(message)

    def call(self, method, **params):
        self.number += 1
        command = {"id": self.number, "method": method, "params": params}
        if self.session:
            command["sessionId"] = self.session
        os.write(self.out, json.dumps(command).encode() + b"\0")
        until = time.monotonic() + 60
        while True:
            message = self._message(until)
            if message is None:
                raise RuntimeError(f"no answer to {method}")
            if message.get("id") == self.number:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                return message["result"]
            self.events.append(message)

    def open(self, url, width, height=900, dark=False):
        """Loads a page at a width; gives the events until it had loaded."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        scheme = "dark" if dark else "light"
        self.call("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.events = []
        self.call("Page.navigate", url=url)
        until = time.monotonic() + 60
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            message = self._message(until)
            if message is None:
                raise RuntimeError("the page did not load")
            self.events.append(message)
        self.call("Runtime.evaluate", expression="new Promise(done => requestAnimationFrame(done))", awaitPromise=True)
        return self.events

    def media(self, media):
        """Shows the page as on `screen` or `print`."""
        self.call("Emulation.setEmulatedMedia", media=media)

    def value(self, expression):
        result = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in result:
            raise RuntimeError(result["exceptionDetails"]["text"])
        return result["result"].get("value")

    def close(self):
        try:
            self.session = None
            self.call("Browser.close")
        except (RuntimeError, OSError):
            pass
        try:
            self.process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        os.close(self.out), os.close(self.input)
        shutil.rmtree(self.profile, ignore_errors=True)
