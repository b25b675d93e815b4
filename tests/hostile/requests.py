"""Requests nobody means, to a server: nothing may be answered with 500 or not at all, cost it more
than `LONGEST_S` of a processor, or make it hold over 300 MiB."""

from __future__ import annotations

import json
import os
import random
from collections import Counter
from pathlib import Path
from typing import Any, get_args

import httpx

from repcount.attempt.records import EditAction
from repcount.library.store import Library
from repcount.pipeline.results import EDITS
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.hostile.kinds import results_folder
from tests.hostile.values import VALUES
from tests.media import write_video
from tests.scripted_reading import SLATE
from tests.web.inside import routes_of
from tests.web.serving import Server, with_token

LONGEST_S = 5.0
LARGEST_KB = 300 * 1024

# What would take away what the other requests are about, for good.
_ENDING = ("/api/attempts/{attempt_id}/delete", "/api/athletes/{athlete_id}/delete",
           "/api/plans/{plan_id}/delete", "/api/shares/{share_id}/delete")  # fmt: skip
ACTIONS = get_args(EditAction)
_VALUES = ("at_s", "start_s", "top_s", "end_s", "movement", "round", "text", "recorded_at")
_METHODS = ("GET", "GET", "POST", "POST", "PUT", "DELETE", "PATCH", "HEAD", "OPTIONS")


