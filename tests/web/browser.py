"""A thin hand on a headless Chromium over its DevTools protocol, for the page's tests."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any
from urllib.request import urlopen

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
_FLAGS = (
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
)


class Browser:
    """One page in one Chromium. What the page logs and asks the network for is kept; its questions
    are answered with yes."""

    def __init__(self, *flags: str) -> None:
        if CHROMIUM is None:
            raise RuntimeError("no Chromium on the path")
        self.profile = tempfile.mkdtemp(prefix="repcount-page-")
        self.process = subprocess.Popen(
            [CHROMIUM, *_FLAGS, *flags, f"--user-data-dir={self.profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.says_yes = True  # to questions of a page
        self.events: list[dict[str, Any]] = []
        self._number = 0
        try:
            self._connect()
        except BaseException:
            self.close()
            raise

    def _connect(self) -> None:
        from websocket import create_connection

        port_file = Path(self.profile) / "DevToolsActivePort"
        deadline = time.monotonic() + 300
        while not port_file.exists() or not port_file.read_text().strip():
            if time.monotonic() > deadline:
                raise RuntimeError("Chromium did not open its DevTools port")
            time.sleep(0.1)
        port = port_file.read_text().split()[0]
        with urlopen(f"http://127.0.0.1:{port}/json") as answer:
            target = next(t for t in json.load(answer) if t["type"] == "page")
        self.socket = create_connection(
            target["webSocketDebuggerUrl"], timeout=300, suppress_origin=True
        )
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One DevTools command and its result."""
        self._number += 1
        self.socket.send(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            message = json.loads(self.socket.recv())
            if message.get("id") == self._number:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                return dict(message["result"])
            if "method" in message:
                self.events.append(message)
            if message.get("method") == "Page.javascriptDialogOpening":
                self._answer()

    def _answer(self) -> None:
        """A question of the page, by `says_yes`; nothing else is answered before."""
        answer = {"method": "Page.handleJavaScriptDialog", "params": {"accept": self.says_yes}}
        self.socket.send(json.dumps({"id": 0, **answer}))

    def shape(self, width: int, height: int, scheme: str = "light", *, phone: bool = False) -> None:
        """Window size in CSS pixels and the colour scheme the reader's system asks for. Nothing
        moves smoothly: where something is seen is where a pointer finds it."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=phone,
        )
        self.call(
            "Emulation.setEmulatedMedia",
            features=[
                {"name": "prefers-color-scheme", "value": scheme},
                {"name": "prefers-reduced-motion", "value": "reduce"},
            ],
        )

    def open(self, path: Path) -> None:
        """Open a file and wait until it has loaded."""
        self.events.clear()
        self.call("Page.navigate", url=path.resolve().as_uri())
        deadline = time.monotonic() + 300
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            if time.monotonic() > deadline:
                raise RuntimeError("the page did not load")
            self.value("1")
            time.sleep(0.05)

    def value(self, expression: str) -> Any:
        """The value of a script expression in the page."""
        answer = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def key(self, key: str, *, shift: bool = False) -> None:
        """Press and let go of a key."""
        codes = {"ArrowRight": 39, "ArrowLeft": 37, "Home": 36, "End": 35, "Tab": 9, "Enter": 13}
        common: dict[str, Any] = {"key": key, "windowsVirtualKeyCode": codes.get(key, ord(key[0]))}
        common["modifiers"] = 8 * shift
        text = {"text": "\r"} if key == "Enter" else {"text": key} if len(key) == 1 else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", **common, **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def mouse(self, kind: str, x: float, y: float, *, down: bool = False) -> None:
        """A mouse event: `mouseMoved`, `mousePressed` or `mouseReleased`."""
        button = "none" if kind == "mouseMoved" and not down else "left"
        self.call(
            "Input.dispatchMouseEvent",
            type=kind,
            x=x,
            y=y,
            button=button,
            buttons=int(down),
            clickCount=0 if kind == "mouseMoved" else 1,
        )

    def tap(self, x: float, y: float) -> None:
        """A finger put down and taken off again."""
        points = [{"x": x, "y": y}]
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=points)
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def frame(self, path: Path) -> None:
        """A screenshot of the whole page."""
        size = self.call("Page.getLayoutMetrics")["cssContentSize"]
        data = self.call(
            "Page.captureScreenshot",
            captureBeyondViewport=True,
            clip={"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1},
        )["data"]
        path.write_bytes(base64.b64decode(data))

    def paper(self, path: Path, size: tuple[float, float] = (8.27, 11.69)) -> None:
        """The page as printed, in PDF, on paper of so many inches (A4)."""
        data = self.call(
            "Page.printToPDF",
            preferCSSPageSize=True,
            printBackground=False,
            paperWidth=size[0],
            paperHeight=size[1],
        )["data"]
        path.write_bytes(base64.b64decode(data))

    def complaints(self) -> list[str]:
        """Errors and warnings in the console since the page was opened."""
        self.value("1")
        found = []
        for event in self.events:
            if event["method"] == "Runtime.exceptionThrown":
                found.append(str(event["params"]["exceptionDetails"]))
            if event["method"] == "Log.entryAdded":
                found.append(str(event["params"]["entry"]))
            if event["method"] == "Runtime.consoleAPICalled":
                found.append(str(event["params"]["args"]))
        return found

    def requests(self) -> list[str]:
        """Addresses asked for since the page was opened; the page itself and pictures that are part
        of it (`data:`) left out."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event["method"] == "Network.requestWillBeSent"
            and event["params"].get("type") != "Document"
            and not event["params"]["request"]["url"].startswith("data:")
        ]

    def close(self) -> None:
        if hasattr(self, "socket"):
            self.socket.close()
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        shutil.rmtree(self.profile, ignore_errors=True)

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
