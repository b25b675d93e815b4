"""How quick the server's pages are, for the server and for whoever uses them.

`python -m tests.speed.serve [--count 200] [--upload-gb 1]` fills a library with attempts made
without pixels, one of them of 20 minutes, and prints for a real server, beside what is wanted:

- seconds of the first page, of the long attempt's page and of a correction to it (with the body
  read, the best of five);
- in Chromium, where there is one, by the wall clock: the long attempt's page from the tap to the
  frame that shows it, on a phone and at a desk, and a correction from the key to the redrawn chart
  (the middle and the worst of nine);
- what a person has to do: taps from the opened page to an upload, keys from an opened attempt to a
  corrected no-rep, taps for a plan of three movements, three rounds and two breaks;
- the server's greatest resident memory, after every heavy page has been opened, before and after an
  upload.

For idle cores; how busy they were is printed. It ends with 1 where something wanted is missed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import numpy as np

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Trace, save_record
from repcount.library.store import Library
from repcount.pipeline.results import READING, Results, write_results
from tests.media import write_video
from tests.scripted_reading import as_planned
from tests.speed.hands import by_key, made_by_touch, no_rep_by_key, opened, uploaded
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, announce, put
from tests.web.stub_analysis import PLAN, stub_reading, write_stub

LONG_S, TRACE_HZ = 1200.0, 10.0
PIECE = 8 * 2**20


class Wanted:
    """Prints what was measured beside what is wanted, and remembers what was missed."""

    missed = 0

    def say(self, what: str, found: float, most: float, unit: str = "s") -> None:
        """One line; `found` and `most` in `unit`."""
        late = found > most
        self.missed += late
        shown = f"{found:.3f}" if unit == "s" else f"{found:g}"
        print(
            f"  {what}: {shown} {unit} (wanted: {most:g}){', MISSED' if late else ''}", flush=True
        )


def write_long(folder: Path) -> float:
    """Results of an attempt of 20 minutes without a plan; how long it really is, in seconds."""
    rounds = 1
    while as_planned(rounds).reading().end_of_sight_s < LONG_S:
        rounds += 1
    reading = as_planned(rounds).reading()
    times = np.arange(0, reading.end_of_sight_s, 1 / TRACE_HZ)
    heights = 0.5 + 0.4 * np.sin(times)
    reading.trace = Trace(time_s=times.tolist(), bar_st=heights.tolist(), hip_st=[0.5] * len(times))
    folder.mkdir()
    write_results(folder, Results(reading, derive_attempt(reading), None, None))
    save_record(reading, folder / READING)
    return reading.end_of_sight_s


def write_short(folder: Path, number: int) -> Path:
    """Results of one of the short attempts. Each is of another video: what is known to be the same
    one is set side by side with nothing."""
    reading = stub_reading()
    reading.video.sha256 = f"{number:064x}"
    write_stub(folder, reading)
    return folder


def best(call: Callable[[], httpx.Response], times: int = 5) -> float:
    """The least seconds of some calls."""
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        assert call().status_code == 200
        took.append(time.perf_counter() - begin)
    return min(took)


def of_pages(client: httpx.Client, count: int, long: str, length_s: float) -> None:
    """Seconds of pages, as a program reads them."""
    print(f"{count} attempts: first page {best(lambda: client.get('/')):.3f} s")
    page = best(lambda: client.get(f"/attempts/{long}"))
    print(f"review of an attempt of {length_s:.0f} s: page {page:.3f} s")
    version = client.get(f"/api/attempts/{long}/panel").json()["version"]

    def correct() -> httpx.Response:
        nonlocal version
        body = {
            "version": version, "who": "Robin", "action": "note", "values": {"text": "grip"},
        }  # fmt: skip
        answer = client.post(f"/api/attempts/{long}/edits", json=body)
        version = answer.json()["version"]
        return answer

    print(f"  a correction, with the panel drawn anew {best(correct):.3f} s")


def of_people(server: Server, long: str, film: Path, wanted: Wanted) -> None:
    """Seconds by the wall clock in a browser, and what hands have to do."""
    page = f"{server.address}/attempts/{long}"
    busy = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"in Chromium, with {os.cpu_count()} cores and a load of {busy}:")
    with Browser() as browser:
        browser.shape(390, 844, phone=True)
        wanted.say("the long attempt, on a phone, to the frame that shows it",
                   opened(browser, page), 1.5)  # fmt: skip
        wanted.say("from the first page to the upload", uploaded(browser, server.address, film), 5,
                   "taps")  # fmt: skip
        wanted.say("a plan of three movements and two breaks",
                   made_by_touch(browser, server.address), 12, "taps")  # fmt: skip
        browser.shape(1440, 900)
        wanted.say("the same at a desk", opened(browser, page), 1.5)
        middle, worst = by_key(browser, page)
        wanted.say("a correction from the key to the redrawn chart, the middle", middle, 0.3)
        print(f"  at worst {worst:.3f} s")
        wanted.say("from the opened attempt to a no-rep, beside its reason",
                   no_rep_by_key(browser, page), 3, "keys")  # fmt: skip


def of_memory(
    client: httpx.Client, server: Server, pages: list[str], film: Path, size: int
) -> None:
    """The server's memory before and after an upload of so many bytes."""
    for path in pages:
        answer = client.get(path)
        assert answer.status_code == 200, (path, answer.text[:500])
    before = server.peak_kb() / 1024
    where = announce(client, size).headers["Location"]
    begin, offset = time.perf_counter(), 0
    head = film.read_bytes()
    while offset < size:
        piece = min(PIECE, size - offset)
        data = head + bytes(piece - len(head)) if offset == 0 else bytes(piece)
        assert put(client, where, offset, data).status_code == 204
        offset += piece
    took = time.perf_counter() - begin
    print(
        f"upload of {size / 1e9:g} GB: {took:.0f} s; peak memory of the server "
        f"{before:.0f} MB before, {server.peak_kb() / 1024:.0f} MB after"
    )


def main() -> None:
    """Fill a library, serve it and measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--upload-gb", type=float, default=1.0)
    asked = parser.parse_args()
    wanted = Wanted()
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        film = home / "film.mp4"
        write_video(film, [n / 30 for n in range(60)])
        length_s = write_long(home / "long")
        library = Library(home / "data")
        short = [
            library.add_attempt(film, "film.mp4", results=write_short(home / "short", number))
            for number in range(asked.count - 1)
        ]
        long = library.add_attempt(film, "film.mp4", results=home / "long")
        library.athlete_named("Robin Calder")
        library.put_plan(PLAN)
        library.close()
        with Server(home / "data") as server, server.client() as client:
            of_pages(client, asked.count, long, length_s)
            if CHROMIUM is not None:
                of_people(server, long, film, wanted)
            together = "&".join(f"with={one}" for one in short[:12])
            pages = [
                f"/attempts/{long}/files/report.html", "/workouts", "/plans/new",
                f"/workouts/Slate?{together}",
            ]  # fmt: skip
            of_memory(client, server, pages, film, int(asked.upload_gb * 1e9))
    sys.exit(1 if wanted.missed else 0)


if __name__ == "__main__":
    main()
