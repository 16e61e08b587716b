"""A browser that is driven as a person drives it, over the W3C's WebDriver protocol: keys only.

Plain JSON over HTTP to the driver that comes with the browser; nothing leaves this computer.
"""

from __future__ import annotations

import base64
import json
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.system.test_first_screen import BROWSER

DRIVER = shutil.which("chromedriver")
TICK_S, START_S = 0.05, 30.0
NARROWEST = 500  # of a window; a telephone is emulated
# As the protocol names keys that have no letter.
TAB, ENTER, SPACE, SHIFT = "\ue004", "\ue007", "\ue00d", "\ue008"


class Browser:
    """One browser with a profile of its own, which outlives it: what a page keeps is there again
    when the next one opens."""

    def __init__(self, profile: Path, downloads: Path, *, width: int = 1280, height: int = 800):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]
        self._process = subprocess.Popen(
            [DRIVER, f"--port={self._port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self._wait_for_the_driver()
        arguments = [
            *("--headless", "--no-sandbox", "--disable-gpu", f"--window-size={width},{height}"),
            f"--user-data-dir={profile}",
        ]
        options = {
            "args": arguments,
            "binary": BROWSER,
            "prefs": {"download.default_directory": str(downloads)},
        }
        if width < NARROWEST:
            metrics = {"width": width, "height": height, "pixelRatio": 1.0}
            options["mobileEmulation"] = {"deviceMetrics": metrics}
        always = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        self._session = ""
        found = self._ask("POST", "", {"capabilities": {"alwaysMatch": always}})
        self._session = f"/{found['sessionId']}"

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if self._session:
                self._ask("DELETE", "")
        finally:
            self._process.terminate()
            self._process.wait(timeout=START_S)

    def _wait_for_the_driver(self) -> None:
        for _ in range(round(START_S / TICK_S)):
            try:
                with socket.create_connection(("127.0.0.1", self._port), timeout=1.0):
                    return
            except OSError:
                time.sleep(TICK_S)
        raise AssertionError("the driver does not start")

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self._port}/session{self._session}{path}",
            data=None if method != "POST" else json.dumps(body or {}).encode("utf-8"),
            headers={"Content-Type": "application/json"},
            method=method,
        )
        try:
            with urllib.request.urlopen(request, timeout=120) as response:
                return json.load(response)["value"]
        except urllib.error.HTTPError as error:
            raise AssertionError(error.read().decode("utf-8")[:500]) from None

    def open(self, page: Path) -> None:
        self._ask("POST", "/url", {"url": page.as_uri()})

    def run(self, script: str, *arguments: Any) -> Any:
        """The value of a piece of JavaScript; of a promise, what it comes to."""
        return self._ask("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def press(self, *keys: str) -> None:
        """Keys one after the other, each down and up."""
        strokes = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        actions = [{"type": "key", "id": "keys", "actions": strokes}]
        self._ask("POST", "/actions", {"actions": actions})

    def wait(self, condition: str, *, seconds: float = 60.0) -> None:
        """Wait until a JavaScript expression holds."""
        for _ in range(round(seconds / TICK_S)):
            if self.run(f"return Boolean({condition});"):
                return
            time.sleep(TICK_S)
        raise AssertionError(f"never came true: {condition}; {self.shown()}")

    def tab_to(self, name: str, *, most: int = 12) -> None:
        """Press the tabulator until what is focused has this text, name or id."""
        for _ in range(most):
            here = self.run(
                "const e = document.activeElement;"
                "return [e.id, e.textContent.trim(), e.getAttribute('aria-label')];"
            )
            if name in here:
                return
            self.press(TAB)
        raise AssertionError(f"no {name} within {most} tabulators")

    def into_frame(self, name: str) -> None:
        """Go on inside a frame of the page, by its id."""
        frame = self._ask("POST", "/element", {"using": "css selector", "value": f"#{name}"})
        self._ask("POST", "/frame", {"id": frame})

    def shown(self) -> str:
        """The text of the page as a person sees it."""
        return self.run("return document.body.innerText;")

    def complaints(self) -> Sequence[str]:
        """What the browser wrote to its console since it was asked last."""
        found = self._ask("POST", "/se/log", {"type": "browser"})
        return [f"{one['level']} {one['message']}" for one in found]

    def picture(self, path: Path) -> None:
        path.write_bytes(base64.b64decode(self._ask("GET", "/screenshot")))
