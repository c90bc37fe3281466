"""A headless Chromium for tests of pages: started once, asked over a pipe, ended with its test.

It speaks the DevTools protocol (https://chromedevtools.github.io/devtools-protocol/): messages of
JSON, each with a zero byte behind it, on file descriptors 3 and 4.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import shutil
import subprocess
import time

PATH = shutil.which("chromium")
MISSING = "no chromium here: apt-get install chromium"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--remote-debugging-pipe",
)
SECONDS = 60.0
"""So long at most for an answer, on a machine that has other things to do."""


def _pipe():
    """Return both ends of a pipe, with numbers that do not stand in the way of 3 and 4."""
    low = os.pipe()
    high = [fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 10) for end in low]
    for end in low:
        os.close(end)
    return high


class Chromium:
    """One browser with one page. events: what it has said unasked, as (method, parameters)."""

    def __init__(self, folder):
        (asked, self._out), (self._in, said) = _pipe(), _pipe()
        numbers = ["bash", "-c", f'exec "$@" 3<&{asked} 4>&{said}', "bash"]
        self._process = subprocess.Popen(
            [*numbers, PATH, *FLAGS, f"--user-data-dir={folder}", "about:blank"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            pass_fds=(asked, said),
            env={**os.environ, "HOME": str(folder)},
        )
        os.close(asked)
        os.close(said)
        self.events = []
        self._buffer, self._number, self._session = b"", 0, None
        try:
            self._attach()
        except RuntimeError:
            self.close()
            raise

    def _attach(self):
        targets = self.ask("Target.getTargets")["targetInfos"]
        target = next(one["targetId"] for one in targets if one["type"] == "page")
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.ask(f"{domain}.enable")

    def ask(self, method, **parameters):
        """Return the answer to one command. Raises RuntimeError for an error or without one."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    def _next(self):
        deadline = time.monotonic() + SECONDS
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._in], [], [], max(0.0, deadline - time.monotonic()))
            read = os.read(self._in, 1 << 20) if ready else b""
            if not read:
                raise RuntimeError("chromium does not answer")
            self._buffer += read
        message, _, self._buffer = self._buffer.partition(b"\0")
        found = json.loads(message)
        if "method" in found:
            self.events.append((found["method"], found["params"]))
        return found

    def open(self, path, width=1200, *, dark=False, media="screen"):
        """Show a file on a screen of some width, or as it is printed; wait until it is loaded."""
        height = 800
        phone = width < 500
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=phone,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media=media, features=[scheme])
        self.events.clear()
        self.ask("Page.navigate", url=f"file://{path}")
        while not any(method == "Page.loadEventFired" for method, _ in self.events):
            self._next()

    def run(self, expression):
        """Return the value of a JavaScript expression in the page."""
        found = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in found:
            raise RuntimeError(str(found["exceptionDetails"]))
        return found["result"].get("value")

    def press(self, key):
        """Press and release one key."""
        code, text = {"Tab": (9, {}), "Enter": (13, {"text": "\r"})}[key]
        about = {"key": key, "code": key, "windowsVirtualKeyCode": code}
        self.ask("Input.dispatchKeyEvent", type="keyDown", **about, **text)
        self.ask("Input.dispatchKeyEvent", type="keyUp", **about)

    def close(self):
        """End the browser."""
        try:
            self._session = None
            self.ask("Browser.close")
        except (RuntimeError, OSError):
            self._process.kill()
        self._process.wait(SECONDS)
        os.close(self._out)
        os.close(self._in)
