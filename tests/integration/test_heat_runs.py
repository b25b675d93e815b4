"""A heat that is read on Dask: resumed, isolated, killed, on a scheduler that loses a worker."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from repcount.errors import RepcountError
from repcount.heat.cluster import Where
from repcount.heat.collect import Outcome, collect, write_heat
from repcount.heat.flow import Progress, Stopped, read_heat
from repcount.heat.jobs import Job, LaneJob, do
from repcount.heat.manifest import list_folder, load_manifest
from repcount.heat.store import HeatOptions, tracks_key
from repcount.pipeline.analyze import analyze
from repcount.tracking.tracks import load_tracks
from repcount.video.footage import open_footage
from tests.conftest import REPOSITORY
from tests.heat_stub import WORK
from tests.heats import simulated
from tests.media import write_video

TWO = Where(workers=2)


@pytest.fixture(scope="session")
def attempts() -> list[str]:
    return [simulated(seed).attempt.model_dump_json() for seed in range(6)]


@pytest.fixture
def videos(tmp_path: Path, attempts: list[str], monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "videos"
    folder.mkdir()
    for number, text in enumerate(attempts, 1):
        (folder / f"athlete-{number}.mp4").write_text(text, encoding="utf-8")
    monkeypatch.setenv("REPCOUNT_STUB_LOG", str(tmp_path / "log"))
    return folder


def begun(tmp_path: Path) -> Counter[str]:
    """How often each video was begun."""
    log = tmp_path / "log"
    lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
    return Counter(line.split()[0] for line in lines)


def timeless(folder: Path) -> dict[str, str]:
    """JSON and CSV of a heat's folder, by path, without times of making."""
    return {
        str(path.relative_to(folder)): re.sub(
            r'"made_at": ?"[^"]*"', "", path.read_text(encoding="utf-8")
        )
        for path in sorted(folder.rglob("*"))
        if path.suffix in (".json", ".csv")
    }


def test_a_second_run_does_only_what_is_missing(videos: Path, tmp_path: Path) -> None:
    seen: list[Progress] = []
    first = read_heat(
        list_folder(videos), tmp_path / "out", where=TWO, on_read=seen.append, work=WORK
    )
    assert all(one.folder for one in first)
    assert [one.done for one in seen] == [1, 2, 3, 4, 5, 6]
    assert set(begun(tmp_path).values()) == {1}

    (videos / "athlete-7.mp4").write_text(simulated(9).attempt.model_dump_json(), encoding="utf-8")
    second = read_heat(list_folder(videos), tmp_path / "out", where=TWO, work=WORK)
    assert begun(tmp_path) == Counter({f"athlete-{n}.mp4": 1 for n in range(1, 8)})
    assert [one.folder for one in second[:6]] == [one.folder for one in first]

    # a video that was moved and renamed is the same video
    (videos / "athlete-7.mp4").rename(videos / "zoe.mp4")
    third = read_heat(list_folder(videos), tmp_path / "out", work=WORK)
    assert third[6].folder == second[6].folder
    assert third[6].listed.entry.athlete == "zoe"
    tracks = third[6].folder / "tracks.nc" if third[6].folder else None
    assert tracks is not None
    assert tracks.read_text() == "tracks of athlete-7.mp4, 1"


def test_other_options_are_another_result() -> None:
    plain = tracks_key("ab", HeatOptions(), 1)
    assert tracks_key("ab", HeatOptions(), 1) == plain
    keys = {
        plain,
        tracks_key("cd", HeatOptions(), 1),
        tracks_key("ab", HeatOptions(model="lite"), 1),
        tracks_key("ab", HeatOptions(), 2),
    }
    assert len(keys) == 4


def test_what_goes_wrong_is_one_row_with_its_reason(videos: Path, tmp_path: Path) -> None:
    for name in ("crash", "too large", "wrong", "no memory", "nonsense"):
        (videos / f"b-{name}.mp4").write_text(name, encoding="utf-8")
    outcomes = read_heat(list_folder(videos), tmp_path / "out", where=TWO, work=WORK)
    reasons = {one.listed.source.stem: one.reason for one in outcomes if one.folder is None}
    assert set(reasons) == {"b-crash", "b-too large", "b-wrong", "b-no memory", "b-nonsense"}
    assert "crashed (SIGSEGV)" in reasons["b-crash"]
    assert "ran out of memory" in reasons["b-too large"]
    assert "IndexError" in reasons["b-wrong"]
    assert "ran out of memory" in reasons["b-no memory"]
    assert reasons["b-nonsense"] == "b-nonsense.mp4: is no video; give one."
    heat = collect(outcomes, "Slate", tmp_path / "out")
    assert sum(one.state == "failed" for one in heat.attempts) == 5
    assert sum(one.finished is True for one in heat.attempts) == 6
    # what failed is tried again, what did not is not
    read_heat(list_folder(videos), tmp_path / "out", where=TWO, work=WORK)
    assert begun(tmp_path)["b-crash.mp4"] == 2
    assert begun(tmp_path)["athlete-1.mp4"] == 1


