"""Damaged and lying input in small numbers; `python -m tests.hostile` does it by the thousand."""

from __future__ import annotations

import errno
import os
import random
import shutil
import struct
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from repcount import files
from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt, Comparison, MovementReps, Trace, Workout
from repcount.errors import FootageError, PlanError, RecordError, StorageError, storage_error
from repcount.plan import Plan, parse_plan
from repcount.tracking.tracks import load_tracks, make_tracks, save_tracks
from repcount.video.containers import claimed_samples
from repcount.video.footage import probe
from tests.hostile.kinds import KINDS, PLANNING, READERS
from tests.hostile.run import command
from tests.media import write_video
from tests.scripted_reading import SLATE, as_planned

pytestmark = pytest.mark.slow
SEEDS = 6


@pytest.mark.parametrize("name", ["tracks", "records", "plan", "list", "archive"])
def test_damage_ends_in_a_sentence(name, tmp_path):
    kind = KINDS[name]
    whole = tmp_path / "whole"
    whole.mkdir()
    kind.prepare(whole)
    for seed in range(SEEDS):
        folder = tmp_path / str(seed)
        folder.mkdir()
        words = kind.make(whole, folder, random.Random(seed))
        fault = command(words, folder, kind.bound_s).fault(kind.bound_s)
        assert not fault, f"{name}:{seed}: {fault}"
        shutil.rmtree(folder)


@pytest.mark.parametrize("words", [*READERS, *PLANNING], ids=" ".join)
def test_what_is_damaged_there_is_read_where_it_is_whole(words, tmp_path):
    """So that no command of the harness ends before it has looked at what was damaged."""
    KINDS["records"].prepare(tmp_path)
    KINDS["plan"].prepare(tmp_path)
    shutil.copytree(tmp_path / "out", tmp_path / "both" / "out")
    shutil.copytree(tmp_path / "out2", tmp_path / "both" / "out2")
    ended = command(words, tmp_path, KINDS["records"].bound_s)
    assert ended.code == 0, ended.said


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "out", "--plan", "/dev/zero"),
        ("compare", "/dev/zero", "--plan", "plan.toml"),
        ("plan", "plan.toml", "--athletes", "/dev/zero", "--target", "6:00"),
        ("heat", "endless.csv", "--out", "heat"),
        ("library", "import", "/dev/zero", "--data", "data"),
    ],
    ids=" ".join,
)
def test_what_has_no_end_is_not_read(words, tmp_path):
    KINDS["plan"].prepare(tmp_path)
    KINDS["records"].prepare(tmp_path)
    (tmp_path / "endless.csv").symlink_to("/dev/zero")
    ended = command(words, tmp_path, 10)
    assert ended.code == 2
    assert "it is no ordinary file" in ended.said
    assert not ended.fault(10)


# --- tracks ---


@pytest.fixture
def tracks(tmp_path: Path) -> Path:
    position = np.zeros((4, 2, 35, 1))
    made = make_tracks(
        np.arange(4) / 30,
        position,
        np.ones((4, 35, 1)),
        plate_semi_axis=np.full((4, 2, 1), 20.0),
        video={"duration_s": 0.1, "width": 640},
    )
    save_tracks(made, tmp_path / "tracks.nc")
    load_tracks(tmp_path / "tracks.nc")
    return tmp_path / "tracks.nc"


def _drop(file: h5py.File) -> None:
    del file["confidence"]


def _put(name: str, value: float):
    def damage(file: h5py.File) -> None:
        file[name][...] = value

    return damage


def _say(name: str, value: object):
    def damage(file: h5py.File) -> None:
        file.attrs[name] = value

    return damage


