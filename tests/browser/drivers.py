"""Chromium and Firefox with the same few gestures, for tests of pages that are opened as files.

Chromium is driven by Selenium. Firefox is driven over its own remote protocol, WebDriver BiDi,
which needs no further program.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path
from typing import Any

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
DRIVER = shutil.which("chromedriver")
FIREFOX = next((p for p in map(shutil.which, ("firefox-esr", "firefox")) if p), None)
SECONDS_TO_START = 90.0
_SHIFT = "\ue008"


class Page:
    """What a test does with a page; a subclass drives one browser."""

    def open(self, file: Path) -> None:
        """Open a file and wait until it is loaded."""
        raise NotImplementedError

    def run(self, code: str) -> Any:
        """Value that JavaScript returns."""
        raise NotImplementedError

    def act(self, sources: list[dict[str, Any]]) -> None:
        """Perform actions of input sources, in the form of WebDriver."""
        raise NotImplementedError

    def shoot(self, file: Path) -> None:
        """Write a picture of the window."""
        raise NotImplementedError

    def close(self) -> None:
        """Close the browser."""
        raise NotImplementedError

    def until(self, what: str, code: str, seconds: float = 30.0) -> Any:
        """Wait until an expression is true, and return it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = self.run(f"return {code};")
            if found:
                return found
            time.sleep(0.05)
        raise AssertionError(f"in {seconds:.0f} s there was no {what}")

    def move(self, x: float, y: float) -> None:
        """Move the pointer to a place of the window."""
        self.act([_pointer([_to(x, y)])])

    def click(self, x: float, y: float, times: int = 1) -> None:
        """Click at a place of the window."""
        self.act([_pointer([_to(x, y), *[_DOWN, _UP] * times])])

    def drag(
        self, start: tuple[float, float], end: tuple[float, float], shift: bool = False
    ) -> None:
        """Drag from one place of the window to another."""
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        moves = [_to(*start), _DOWN, _to(*middle), _to(*end), _UP]
        keys: list[dict[str, Any]] = []
        if shift:
            held = {"type": "pause", "duration": 0}
            keys = [{"type": "keyDown", "value": _SHIFT}, *[held] * 5, _key_up(_SHIFT)]
            moves = [{"type": "pause", "duration": 0}, *moves, {"type": "pause", "duration": 0}]
        sources = [_pointer(moves)]
        if keys:
            sources.append({"type": "key", "id": "keys", "actions": keys})
        self.act(sources)

    def wheel(self, x: float, y: float, by: int) -> None:
        """Turn the wheel at a place of the window; positive is down."""
        turn = {"type": "scroll", "x": round(x), "y": round(y), "deltaX": 0, "deltaY": by}
        self.act([{"type": "wheel", "id": "wheel", "actions": [turn]}])

    def press(self, keys: str) -> None:
        """Press keys one after the other."""
        actions = [a for key in keys for a in ({"type": "keyDown", "value": key}, _key_up(key))]
        self.act([{"type": "key", "id": "keys", "actions": actions}])


_DOWN = {"type": "pointerDown", "button": 0}
_UP = {"type": "pointerUp", "button": 0}


def _to(x: float, y: float) -> dict[str, Any]:
    return {"type": "pointerMove", "x": round(x), "y": round(y), "duration": 0}


def _pointer(actions: list[dict[str, Any]]) -> dict[str, Any]:
    mouse = {"pointerType": "mouse"}
    return {"type": "pointer", "id": "mouse", "parameters": mouse, "actions": actions}


def _key_up(key: str) -> dict[str, Any]:
    return {"type": "keyUp", "value": key}


class Chromium(Page):
    """Headless Chromium without a network."""

    def __init__(self, home: Path, width: int = 1300, height: int = 1200) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        options = webdriver.ChromeOptions()
        options.binary_location = str(CHROMIUM)
        for flag in (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--window-size={width},{height}",
            f"--user-data-dir={home}",
        ):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))

    def open(self, file: Path) -> None:
        self.driver.get(file.as_uri())

    def run(self, code: str) -> Any:
        return self.driver.execute_script(code)

    def act(self, sources: list[dict[str, Any]]) -> None:
        self.driver.execute("actions", {"actions": sources})

    def shoot(self, file: Path) -> None:
        self.driver.save_screenshot(str(file))

    def close(self) -> None:
        self.driver.quit()


class Firefox(Page):
    """Headless Firefox, which opens files without a network."""

    def __init__(self, home: Path, width: int = 1300, height: int = 1200) -> None:
        import websocket

        home.mkdir(parents=True, exist_ok=True)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [
            str(FIREFOX),
            "--headless",
            "--no-remote",
            "--profile",
            str(home),
            f"--remote-debugging-port={port}",
            "about:blank",
        ]
        quiet = subprocess.DEVNULL
        sizes = {"MOZ_HEADLESS_WIDTH": str(width), "MOZ_HEADLESS_HEIGHT": str(height)}
        self.process = subprocess.Popen(
            command,
            stdout=quiet,
            stderr=quiet,
            start_new_session=True,
            env={**os.environ, **sizes},
        )
        end = time.monotonic() + SECONDS_TO_START
        while True:
            try:
                self.socket = websocket.create_connection(
                    f"ws://127.0.0.1:{port}/session", timeout=240, suppress_origin=True
                )
                break
            except OSError:
                if time.monotonic() > end:
                    os.killpg(self.process.pid, signal.SIGTERM)
                    raise
                time.sleep(0.3)
        self.number = 0
        try:
            self.ask("session.new", capabilities={})
            tree = self.ask("browsingContext.getTree")
        except BaseException:
            os.killpg(self.process.pid, signal.SIGTERM)
            raise
        self.context = tree["contexts"][0]["context"]

    def ask(self, method: str, **params: Any) -> Any:
        """Send one command and wait for its result."""
        self.number += 1
        self.socket.send(json.dumps({"id": self.number, "method": method, "params": params}))
        while True:
            answer = json.loads(self.socket.recv())
            if answer.get("id") == self.number:
                assert answer["type"] == "success", answer
                return answer["result"]

    def open(self, file: Path) -> None:
        uri = file.as_uri()
        self.ask("browsingContext.navigate", context=self.context, url=uri, wait="complete")

    def run(self, code: str) -> Any:
        answer = self.ask(
            "script.evaluate",
            expression=f"JSON.stringify((() => {{{code}}})() ?? null)",
            target={"context": self.context},
            awaitPromise=False,
        )
        assert answer["type"] == "success", answer
        return json.loads(answer["result"]["value"])

    def act(self, sources: list[dict[str, Any]]) -> None:
        self.ask("input.performActions", context=self.context, actions=sources)

    def shoot(self, file: Path) -> None:
        answer = self.ask("browsingContext.captureScreenshot", context=self.context)
        file.write_bytes(base64.b64decode(answer["data"]))

    def close(self) -> None:
        try:
            self.ask("browser.close")
            self.process.wait(20.0)
        finally:
            if self.process.poll() is None:
                os.killpg(self.process.pid, signal.SIGTERM)
                self.process.wait(20.0)
            self.socket.close()
