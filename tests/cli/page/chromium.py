"""Debian's chromium over a pipe: no driver, no package, and nothing left running when a test dies."""

import base64
import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--remote-debugging-pipe",
)


def found():
    """The browser's path, or None."""
    return shutil.which("chromium")


class Chromium:
    """One browser with one page."""

    def __init__(self, width=1280, height=800):
        self.profile = tempfile.mkdtemp(prefix="tiltwright-chromium-")
        to_browser, self._to = os.pipe()
        self._back, from_browser = os.pipe()
        # It reads commands from file descriptor 3 and answers on 4.
        line = f'exec "$@" 3<&{to_browser} 4>&{from_browser}'
        words = [
            found(),
            *FLAGS,
            f"--user-data-dir={self.profile}",
            f"--window-size={width},{height}",
            "about:blank",
        ]
        self.process = subprocess.Popen(
            ["/bin/bash", "-c", line, "sh", *words],
            pass_fds=(to_browser, from_browser),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._rest, self._number, self._session, self.events = b"", 0, None, []
        pages = [one for one in self.ask("Target.getTargets")["targetInfos"] if one["type"] == "page"]
        attached = self.ask("Target.attachToTarget", targetId=pages[0]["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def _read(self):
        while b"\0" not in self._rest:
            got = os.read(self._back, 1 << 20)
            if not got:
                raise RuntimeError("chromium ended")
            self._rest += got
        one, self._rest = self._rest.split(b"\0", 1)
        return json.loads(one)

    def ask(self, method, **params):
        """Ask, and wait for the answer; events that come meanwhile are kept."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        text = json.dumps(message).encode() + b"\0"
        while text:
            text = text[os.write(self._to, text) :]
        while True:
            got = self._read()
            if got.get("id") == self._number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                return got["result"]
            self.events.append(got)

    def open(self, path):
        """Open a file, and wait until it has loaded."""
        self.events.clear()
        self.ask("Page.navigate", url=Path(path).as_uri())
        while not any(one.get("method") == "Page.loadEventFired" for one in self.events):
            self.events.append(self._read())

    def js(self, text):
        """The value of an expression in the page."""
        got = self.ask("Runtime.evaluate", expression=text, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in got:
            details = got["exceptionDetails"]
            raise RuntimeError(details.get("exception", {}).get("description") or details["text"])
        return got["result"].get("value")

    def size(self, width, height, *, mobile=False, ratio=1):
        """The window's size in CSS pixels."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=ratio,
            mobile=mobile,
        )

    def dark(self, *, wanted):
        """The system's wish for dark or light colours."""
        value = "dark" if wanted else "light"
        self.ask("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": value}])

    def shot(self):
        """The page as it is seen, PNG."""
        return base64.b64decode(self.ask("Page.captureScreenshot")["data"])

    def key(self, key, *, text="", code="", shift=False, number=0):
        """A key pressed and released."""
        common = {
            "key": key,
            "code": code or key,
            "windowsVirtualKeyCode": number,
            "modifiers": 8 if shift else 0,
        }
        self.ask("Input.dispatchKeyEvent", type="keyDown", **common, **({"text": text} if text else {}))
        self.ask("Input.dispatchKeyEvent", type="keyUp", **common)

    def close(self):
        """End the browser that was started here, and remove its profile."""
        try:
            self._session = None
            self.ask("Browser.close")
        except (RuntimeError, OSError):
            self.process.terminate()
        self.process.wait(10)
        os.close(self._to)
        os.close(self._back)
        shutil.rmtree(self.profile, ignore_errors=True)

    def complaints(self):
        """Logs, errors and refusals of the page since it was opened."""
        kinds = ("Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled")
        return [one["params"] for one in self.events if one.get("method") in kinds]

    def requests(self):
        """The addresses asked for since the page was opened."""
        return [
            one["params"]["request"]["url"]
            for one in self.events
            if one.get("method") == "Network.requestWillBeSent"
        ]