@pytest.mark.parametrize(
    ("damage", "what"),
    [
        (_drop, "confidence"),
        (_put("position", np.inf), "position"),
        (_put("position", 1e30), "position"),
        (_put("confidence", 1.5), "confidence"),
        (_put("plate_semi_axis", 0.0), "plate_semi_axis"),
        (_put("cut", 7), "cut"),
        (_put("time", 0.0), "times"),
        (_put("time", np.nan), "times"),
        (_say("video", "{"), "video"),
        (_say("video", '{"width": "wide"}'), "video"),
        (_say("sounds", '[{"onset_s": 1e300}]'), "sounds"),
        (_say("warnings", 3.5), "warnings"),
        (_say("format", "repcount-tracks/9"), "repcount-tracks/9"),
        (_say("made_by", b"\xff"), "made_by"),
    ],
)
def test_damaged_tracks_say_what_is_wrong(tracks, damage, what):
    with h5py.File(tracks, "r+") as file:
        damage(file)
    with pytest.raises(RecordError) as caught:
        load_tracks(tracks)
    assert what in str(caught.value)
    assert "\n" not in str(caught.value)


def test_tracks_that_claim_more_than_can_be_are_not_read(tracks, recwarn):
    with h5py.File(tracks, "r+") as file:
        del file["brightness"]
        file.create_dataset("brightness", shape=(10**9,), dtype="f4", chunks=(1000,))
    began = time.monotonic()
    with pytest.raises(RecordError):
        load_tracks(tracks)
    assert time.monotonic() - began < 5
    assert not recwarn.list  # a sentence is enough


def test_a_damaged_length_takes_no_more_memory_than_is_allowed(tracks):
    with h5py.File(tracks) as file:
        name = file["keypoints"].id.get_offset()
    # A string of any length is stored as its length in 4 bytes, a heap's address and an index
    # (HDF5 File Format Specification, version 3: data of variable length).
    data = bytearray(tracks.read_bytes())
    data[name + 3] = 0xE5
    tracks.write_bytes(data)
    ended = command(["analyze", "--tracks", tracks.name, "--out", "out"], tracks.parent, 60.0)
    assert not ended.fault(60.0)
    assert ended.code == 2
    assert "tracks.nc: cannot be read as a tracks file" in ended.said


# --- plans and records ---


@pytest.mark.parametrize(
    "text",
    [
        "a." * 20_000 + "a = 1",
        "x = " + "[" * 5000,
        "x = " + "9" * 10_000,
        "[workout]\nname = 'x'\nrounds = 200\n"
        + "[[workout.movements]]\nmovement = 'deadlift'\nreps = 1000\n"
        + "[[workout.movements]]\nmovement = 'thruster'\nreps = 1000\n",
    ],
)
def test_absurd_plans_are_refused_at_once(text):
    began = time.monotonic()
    with pytest.raises(PlanError):
        parse_plan(text)
    assert time.monotonic() - began < 2


def test_records_hold_what_can_be():
    with pytest.raises(ValueError, match="one length"):
        Trace(time_s=[0.0, 1.0], bar_st=[0.1], hip_st=[0.5, 0.5])
    with pytest.raises(ValueError, match="at most"):
        Workout(name="Slate", rounds=[[{"movement": "deadlift", "reps": 3000}]] * 2)
    with pytest.raises(ValueError, match="less than"):
        MovementReps(movement="deadlift", reps=2**63)
    attempt = derive_attempt(as_planned().reading()).model_dump()
    attempt["breaks"][0]["round"] = 4
    with pytest.raises(ValueError, match="that the workout does not have"):
        Attempt.model_validate(attempt)
    compared = compare(derive_attempt(as_planned().reading()), parse_plan(SLATE)).model_dump()
    with pytest.raises(ValueError, match="that the workout does not have"):
        Comparison.model_validate(compared | {"compared_rounds": 4})
    plan = parse_plan(SLATE).model_dump()
    plan["rounds"][2]["pattern"]["sets"][0][0]["reps"] += 1
    with pytest.raises(ValueError, match="uses up the reps"):
        Plan.model_validate(plan)
    with pytest.raises(ValueError, match="those of its workout"):
        Plan.model_validate(plan | {"rounds": plan["rounds"][:2]})
    with pytest.raises(ValueError, match="less than"):
        Trace(time_s=[1e308], bar_st=[0.1], hip_st=[0.5])