def test_it_stops_at_the_first_failure_if_asked(videos: Path, tmp_path: Path) -> None:
    (videos / "a.mp4").write_text("nonsense", encoding="utf-8")
    with pytest.raises(Stopped, match=r"a\.mp4: is no video.*what is done is kept"):
        read_heat(
            list_folder(videos),
            tmp_path / "out",
            where=Where(workers=1),
            stop_on_error=True,
            work=WORK,
        )
    assert sum(begun(tmp_path).values()) < 7


def test_a_row_whose_plan_is_wrong_costs_no_other(videos: Path, tmp_path: Path) -> None:
    (videos / "bad.toml").write_text("[workuot]\n", encoding="utf-8")
    (videos / "list.csv").write_text(
        "athlete,video,plan\nJuna,athlete-1.mp4,\nOren,athlete-2.mp4,bad.toml\n", encoding="utf-8"
    )
    outcomes = read_heat(
        load_manifest(videos / "list.csv"), tmp_path / "out", where=Where(workers=1), work=WORK
    )
    assert outcomes[0].folder is not None
    assert "workuot is not a key of a plan" in outcomes[1].reason


def test_lanes_of_one_video_are_read_once(videos: Path, tmp_path: Path) -> None:
    (videos / "list.csv").write_text(
        "athlete,video,lane\nJuna,athlete-1.mp4,1\nOren,athlete-1.mp4,2\n", encoding="utf-8"
    )
    rows = load_manifest(videos / "list.csv")
    outcomes = read_heat(rows, tmp_path / "out", where=Where(workers=1), work=WORK)
    assert begun(tmp_path) == Counter({"athlete-1.mp4": 1})
    assert len({one.folder for one in outcomes}) == 2
    # a list that leaves lanes out says nothing of how many there are
    (videos / "some.csv").write_text("athlete,video,lane\nJuna,athlete-1.mp4,2\n", encoding="utf-8")
    only = read_heat(load_manifest(videos / "some.csv"), tmp_path / "out", work=WORK)
    assert only[0].folder != outcomes[1].folder
    assert begun(tmp_path) == Counter({"athlete-1.mp4": 2})
    # the same video with its lanes to be found: the names say which
    (tmp_path / "one").mkdir()
    (videos / "athlete-1.mp4").rename(tmp_path / "one" / "both.mp4")
    found = read_heat(
        list_folder(tmp_path / "one"), tmp_path / "out", HeatOptions(lanes=0), work=WORK
    )
    assert [one.listed.entry.athlete for one in found] == ["both, lane 1", "both, lane 2"]
    assert found[1].folder == only[0].folder


def start(videos: Path, out: Path, **environment: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.heat_stub", str(videos), str(out)],
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), **environment},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        # a shell starts what runs in its background deaf to Ctrl-C
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


def wait_for(what: object, limit_s: float = 600.0) -> None:
    assert callable(what)
    begin = time.monotonic()
    while not what():
        assert time.monotonic() - begin < limit_s, "took too long"
        time.sleep(0.05)


def alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def processes(tmp_path: Path) -> set[int]:
    """All children that were begun, and their workers."""
    lines = (tmp_path / "log").read_text(encoding="utf-8").splitlines()
    return {int(word) for line in lines for word in line.split()[1:]}


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_killed_at_any_moment_it_ends_the_same(
    videos: Path, tmp_path: Path, how: signal.Signals
) -> None:
    whole, killed = tmp_path / "whole", tmp_path / "killed"
    assert start(videos, whole).wait(180) == 0
    (tmp_path / "log").unlink()

    process = start(videos, killed, REPCOUNT_STUB_S="0.6")
    wait_for(lambda: len(list((killed / "results").glob("[!.]*"))) >= 2)
    # Ctrl-C in a terminal is heard by every process that was started from it
    os.killpg(process.pid, how) if how is signal.SIGINT else process.send_signal(how)
    process.wait(60)
    assert not (killed / "heat.csv").exists()
    kept = len(list((killed / "results").glob("[!.]*")))
    assert 2 <= kept < 6
    assert start(videos, killed).wait(180) == 0
    assert timeless(killed) == timeless(whole)
    assert sum(times == 1 for times in begun(tmp_path).values()) >= kept  # none of these again
    wait_for(lambda: not any(map(alive, processes(tmp_path))))  # nobody is left behind
    assert not list(killed.rglob(".part-*"))

    import duckdb

    for name in ("heat", "heat_reps", "heat_breaks"):
        one, other = (
            duckdb.sql(f"select * from '{folder}/{name}.parquet'").fetchall()
            for folder in (whole, killed)
        )
        assert one == other


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A real scheduler and two workers on loopback, in processes of their own."""
    file = tmp_path / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY), "REPCOUNT_STUB_S": "0.8"}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}

    def run(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments, "--scheduler-file", str(file)],
            cwd=tmp_path,
            env=environment,
            **quiet,  # type: ignore[call-overload]
        )

    started = [run("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")]
    try:
        wait_for(file.exists)
        for _ in range(2):
            started.append(
                run(
                    "worker",
                    "--host",
                    "127.0.0.1",
                    "--nthreads",
                    "1",
                    "--no-nanny",
                    "--no-dashboard",
                )
            )
        yield json.loads(file.read_text())["address"], started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()


def test_a_scheduler_whose_worker_is_killed_ends_complete(
    videos: Path,
    tmp_path: Path,
    scheduler: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    """As Dask's own tests do it (distributed/tests/test_failed_workers.py): a worker's process is
    ended in the middle of its work, and what it had is done by the other."""
    address, workers = scheduler
    victims: list[str] = []

    def kill() -> None:
        """Kill the worker that begins the third video."""
        log = tmp_path / "log"
        wait_for(lambda: log.exists() and log.read_text(encoding="utf-8").count("\n") >= 3)
        name, _, worker = log.read_text(encoding="utf-8").splitlines()[2].split()
        next(one for one in workers if one.pid == int(worker)).kill()
        victims.append(name)

    killer = threading.Thread(target=kill)
    killer.start()
    home = tmp_path / "out"
    outcomes = read_heat(list_folder(videos), home, where=Where(address), work=WORK)
    killer.join()
    assert begun(tmp_path)[victims[0]] == 2
    assert sum(begun(tmp_path).values()) == 7
    assert all(one.folder for one in outcomes), [one.reason for one in outcomes]
    write_heat(home, collect(outcomes, "Slate", home))

    # the worker that is left is sent its videos
    plain = read_heat(
        list_folder(videos), tmp_path / "plain", where=Where(address, send=True), work=WORK
    )
    write_heat(tmp_path / "plain", collect(plain, "Slate", tmp_path / "plain"))
    assert timeless(home) == timeless(tmp_path / "plain")


def test_no_scheduler_there_is_said(videos: Path, tmp_path: Path) -> None:
    with pytest.raises(RepcountError, match="no Dask scheduler answers there"):
        read_heat(
            list_folder(videos), tmp_path / "out", where=Where("tcp://127.0.0.1:9"), work=WORK
        )


def test_a_child_keeps_to_its_cores_and_is_stopped(videos: Path, tmp_path: Path) -> None:
    video = videos / "athlete-1.mp4"
    job = Job(str(video), video.name, "ab", "key", 1, HeatOptions(), (LaneJob(1),), work=WORK)
    seen: list[float] = []
    answer = do(job, lambda done, left_s: seen.append(done), cpus=[min(os.sched_getaffinity(0))])
    assert seen == [0.5]
    assert list(answer.tracks) == ["lane-1.nc"]
    assert len(answer.results) == 1
    sent = replace(job, video="/not/there.mp4", film=video.read_bytes())
    assert do(sent).results == answer.results
    assert do(job, stopped=lambda: True).reasons == {"": "it was stopped."}


def test_folders_of_results_need_no_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.heats import write_attempt

    monkeypatch.setitem(sys.modules, "distributed", None)
    for seed in range(3):
        write_attempt(tmp_path / f"athlete-{seed}", simulated(seed))
    outcomes = read_heat(list_folder(tmp_path), tmp_path / "out")
    assert isinstance(outcomes[0], Outcome)
    assert all(one.folder for one in outcomes)


def test_a_video_read_in_a_heat_is_what_it_is_alone(tmp_path: Path) -> None:
    """Three seconds of a sample clip, through Dask and a child, beside the same read directly."""
    videos = tmp_path / "videos"
    videos.mkdir()
    with open_footage(REPOSITORY / "sample_clips" / "slate.mp4", start_s=6, end_s=9) as footage:
        frames = [(one.time_s - 6, one.rgb.copy()) for one in footage.frames(max_side=640)]
    write_video(videos / "oren.mp4", [at for at, _ in frames], pictures=[rgb for _, rgb in frames])
    (videos / "broken.mp4").write_text("no video", encoding="utf-8")
    plan = REPOSITORY / "sample_clips" / "slate.toml"
    home = tmp_path / "out"
    broken, read = read_heat(list_folder(videos, plan), home, where=Where(workers=1))
    assert broken.reason.startswith("broken.mp4: not a video")
    assert read.folder is not None
    analyze(videos / "oren.mp4", plan, tmp_path / "alone")
    assert timeless(tmp_path / "alone") == timeless(read.folder)
    assert load_tracks(read.folder / "tracks.nc").identical(
        load_tracks(tmp_path / "alone" / "tracks.nc")
    )
    assert (
        len(json.loads((read.folder / "attempt.json").read_text("utf-8"))["trace"]["bar_st"]) > 20
    )
