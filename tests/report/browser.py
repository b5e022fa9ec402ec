"""A headless browser that a test drives through a pipe (DevTools protocol), without a library."""

from __future__ import annotations

import fcntl
import json
import os
import select
import subprocess
import time
from pathlib import Path
from typing import Any

from tests.external import require_program

_SWITCHES = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
    "--remote-debugging-pipe",
)  # fmt: skip


class Browser:
    """One page in a browser; all that it says on the console and asks for is kept."""

    def __init__(self, folder: Path) -> None:
        program = require_program("chromium")
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        # The browser reads commands from 3 and answers on 4: out of the way of both first.
        ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 20) for end in (to_read, to_write)]
        os.close(to_read)
        os.close(to_write)

        def place_pipes() -> None:
            os.dup2(ends[0], 3)
            os.dup2(ends[1], 4)

        self._process = subprocess.Popen(
            [program, *_SWITCHES, f"--user-data-dir={folder}"],
            preexec_fn=place_pipes,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for end in ends:
            os.close(end)
        self._kept = b""
        self._number = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.show_on()

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(timeout=20)
        os.close(self._read)
        os.close(self._write)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Answer of a command of the protocol."""
        self._number += 1
        command = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            command["sessionId"] = self._session
        os.write(self._write, json.dumps(command).encode() + b"\0")
        while True:
            message = self._message()
            if message.get("id") == self._number:
                assert "error" not in message, (method, message["error"])
                return message["result"]
            self.events.append(message)

    def _message(self) -> dict[str, Any]:
        deadline = time.monotonic() + 60.0
        while b"\0" not in self._kept:
            assert select.select([self._read], [], [], max(0.0, deadline - time.monotonic()))[0]
            piece = os.read(self._read, 1 << 16)
            assert piece, "the browser has gone"
            self._kept += piece
        text, _, self._kept = self._kept.partition(b"\0")
        return json.loads(text)

    def show_on(self, media: str = "screen", scheme: str = "light") -> None:
        """Show pages on screen or paper, light or dark.

        What would move stands where it ends up at once, however busy the machine is.
        """
        wanted = {"prefers-color-scheme": scheme, "prefers-reduced-motion": "reduce"}
        features = [{"name": name, "value": value} for name, value in wanted.items()]
        self.call("Emulation.setEmulatedMedia", media=media, features=features)

    def open(self, path: Path) -> None:
        """Open a file and wait until it has loaded."""
        self.events.clear()
        self.call("Page.navigate", url=path.as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._message())

    def run(self, script: str) -> Any:
        """Value of an expression in the page; a promise is waited for."""
        answer = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def complaints(self) -> list[dict[str, Any]]:
        """Errors, warnings and broken rules of the content policy since the page was opened."""
        wanted = ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded")
        return [event["params"] for event in self.events if event.get("method") in wanted]

    def requests(self) -> list[str]:
        """Addresses that the page asked for, but for what it holds itself."""
        asked = [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]
        return [address for address in asked if not address.startswith("data:")]
