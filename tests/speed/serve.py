"""How quick the server's pages are, and how much memory a large upload takes.

`python -m tests.speed.serve [--count 200] [--upload-gb 1]` fills a library with attempts made
without pixels, one of them of 20 minutes, and prints for a real server: seconds of the first
page, of the long attempt's review page and of a correction to it (all with the body read, the
best of five), of a correction from the key to the redrawn chart in Chromium (where there is one:
the middle and the worst of nine), and the server's greatest resident memory, after every heavy
page has been opened, before and after an upload. For idle cores.
"""

from __future__ import annotations

import argparse
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
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, announce, put
from tests.web.stub_analysis import write_stub

LONG_S, TRACE_HZ = 1200.0, 10.0
PIECE = 8 * 2**20


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


def best(call: Callable[[], httpx.Response], times: int = 5) -> float:
    """The least seconds of some calls."""
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        assert call().status_code == 200
        took.append(time.perf_counter() - begin)
    return min(took)


def by_key(address: str) -> tuple[float, float]:
    """Corrects nine times by a key in a browser: seconds from the key to the frame that shows the
    redrawn chart, (the middle one, the worst)."""
    with Browser() as browser:
        browser.shape(1440, 900)
        browser.call("Page.navigate", url=address)
        while not browser.value("document.readyState === 'complete' && !!window.htmx"):
            time.sleep(0.05)
        browser.value("document.getElementById('who').value = 'Robin'")
        return tuple(browser.value(_BY_KEY))  # type: ignore[return-value]


_BY_KEY = """(async () => {
  const took = [];
  for (let n = 0; n < 9; n += 1) {
    const old = document.getElementById("plot");
    const begin = performance.now();
    const key = n % 2 ? "z" : "[";
    document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
    await new Promise((done, fail) => new MutationObserver((_, one) => {
      const said = document.getElementById("said").textContent;
      if (said) fail(new Error(said));
      if (document.getElementById("plot") === old) return;
      one.disconnect();
      requestAnimationFrame(() => requestAnimationFrame(done));
    }).observe(document.body, {childList: true, subtree: true}));
    took.push((performance.now() - begin) / 1000);
    await new Promise((done) => setTimeout(done, 300));
  }
  took.sort((a, b) => a - b);
  return [took[4], took[8]];
})()"""


def main() -> None:
    """Fill a library, serve it and measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--upload-gb", type=float, default=1.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        film = home / "film.mp4"
        write_video(film, [n / 30 for n in range(60)])
        write_stub(home / "short")
        length_s = write_long(home / "long")
        library = Library(home / "data")
        short = [
            library.add_attempt(film, "film.mp4", results=home / "short")
            for _ in range(asked.count - 1)
        ]
        long = library.add_attempt(film, "film.mp4", results=home / "long")
        library.close()
        with Server(home / "data") as server, server.client() as client:
            print(f"{asked.count} attempts: first page {best(lambda: client.get('/')):.3f} s")
            page = best(lambda: client.get(f"/attempts/{long}"))
            print(f"review of an attempt of {length_s:.0f} s: page {page:.3f} s")
            version = client.get(f"/api/attempts/{long}/panel").json()["version"]

            def correct() -> httpx.Response:
                nonlocal version
                body = {
                    "version": version, "who": "Robin", "action": "note",
                    "values": {"text": "grip"},
                }  # fmt: skip
                answer = client.post(f"/api/attempts/{long}/edits", json=body)
                version = answer.json()["version"]
                return answer

            print(f"  a correction, with the panel drawn anew {best(correct):.3f} s")
            if CHROMIUM is not None:
                middle, worst = by_key(f"{server.address}/attempts/{long}")
                print(f"  from key to redrawn chart: {middle:.3f} s, at worst {worst:.3f} s")
            for path in (f"/attempts/{long}/files/report.html", "/workouts", "/plans/new"):
                assert client.get(path).status_code == 200
            beside = client.get("/workouts/Slate", params={"with": short})
            assert "side by side" in beside.text
            before = server.peak_kb() / 1024
            size = int(asked.upload_gb * 1e9)
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
                f"upload of {asked.upload_gb:g} GB: {took:.0f} s; peak memory of the server "
                f"{before:.0f} MB before, {server.peak_kb() / 1024:.0f} MB after"
            )


if __name__ == "__main__":
    main()