def test_damaged_corrections_are_not_made_again_by_reading(tmp_path):
    KINDS["records"].prepare(tmp_path)
    (tmp_path / "out" / "edits.json").write_text("{")
    ended = command(("correct", "out", "list"), tmp_path, 30)
    assert ended.code == 2
    assert "from a copy" in ended.said
    assert "analyze" not in ended.said


# --- videos ---


@pytest.mark.parametrize("claim", [80_000_000, 1_000_000, 4_000])
def test_a_video_that_claims_what_it_cannot_hold_is_refused_at_once(tmp_path, claim):
    data = bytearray(write_video(tmp_path / "whole.mp4", [k / 30 for k in range(60)]).read_bytes())
    assert claimed_samples(tmp_path / "whole.mp4") == 60
    # ISO/IEC 14496-12, 8.7.3: after version and flags the size that all samples have, their number
    struct.pack_into(">II", data, data.find(b"stsz") + 8, 1, claim)
    lying = tmp_path / "lying.mp4"
    lying.write_bytes(data)
    assert claimed_samples(lying) == claim
    began = time.monotonic()
    with pytest.raises(FootageError):
        probe(lying)
    assert time.monotonic() - began < 2


# --- disks and names ---


def test_a_full_disk_says_so(tmp_path, monkeypatch):
    full = storage_error(OSError(errno.ENOSPC, "No space left on device", "/some/file"))
    assert full.full
    assert str(full) == (
        "/some/file: no space left on device; make room on the disk and do it again."
    )
    locked = storage_error(OSError(errno.EROFS, "Read-only file system"))
    assert not locked.full
    assert "who may write there" in str(locked)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(files.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(StorageError, match="make room"):
        files.demand_room(tmp_path / "not" / "there", 1e6)


def repcount(*words: str | bytes, stdout: int = subprocess.PIPE, **more: object):
    return subprocess.run(
        [sys.executable, "-m", "repcount.cli.main", *words],
        stdout=stdout, stderr=subprocess.PIPE, text=True, errors="replace", check=False, **more,
    )  # fmt: skip


@pytest.mark.parametrize("words", [["schema", "attempt"], ["--version"], ["plan", "--help"]])
def test_output_that_cannot_be_printed_is_said(words):
    with open("/dev/full", "w") as full:  # full(4)
        done = repcount(*words, stdout=full.fileno())
    assert done.returncode == StorageError.exit_code
    (line,) = done.stderr.splitlines()
    assert "printed" in line
    assert "no space left on device" in line


def test_a_closed_output_is_no_error():
    command = '"$0" -m repcount.cli.main schema attempt >&-'
    done = subprocess.run(["sh", "-c", command, sys.executable], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("name", ["", "x" * 300])
def test_names_that_are_none_are_refused_before_any_work(name, tmp_path):
    done = repcount("analyze", "clip.mp4", "--out", name, cwd=tmp_path)
    assert done.returncode == 2
    assert "name" in done.stderr
    assert not list(tmp_path.iterdir())


def test_a_video_whose_name_is_no_text_is_refused_before_any_work(tmp_path):
    path = bytes(tmp_path) + b"/clip-\xff.mp4"
    write_video(tmp_path / "clip.mp4", [0, 0.1]).rename(
        Path(path.decode("utf-8", "surrogateescape"))
    )
    done = repcount("analyze", path, "--out", "out", cwd=tmp_path)
    assert done.returncode == 2
    assert "UTF-8" in done.stderr


def test_what_killed_commands_left_aside_goes_after_a_day(tmp_path):
    old, new = tmp_path / ".repcount-old", tmp_path / ".repcount-new"
    for one in (old, new):
        one.mkdir()
    long_ago = time.time() - 2 * files.LEFT_S
    os.utime(old, (long_ago, long_ago))
    files.sweep(tmp_path)
    assert not old.exists()
    assert new.exists()