class Requests:
    """A server of a library with an attempt, and requests to it."""

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
        self.edits = library.folder_of(self.attempt) / EDITS
        self.known = {
            "attempt_id": (self.attempt,), "plan_id": (str(self.plan),), "athlete_id": (str(who),),
            "workout:path": ("Slate",), "name": ("clip.mp4", "report.html", "attempt.json"),
            "upload_id": ("0" * 32,), "heat_id": ("0" * 16,),
        }  # fmt: skip
        self.queries = (
            f"first={self.attempt}&second={self.attempt}", f"with={self.attempt}&as=heat",
            f"with={self.attempt}&zone=Europe/Oslo", "once=true", "page=-1", "q=%00%ff",
            "workout=" + "x" * 5000, "a[]=1&a=2", "zone=../../x", "first=1&second=2",
        )  # fmt: skip
        app = create_app(Settings(data=home / "described", workers=0))
        self.routes = [one for one in routes_of(app) if one[1] not in _ENDING]
        self.server = Server(home / "served")
        self.client = httpx.Client(base_url=self.server.address, timeout=120.0)
        self.token = with_token(self.client).headers.pop("X-Token")
        link = self.client.post(
            f"/api/attempts/{self.attempt}/shares", headers={"X-Token": self.token}
        ).raise_for_status()
        self.known["token"] = (link.text.rstrip("/").rpartition("/")[2],)
        self.codes: Counter[int] = Counter()
        self.slowest_s = 0.0

    def close(self) -> None:
        self.client.close()
        self.server.close()

    def _own_s(self) -> float:
        """Processor seconds of the server itself (proc(5): utime, stime)."""
        stat = Path(f"/proc/{self.server.process.pid}/stat").read_text().rpartition(")")[2]
        return sum(map(int, stat.split()[11:13])) / os.sysconf("SC_CLK_TCK")

    def ask(self, seed: int) -> str:
        """Send the request of a seed. What must not happen and did; empty where all is well."""
        dice = random.Random(seed)
        method, path = dice.choice(self.routes)
        path = self._filled(path, dice)
        if dice.random() < 0.2:
            method = dice.choice(_METHODS)
        body, before_s = self._body(method, dice), self._own_s()
        try:
            answer = self.client.request(method, path, **body)
        except httpx.TransportError as error:
            return f"{method} {path[:200]}: {type(error).__name__}: {error}"
        took_s = self._own_s() - before_s
        self.codes[answer.status_code] += 1
        self.slowest_s = max(self.slowest_s, took_s)
        if answer.status_code in (500, 501, 502):
            return f"{method} {path[:200]}: {answer.status_code}"
        if took_s > LONGEST_S:
            return f"{method} {path[:200]}: took {took_s:.1f} s"
        if self.server.peak_kb() > LARGEST_KB:
            return f"{method} {path[:200]}: the server holds {self.server.peak_kb() / 1024:.0f} MiB"
        return ""

    def _filled(self, path: str, dice: random.Random) -> str:
        parts = []
        for part in path.split("/"):
            if part.startswith("{"):
                known = self.known.get(part.strip("{}"), ("1",))
                odd = ("..%2f..", "%00", "9" * 400, "x" * 3000, "%f0%9f%8f%8b", "-1", "1e9", "")
                part = dice.choice(known) if dice.random() < 0.8 else dice.choice(odd)
            parts.append(part)
        asked = "/".join(parts)
        if dice.random() < 0.3:
            asked += "?" + dice.choice(self.queries)
        return asked

    def _meant(self, dice: random.Random) -> dict[str, Any]:
        """What forms and scripts send, mixed: some of it fits where it goes."""
        version = 0
        if self.edits.exists():
            version = len(json.loads(self.edits.read_bytes())["edits"])
        every = {
            "version": version, "who": "Robin", "why": "seen", "action": dice.choice(ACTIONS),
            "target": f"r{dice.randint(1, 40)}", "edit_id": f"e{dice.randint(1, 9)}",
            "values": {dice.choice(_VALUES): dice.choice(VALUES)(dice)}, "toml": SLATE,
            "name": "Juna Mirek", "days": "7", "passphrase": "three stones and a bar",
            "max": "85 kg", "pattern": "7|1+5|1+4", "breaks": "4", "between": "0:10",
            "load": "60 kg", "keep": "", "athlete": "", "plan": "same", "rounds": "3",
            "movement1": "deadlift", "reps1": "8", "cap": "7:00",
        }  # fmt: skip
        review = ("version", "who", "why")
        chosen = dice.choice(
            ((*review, "action", "target", "values"), (*review, "edit_id"), review, ("name",),
             ("toml",), ("days",), ("passphrase",), ("athlete", "plan"), ("max",),
             ("max", "pattern", "breaks", "between", "load", "keep"),
             ("name", "rounds", "load", "movement1", "reps1", "cap", "pattern"))
        )  # fmt: skip
        return {key: every[key] for key in chosen}

    def _body(self, method: str, dice: random.Random) -> dict[str, Any]:
        headers = {
            "X-Token": self.token,
            "Origin": dice.choice((*[self.server.address] * 8, "null", "http://elsewhere.example")),
            "Range": dice.choice(("bytes=0-", "bytes=9999999999-1", "bytes=-", "lines=1")),
            "Accept": dice.choice(("text/html", "*/*", b"\xff", "application/json")),
            "Tus-Resumable": dice.choice(("1.0.0", "1.0.0", "2")),
            "Upload-Length": dice.choice(("10", "-1", "9" * 30, "x")),
            "Upload-Offset": dice.choice(("0", "5", "1e3")),
            "Upload-Metadata": dice.choice(("filename eA==", "filename ???", ", , ,")),
        }
        if method in ("GET", "HEAD", "OPTIONS"):
            return {"headers": headers}
        body = self._meant(dice)
        for key in dice.sample(sorted(body), dice.randint(0, min(2, len(body)))):
            body[key] = dice.choice(VALUES)(dice)
        how = dice.random()
        if how < 0.4:
            form = {key: str(value)[:10_000] for key, value in body.items()}
            form = {key: value.encode("utf-8", "replace").decode() for key, value in form.items()}
            return {"headers": headers, "data": form}
        if how < 0.8:
            text = json.dumps(body).encode("utf-8", "surrogatepass")
            return {"headers": headers | {"Content-Type": "application/json"}, "content": text}
        raw = bytes(dice.randrange(256) for _ in range(dice.randint(0, 300)))
        kind = dice.choice(
            ("application/json", "multipart/form-data; boundary=x", "text/x", "a" * 300,
             "application/offset+octet-stream", "application/x-www-form-urlencoded")
        )  # fmt: skip
        return {"headers": headers | {"Content-Type": kind}, "content": raw}
