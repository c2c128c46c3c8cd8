"""Chromium on this machine, driven over its DevTools protocol, for tests of rendered pages."""

import base64
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import websocket

FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--hide-scrollbars", "--remote-debugging-port=0", "--remote-allow-origins=*"),
)
START_S = 30.0  # a cold start on a busy machine
CHROMIUM = shutil.which("chromium")


class Browser:
    """A browser tab: its requests, console errors and content."""

    def __init__(self, address: str) -> None:
        self._socket = websocket.create_connection(address, timeout=START_S)
        self._number = 0
        self.requests: list[str] = []
        self.console_errors: list[str] = []
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: object) -> dict:
        self._number += 1
        ask = {"id": self._number, "method": method, "params": parameters}
        self._socket.send(json.dumps(ask))
        while True:
            reply = json.loads(self._socket.recv())
            if reply.get("id") == self._number:
                assert "error" not in reply, reply
                return reply["result"]
            self._record_event(reply)

    def _record_event(self, reply: dict) -> None:
        method, told = reply.get("method"), reply.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(told["request"]["url"])
        elif method == "Log.entryAdded" and told["entry"]["level"] in ("error", "warning"):
            self.console_errors.append(told["entry"]["text"])
        elif method == "Runtime.exceptionThrown":
            self.console_errors.append(str(told["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled" and told["type"] in ("error", "warning"):
            self.console_errors.append(str(told["args"]))

    def open(self, page: Path, width: int = 390, height: int = 844) -> None:
        self.visit(page.as_uri(), width, height)

    def visit(self, url: str, width: int = 390, height: int = 844, lands_on: str = "") -> None:
        """Open an address; it may lead on to another."""
        self.requests.clear()
        self.console_errors.clear()
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=True,
        )  # fmt: skip
        self.call("Page.navigate", url=url)
        deadline = time.monotonic() + START_S
        ready = (
            f"document.readyState === 'complete' && location.href === {json.dumps(lands_on or url)}"
        )
        while not self.evaluate(ready):
            assert time.monotonic() < deadline, f"{url} did not load"
            time.sleep(0.02)

    def evaluate(self, script: str) -> object:
        reply = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in reply, reply
        return reply["result"].get("value")

    def set_network(self, *, is_up: bool) -> None:
        self.call(
            "Network.emulateNetworkConditions",
            offline=not is_up, latency=0, downloadThroughput=-1, uploadThroughput=-1,
        )  # fmt: skip

    def set_dark_mode(self, is_dark: bool) -> None:
        value = "dark" if is_dark else "light"
        features = [{"name": "prefers-color-scheme", "value": value}]
        self.call("Emulation.setEmulatedMedia", features=features)

    def screenshot(self) -> bytes:
        return base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])

    def pdf(self, paper: str = "letter") -> bytes:
        """Print on US letter or ISO 216 A4."""
        width, height = {"letter": (8.5, 11.0), "A4": (8.27, 11.69)}[paper]
        told = self.call(
            "Page.printToPDF", printBackground=True, paperWidth=width, paperHeight=height
        )
        return base64.b64decode(told["data"])


@contextmanager
def open_browser() -> Iterator[Browser]:
    assert CHROMIUM is not None
    folder = Path(tempfile.mkdtemp(prefix="stormplan-chromium-"))
    process = subprocess.Popen(
        [CHROMIUM, *FLAGS, f"--user-data-dir={folder}", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{_port(folder)}/json", timeout=10) as told:
            pages = [page for page in json.load(told) if page["type"] == "page"]
        browser = Browser(pages[0]["webSocketDebuggerUrl"])
        yield browser
        browser._socket.close()
    finally:
        process.terminate()
        with suppress(subprocess.TimeoutExpired):
            process.wait(10)
        if process.poll() is None:
            process.kill()
            process.wait()
        shutil.rmtree(folder, ignore_errors=True)


def _port(folder: Path) -> int:
    file = folder / "DevToolsActivePort"
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        with suppress(OSError, ValueError, IndexError):
            return int(file.read_text().split()[0])
        time.sleep(0.05)
    raise TimeoutError("chromium did not open its port")
