"""A headless browser with the network off, driven over its own debugging channel."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-port=0",
    "--remote-allow-origins=*",
]
CANDIDATES = ("chromium", "chromium-browser", "google-chrome")


class Browser:
    """One tab."""

    def __init__(self, program: str, folder: Path) -> None:
        websocket = pytest.importorskip("websocket")
        self._process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={folder}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        port = self._port(folder / "DevToolsActivePort")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json") as answer:
            tabs = json.load(answer)
        address = next(tab["webSocketDebuggerUrl"] for tab in tabs if tab["type"] == "page")
        self._socket = websocket.create_connection(address, timeout=120)
        self._number = 0
        self.events: list[dict[str, Any]] = []
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0)

    @staticmethod
    def _port(file: Path) -> str:
        for _ in range(600):
            if file.is_file() and "\n" in file.read_text():
                return file.read_text().split("\n")[0]
            time.sleep(0.05)
        raise AssertionError("the browser did not start")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return dict(answer["result"])
            self.events.append(answer)

    def value(self, expression: str) -> Any:
        """Value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def open(self, path: Path, *, width: int = 1440, height: int = 900) -> float:
        """Open a page, wait until all its figures are drawn; seconds that took."""
        self.events.clear()
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        began = time.perf_counter()
        self.call("Page.navigate", url=path.resolve().as_uri())
        ready = (
            "document.readyState === 'complete' && location.protocol === 'file:' && "
            "document.querySelectorAll('script.plate').length === document.querySelectorAll('[data-drawn]').length"
        )
        while not self.value("document.readyState === 'complete' && location.protocol === 'file:'"):
            assert time.perf_counter() - began < 90, "the page was not loaded"
            time.sleep(0.02)
        self.value("window.dispatchEvent(new Event('draw-all'))")
        while not self.value(ready):
            assert time.perf_counter() - began < 90, "not all figures were drawn"
            time.sleep(0.02)
        return time.perf_counter() - began

    def troubles(self) -> list[str]:
        """Console errors, exceptions and requests to anywhere but this file."""
        out = []
        for event in self.events:
            method, given = event["method"], event["params"]
            if method == "Runtime.exceptionThrown":
                out.append(str(given["exceptionDetails"].get("text")))
            elif method == "Log.entryAdded" and given["entry"]["level"] in {"error", "warning"}:
                out.append(given["entry"]["text"])
            elif method == "Runtime.consoleAPICalled" and given["type"] in {"error", "warning", "assert"}:
                out.append(str(given["args"]))
            elif method == "Network.requestWillBeSent":
                url = given["request"]["url"]
                if not url.startswith(("file:", "data:", "blob:")):
                    out.append(f"request: {url}")
        return out

    def pdf(self, target: Path, **paper: float) -> Path:
        """Print the page; ``paperWidth`` and ``paperHeight`` are in inches."""
        answer = self.call("Page.printToPDF", printBackground=True, preferCSSPageSize=not paper, **paper)
        target.write_bytes(base64.b64decode(answer["data"]))
        return target

    def close(self) -> None:
        self._socket.close()
        self._process.terminate()
        self._process.wait(30)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """The browser, or a skip where there is none."""
    program = next((found for name in CANDIDATES if (found := shutil.which(name))), None)
    if program is None:
        pytest.skip("no headless browser is installed")
    one = Browser(program, tmp_path_factory.mktemp("browser"))
    yield one
    one.close()
