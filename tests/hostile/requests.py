"""Requests nobody means, to the application itself: nothing may be answered with 500."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from repcount.library.store import Library
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.hostile.kinds import results_folder
from tests.hostile.values import VALUES
from tests.media import write_video
from tests.scripted_reading import SLATE

_METHODS = ("GET", "GET", "POST", "POST", "PUT", "DELETE", "PATCH", "HEAD", "OPTIONS")


class Requests:
    """An application over a library with an attempt, and requests to it."""

    def __init__(self, home: Path) -> None:
        results_folder(home / "out")
        video = write_video(home / "clip.mp4", [k / 10 for k in range(10)])
        library = Library(home / "served")
        who = library.athlete_named("Oren Vale")
        self.plan = library.put_plan(SLATE)
        self.attempt = library.add_attempt(
            video, "clip.mp4", athlete_id=who, plan_toml=SLATE, results=home / "out"
        )
        library.close()
        app = create_app(Settings(data=home / "served", workers=0))
        self.paths = sorted({route.path for route in app.routes if hasattr(route, "path")})
        self.client = TestClient(
            app, base_url="http://127.0.0.1", raise_server_exceptions=False, follow_redirects=False
        )
        self.token = self.client.get("/plans").text.partition('name="token" value="')[2][:200]
        self.token = self.token.partition('"')[0]

    def ask(self, seed: int) -> str:
        """Send the request of a seed. What must not happen and did; empty where all is well."""
        dice = random.Random(seed)
        path = self._filled(dice.choice(self.paths), dice)
        method = dice.choice(_METHODS)
        answer = self.client.request(method, path, **self._body(method, dice))
        if answer.status_code in (500, 501, 502):
            return f"{method} {path[:200]}: {answer.status_code}"
        return ""

    def _filled(self, path: str, dice: random.Random) -> str:
        parts = []
        for part in path.split("/"):
            if part.startswith("{"):
                known = (self.attempt, str(self.plan), "1", "report.html", "attempt.json")
                odd = ("..%2f..", "%00", "9" * 400, "x" * 3000, "%f0%9f%8f%8b", "-1", "1e9", "")
                part = dice.choice(known) if dice.random() < 0.7 else dice.choice(odd)
            parts.append(part)
        asked = "/".join(parts)
        if dice.random() < 0.3:
            asked += "?" + dice.choice(
                ("page=-1", "q=%00%ff", "workout=" + "x" * 5000, "a[]=1&a=2")
            )
        return asked

    def _body(self, method: str, dice: random.Random) -> dict[str, Any]:
        headers = {
            "X-Token": self.token,
            "Origin": dice.choice(("http://127.0.0.1", "null", "http://elsewhere.example")),
            "Range": dice.choice(("bytes=0-", "bytes=9999999999-1", "bytes=-", "lines=1")),
            "Accept": dice.choice(("text/html", "*/*", "\x7f", "application/json")),
            "Tus-Resumable": dice.choice(("1.0.0", "1.0.0", "2")),
            "Upload-Length": dice.choice(("10", "-1", "9" * 30, "x")),
            "Upload-Offset": dice.choice(("0", "5", "1e3")),
            "Upload-Metadata": dice.choice(("filename eA==", "filename ???", ", , ,")),
        }
        if method in ("GET", "HEAD", "OPTIONS"):
            return {"headers": headers}
        values = [dice.choice(VALUES)(dice) for _ in range(3)]
        names = ("action", "target", "at_s", "top_s", "why", "toml", "name", "values", "passphrase")
        body = {dice.choice(names): value for value in values} | {"token": self.token}
        how = dice.random()
        if how < 0.4:
            form = {key: str(value)[:10_000] for key, value in body.items()}
            form = {key: value.encode("utf-8", "replace").decode() for key, value in form.items()}
            return {"headers": headers, "data": form}
        if how < 0.8:
            import json

            text = json.dumps(body).encode("utf-8", "surrogatepass")
            return {"headers": headers | {"Content-Type": "application/json"}, "content": text}
        raw = bytes(dice.randrange(256) for _ in range(dice.randint(0, 300)))
        kind = dice.choice(
            ("application/json", "multipart/form-data; boundary=x", "text/x", "a" * 300,
             "application/offset+octet-stream", "application/x-www-form-urlencoded")
        )  # fmt: skip
        return {"headers": headers | {"Content-Type": kind}, "content": raw}
