"""A headless Chromium steered over its debugging pipe, for tests that look at the page as a phone does."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
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
]


class Browser:
    """One page at phone size; every call waits for its answer."""

    def __init__(self, folder: Path, width: int = 390, height: int = 844) -> None:
        if CHROMIUM is None:
            pytest.skip("no chromium on this machine: the page was not looked at")
        to_us, from_browser = os.pipe()
        to_browser, from_us = os.pipe()

        def place() -> None:  # the protocol wants handles 3 (in) and 4 (out)
            high = [os.dup(to_browser), os.dup(from_browser)]
            spare = [os.dup(fd) for fd in high]
            os.dup2(spare[0], 3)
            os.dup2(spare[1], 4)

        self._child = subprocess.Popen(
            [CHROMIUM, *FLAGS, f"--user-data-dir={folder}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            close_fds=False,
            preexec_fn=place,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._out, self._in = os.fdopen(from_us, "wb", 0), os.fdopen(to_us, "rb", 0)
        self._rest, self._number = b"", 0
        self.events: list[dict[str, Any]] = []
        self._session: str | None = None
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.ask(f"{domain}.enable")
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=True)

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the debugging protocol and its answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        self._out.write(json.dumps(message).encode() + b"\0")
        while True:
            told = self._read()
            if told.get("id") == self._number:
                assert "error" not in told, told
                return dict(told["result"])
            self.events.append(told)

    def _read(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            piece = self._in.read(65536)
            assert piece, "the browser went away"
            self._rest += piece
        told, self._rest = self._rest.split(b"\0", 1)
        return dict(json.loads(told))

    def go(self, url: str) -> None:
        """Open `url`."""
        self.ask("Page.navigate", url=url)
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._read())

    def value(self, script: str) -> Any:
        """What `script` gives; promises are waited for."""
        told = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def until(self, condition: str, seconds: float = 15.0) -> None:
        """Wait in the page until `condition` holds; fails with the text of the page."""
        held = self.value(
            f"new Promise((done) => {{ const until = performance.now() + {seconds * 1000}; const look = () => "
            f"{{ let is = false; try {{ is = !!({condition}); }} catch {{}} "
            "if (is || performance.now() > until) done(is); else setTimeout(look, 50); }; look(); })"
        )
        assert held, f"never: {condition}\n{self.value('document.body.innerText')}"

    def picture(self, path: Path) -> None:
        """Write a screenshot of the whole page."""
        shot = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(shot["data"]))

    def requested(self) -> set[str]:
        """Every address asked for so far."""
        return {e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent"}

    def complaints(self) -> list[str]:
        """What the browser logged as an error, such as a breach of the content policy."""
        logged = [e["params"]["entry"] for e in self.events if e.get("method") == "Log.entryAdded"]
        thrown = [e for e in self.events if e.get("method") == "Runtime.exceptionThrown"]
        return [e["text"] for e in logged if e["level"] == "error"] + [str(e) for e in thrown]

    def close(self) -> None:
        """End the browser."""
        self._out.close()
        self._child.terminate()
        try:
            self._child.wait(5)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        self._in.close()
