"""The README's commands in the README's order, on the samples that come with it.

The whole sample is read once for the session. The one command that costs minutes on it, the
overlay, is run on the sample's first seconds, read and drawn by the same words.
"""

from __future__ import annotations

import os
import re
import shutil
import ssl
import subprocess
import sys
import time
from pathlib import Path

import httpx
import numpy as np
import pytest

from repcount.attempt.records import save_record
from repcount.plan import load_plan
from tests.conftest import REPOSITORY
from tests.heats import write_attempt
from tests.readme import commands, run
from tests.simulated_athletes import Athlete
from tests.web.mutated import piece
from tests.web.serving import PATIENCE_S, free_port

CLIPS = REPOSITORY / "sample_clips"
COMMANDS = commands()
PASSPHRASE = "three stones and a bar"


def served(words: list[str], folder: Path, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
    """Start the server on a free port, open its first page, and stop it."""
    port = free_port()
    scheme = "https" if "--self-signed" in words else "http"
    process = subprocess.Popen(
        [sys.executable, "-m", "repcount.cli.main", *words, "--port", str(port)],
        cwd=folder, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    unchecked = ssl.create_default_context()
    unchecked.check_hostname, unchecked.verify_mode = False, ssl.CERT_NONE
    deadline = time.monotonic() + PATIENCE_S
    status = None
    while status is None and process.poll() is None and time.monotonic() < deadline:
        try:
            address = f"{scheme}://127.0.0.1:{port}/"
            status = httpx.get(address, verify=unchecked, follow_redirects=True).status_code
        except httpx.TransportError:
            time.sleep(0.1)
    process.terminate()
    said = process.communicate(timeout=PATIENCE_S)[0]
    return subprocess.CompletedProcess(words, 0 if status == 200 else 1, said, "")


def athletes_own(place: Path) -> None:
    """What the reader brings: an earlier attempt and the videos of a heat (here read already, which
    is as good)."""
    plan = load_plan(CLIPS / "slate.toml")
    attempts = [Athlete(np.random.default_rng(seed)).attempt(plan) for seed in range(4)]
    write_attempt(place / "out" / "first", attempts[0])
    for number, one in enumerate(attempts[1:], 1):
        folder = write_attempt(place / "videos" / f"athlete-{number}", one)
        save_record(plan, folder / "plan.json")


@pytest.fixture(scope="module")
def ran(slate_read, tmp_path_factory) -> list[subprocess.CompletedProcess[str]]:
    """What became of every command."""
    place, short = tmp_path_factory.mktemp("readme"), tmp_path_factory.mktemp("short")
    env = {
        **os.environ, "PYTHONPATH": str(REPOSITORY), "HOME": str(place / "home"),
        "XDG_DATA_HOME": str(place / "home" / "data"),
    }  # fmt: skip
    (place / "sample_clips").symlink_to(CLIPS)
    (short / "sample_clips").mkdir()
    shutil.copy(CLIPS / "slate.toml", short / "sample_clips")
    piece(CLIPS / "slate.mp4", short / "sample_clips" / "slate.mp4", 8.0)
    athletes_own(place)
    done = []
    for number, words in enumerate(COMMANDS):
        if number == 0:
            shutil.copytree(slate_read[0], place / "out" / "slate")
            one = slate_read[1]
        elif words[0] == "overlay":
            read = run(COMMANDS[0], short, env=env)
            assert read.returncode == 0, read.stderr
            one = run(words, short, env=env)
        elif words[0] == "serve":
            if "--self-signed" in words:
                new = run(
                    ["serve", "--set-passphrase"], place, env=env,
                    input=f"{PASSPHRASE}\n{PASSPHRASE}\n", start_new_session=True,
                )  # fmt: skip
                assert new.returncode == 0, new.stderr
            one = served(words, place, env)
        elif "--save" in words:  # it is read again from its tracks, which costs no pixels
            tracks = ["--tracks", str(slate_read[0] / "tracks.nc"), "--no-stills"]
            one = run([*words, *tracks], place, env=env)
        else:
            one = run(words, place, env=env)
        done.append(one)
    return done


def test_the_first_command_reads_the_sample():
    assert COMMANDS[0][:2] == ["analyze", "sample_clips/slate.mp4"]
    assert len(COMMANDS) > 10


@pytest.mark.parametrize("number", range(len(COMMANDS)), ids=[" ".join(c) for c in COMMANDS])
def test_a_command_of_the_readme_does_what_it_says(ran, number):
    one = ran[number]
    assert one.returncode == 0, one.stdout + one.stderr
    assert "Traceback" not in one.stdout + one.stderr
    if "serve" not in COMMANDS[number]:
        assert all(len(line) <= 80 for line in one.stdout.splitlines()), one.stdout


def said(ran, *words: str) -> str:
    """What the one command printed that has these words."""
    found = [one for one, c in zip(ran, COMMANDS, strict=True) if {*words} <= {*c}]
    assert len(found) == 1
    return found[0].stdout


def test_the_moment_of_the_example_names_a_rep(ran):
    first = said(ran, "correct", "no-rep").splitlines()[0]
    moment = r"\d:\d\d\.\d"
    said_so = rf"Correction e1: mark no rep, round \d, [a-z ]+ \d at {moment} \(video {moment}\)"
    assert re.fullmatch(said_so, first)


def test_one_quantity_is_one_number_in_report_next_plan_and_card(ran, slate_read, tmp_path):
    printed = " ".join(said(ran, "next").split())
    report = (slate_read[0] / "report.html").read_text(encoding="utf-8")
    analyzed = " ".join(ran[0].stdout.split())
    most = re.search(r"Largest loss: ([\w ]+), ([\d.]+) s against", analyzed)
    assert most is not None, analyzed
    assert f" {most[2]} s {most[1][:1].upper()}{most[1][1:]}" in printed, (most[0], printed)
    fitted = re.findall(r"(?:slowing (?:in the set|by work)|recovery in breaks) [^)]+\)", printed)
    assert len(fitted) == 3
    assert all(one in report for one in fitted)
    total = re.search(r"The new plan: (\d:\d\d\.\d) \(", printed)
    card = run(["next", str(slate_read[0]), "--out", str(tmp_path), "--quiet"], REPOSITORY)
    assert card.returncode == 0, card.stderr
    assert total is not None
    for name in ("card.html", "next.html"):
        assert total[1] in (tmp_path / name).read_text(encoding="utf-8")
