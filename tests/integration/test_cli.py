"""The commands: what they print, what they write, what they refuse, and what they leave alone."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

import repcount
from repcount import tracking
from repcount.attempt.records import Edits, load_record, save_record
from repcount.cli.main import cli
from repcount.cli.options import MOMENT, STOPPED_CODE, UNEXPECTED
from repcount.errors import RepcountError
from repcount.pipeline import analyze as pipeline
from repcount.pipeline import doctor, results
from repcount.plan import parse_plan
from repcount.schemas import NAMES
from repcount.tracking.tracks import load_tracks, save_tracks
from repcount.wording.numbers import clock
from sample_clips.render.simulate import Noise, simulate_tracks
from sample_clips.render.specs import slate as slate_spec
from tests.example_records import example_attempt
from tests.media import write_video
from tests.scripted_reading import SLATE, as_planned


def run(*arguments: object, code: int = 0) -> str:
    """What a command prints on stdout; on an error, what it says on stderr."""
    result = CliRunner().invoke(cli, [str(part) for part in arguments])
    assert result.exit_code == code, result.output
    if code == 0:
        return result.stdout
    assert result.stdout == ""
    return result.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A results folder with a reading in which all went by the plan."""
    reading = as_planned().reading()
    plan = parse_plan(SLATE)
    save_record(reading, tmp_path / "reading.json")
    save_record(plan, tmp_path / "plan.json")
    (tmp_path / "plan.toml").write_text(SLATE, encoding="utf-8")
    results.correct(tmp_path, lambda before, edits: edits)
    return tmp_path


@pytest.fixture(scope="session")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Simulated tracks of the workout Slate, without noise."""
    spec = slate_spec()
    path = tmp_path_factory.mktemp("tracks") / "tracks.nc"
    save_tracks(simulate_tracks(spec.choreography(), spec.camera(), noise=Noise.none()), path)
    (path.parent / "plan.toml").write_text(spec.plan_toml, encoding="utf-8")
    return path


# Reading -----------------------------------------------------------------------------------------


def test_tracks_and_a_plan_give_the_whole_folder(tracks, tmp_path):
    out = tmp_path / "new" / "results"
    shown = run("analyze", "--tracks", tracks, "--plan", tracks.parent / "plan.toml", "--out", out)
    # what is recognised is for those who gave no plan, or another one
    assert {path.name for path in out.iterdir()} == set(results.FILES) - {"recognised.toml"}
    assert "Slate, 60 kg" in shown
    assert shown.endswith(f"Written to {out}\n")
    assert all(len(line) <= 80 for line in shown.splitlines()[:-1])
    attempt = json.loads((out / "attempt.json").read_text())
    assert {"clock", "reps", "breaks", "rounds", "between_rounds", "holds"} <= set(attempt)
    assert [path for path in tmp_path.rglob("*") if path.name.startswith(".")] == []


def test_results_replace_results_and_nothing_else(tracks, tmp_path):
    plan = tracks.parent / "plan.toml"
    (tmp_path / "mine.txt").write_text("keep me")
    run("analyze", "--tracks", tracks, "--plan", plan, "--out", tmp_path, "--quiet")
    ids = [rep["id"] for rep in json.loads((tmp_path / "reading.json").read_text())["reps"]]
    run("correct", tmp_path, "no-rep", ids[2], "--why", "bounced", "--quiet")
    edits = (tmp_path / "edits.json").read_bytes()
    assert run("analyze", "--tracks", tracks, "--out", tmp_path, "--quiet") == ""
    assert (tmp_path / "mine.txt").read_text() == "keep me"
    assert (tmp_path / "edits.json").read_bytes() == edits
    assert not (tmp_path / "comparison.json").exists()  # of the plan that is no longer asked for
    reps = json.loads((tmp_path / "attempt.json").read_text())["reps"]
    assert next(rep for rep in reps if rep["id"] == ids[2])["status"] == "no_rep"


def test_json_is_one_object_and_fits_the_schemas(tracks, tmp_path):
    plan = tracks.parent / "plan.toml"
    printed = run("analyze", "--tracks", tracks, "--plan", plan, "--out", tmp_path, "--json")
    data = json.loads(printed)
    for name in ("attempt", "comparison"):
        schema = json.loads(run("schema", name))
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(data[name], schema)
        jsonschema.validate(json.loads((tmp_path / f"{name}.json").read_text()), schema)


def test_tracks_of_another_video_are_refused(tracks, tmp_path):
    video = write_video(tmp_path / "other.mp4", [i / 10 for i in range(20)])
    said = run("analyze", video, "--tracks", tracks, "--out", tmp_path / "o", code=2)
    assert "was not made from" in said
    assert not (tmp_path / "o").exists()


def test_what_cannot_be_read_is_said_in_one_sentence(tracks, tmp_path):
    note = tmp_path / "note.mp4"
    note.write_text("no video")
    bad_plan = tmp_path / "bad.toml"
    bad_plan.write_text(SLATE.replace("deadlift", "deadlfit"))
    out = tmp_path / "out"
    cases = [
        (note, "--out", out),
        (tmp_path / "missing.mp4", "--out", out),
        ("--tracks", note, "--out", out),
        ("--tracks", tracks, "--plan", bad_plan, "--out", out),
        ("--tracks", tracks, "--plan", tmp_path / "none.toml", "--out", out),
        ("--tracks", tracks, "--out", note),
        ("--tracks", tracks, "--out", note / "inside"),
    ]
    for case in cases:
        code = 74 if case[-1] == note / "inside" else 2  # the disk refuses (sysexits.h)
        said = run("analyze", *case, code=code)
        assert said.startswith("repcount: "), case
        assert said.count("\n") == 1
        assert "Traceback" not in said
        assert not out.exists()
    assert 'did you mean "deadlift"' in run(
        "analyze", "--tracks", tracks, "--plan", bad_plan, "--out", out, code=2
    )


def test_a_video_or_tracks_must_be_given(tmp_path):
    assert "Give a video" in run("analyze", "--out", tmp_path, code=2)


def test_corrections_of_another_video_stop_before_the_pixels(tracks, tmp_path, monkeypatch):
    save_record(Edits(video_sha256="f" * 64), tmp_path / "edits.json")
    said = run("analyze", "--tracks", tracks, "--out", tmp_path, code=2)
    assert "another video" in said
    assert [path.name for path in tmp_path.iterdir()] == ["edits.json"]


def test_unexpected_errors_are_short_unless_asked_for(tracks, tmp_path, monkeypatch):
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(pipeline, "measure", broken)
    arguments = ["analyze", "--tracks", tracks, "--out", tmp_path / "o"]
    said = run(*arguments, code=UNEXPECTED)
    assert "ZeroDivisionError: division by zero" in said
    assert "--debug" in said
    assert said.count("\n") == 1
    result = CliRunner().invoke(cli, ["--debug", *map(str, arguments)])
    assert isinstance(result.exception, ZeroDivisionError)
    assert not (tmp_path / "o").exists()


def test_ctrl_c_leaves_the_folder_as_it_was(tracks, tmp_path, monkeypatch):
    (tmp_path / "attempt.json").write_text("old")

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(results, "write_report", stopped)
    said = run("analyze", "--tracks", tracks, "--out", tmp_path, code=STOPPED_CODE)
    assert "nothing was written" in said
    assert [path.name for path in tmp_path.iterdir()] == ["attempt.json"]
    assert (tmp_path / "attempt.json").read_text() == "old"


def test_a_full_disk_leaves_the_folder_as_it_was(tracks, tmp_path, monkeypatch):
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(results, "write_report", full)
    said = run("analyze", "--tracks", tracks, "--out", tmp_path / "o", code=74)
    assert "no space left on device" in said
    assert not (tmp_path / "o").exists()
    assert list(tmp_path.iterdir()) == []


def test_the_options_reach_the_reading_of_the_video(tracks, tmp_path, monkeypatch):
    seen = []

    def look(footage, options, progress, cancel):
        seen.append((footage.start_s, footage.end_s, footage.slowed, options.model))
        progress(0.5, 12.0)
        made = load_tracks(tracks)
        made.attrs["video"] = json.dumps(
            {
                **json.loads(made.attrs["video"]),
                "sha256": footage.info.sha256,
                "slowed": footage.slowed,
            }
        )
        return made

    monkeypatch.setattr(tracking, "track", look)
    video = write_video(tmp_path / "clip.mp4", [i / 10 for i in range(100)])
    out = tmp_path / "out"
    result = CliRunner().invoke(
        cli,
        ["analyze", str(video), "--out", str(out), "--from", "0:02", "--to", "8.5", "--slowed", "2",
         "--start", "5", "--model", "lite"],
    )  # fmt: skip
    assert result.exit_code == 0
    assert seen == [(2.0, 8.5, 2.0, "lite")]
    assert result.stderr == "Reading the video, about 0:13 to go ...\n"  # files too
    attempt = json.loads((out / "attempt.json").read_text())
    assert attempt["clock"]["start_s"] == 2.5  # given on the file's clock, kept in real seconds
    assert attempt["clock"]["start_source"] == "given"
    assert attempt["provenance"]["options"]["plate_mm"] == 450

    save_record(Edits(video_sha256="f" * 64), out / "edits.json")
    assert "another video" in run("analyze", video, "--out", out, code=2)
    assert len(seen) == 1  # refused before the pixels were looked at again


def test_only_our_own_words_reach_stderr():
    code = (
        "import os, sys\n"
        "from repcount.cli.options import progress_shown\n"
        "with progress_shown(False, '--debug' in sys.argv) as progress:\n"
        "    os.write(2, b'a library talks\\n')\n"
        "    progress(0.5, 61.0)\n"
        "    progress(0.6, 50.0)\n"
        "print('after', file=sys.stderr)\n"
    )
    for flag, heard in (("", b""), ("--debug", b"a library talks\n")):
        done = subprocess.run([sys.executable, "-c", code, flag], capture_output=True, check=True)
        assert done.stderr == heard + b"Reading the video, about 1:01 to go ...\nafter\n"


# Comparing ---------------------------------------------------------------------------------------


def test_compare_prints_and_writes_nothing(folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    other = folder.parent / "other.toml"
    other.write_text(SLATE.replace("seconds = 4.0", "seconds = 6.0"))
    assert "planned 6, 36.0 s" in run("compare", folder, "--plan", other)
    data = json.loads(
        run("compare", folder / "attempt.json", "--plan", folder / "plan.toml", "--json")
    )
    assert data["format"] == "repcount-comparison/1"
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_compare_refuses_another_workout(folder):
    other = folder / "other.toml"
    other.write_text(SLATE.replace("reps = 8", "reps = 9").replace('"7 |', '"8 |'))
    assert "analyze the video again" in run("compare", folder, "--plan", other, code=2)


# Schemas -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_every_schema_is_a_schema(name):
    jsonschema.Draft202012Validator.check_schema(json.loads(run("schema", name)))


def test_unknown_schemas_are_refused():
    assert "attempt" in run("schema", "nothing", code=2)


# The doctor --------------------------------------------------------------------------------------


def test_the_doctor_says_what_is_missing_and_what_to_do(monkeypatch):
    found = [
        doctor.Check("Python", True, "3.11.2"),
        doctor.Check("Chromium", False, "not installed", "apt-get install -y chromium", True),
    ]
    monkeypatch.setattr(doctor, "checks", lambda render: found)
    assert run("doctor").splitlines() == [
        "ok       Python: 3.11.2",
        "without  Chromium: not installed",
        "         apt-get install -y chromium",
    ]
    found.append(doctor.Check("Pose model", False, "OSError: \x1b[1m", "install again"))
    result = CliRunner().invoke(cli, ["doctor", "--render"])
    assert result.exit_code == 1
    assert "MISSING  Pose model: OSError" in result.stdout
    assert "\x1b" not in result.stdout
    listed = json.loads(CliRunner().invoke(cli, ["doctor", "--json"]).stdout)
    assert [one["ok"] for one in listed] == [True, False, False]


# Correcting --------------------------------------------------------------------------------------


def reps_of(folder: Path) -> list[dict]:
    return json.loads((folder / "attempt.json").read_text())["reps"]


def test_a_no_rep_renumbers_and_can_be_taken_back(folder):
    before = reps_of(folder)
    target = before[2]
    shown = run(
        "correct", folder, "no-rep", target["id"], "--why", "hips bent", "--who", "Judge Ash"
    )
    assert shown.startswith("Correction e1: mark no rep")
    after = reps_of(folder)
    assert after[2]["status"] == "no_rep"
    assert after[3]["number"] == target["number"]
    edit = load_record(Edits, folder / "edits.json").edits[0]
    assert (edit.who, edit.why, edit.target) == ("Judge Ash", "hips bent", target["id"])
    assert "53 of 54 reps" in shown
    assert json.loads((folder / "comparison.json").read_text())["real_sets"][0] != "7 | 1+5 | 1+4"
    assert "marked as a no-rep" in (folder / "report.html").read_text()

    run("correct", folder, "--undo", "--who", "Judge Ash", "--quiet")
    assert [rep["status"] for rep in reps_of(folder)] == [rep["status"] for rep in before]
    listed = run("correct", folder, "--list")
    assert "e1" in listed
    assert "\n    round 1, deadlift 3 at 0:" in listed
    assert "[taken back]" in listed
    assert "takes back e1" in listed
    run("correct", folder, "--undo", "e2", "--quiet")  # and that too
    assert reps_of(folder)[2]["status"] == "no_rep"


def test_a_rep_can_be_named_by_its_moment(folder):
    rep = reps_of(folder)[4]
    minutes, seconds = divmod(rep["top_s"], 60)
    moment = f"{int(minutes)}:{seconds:04.1f}"
    run("correct", folder, "remove-rep", moment, "--quiet")
    assert rep["id"] not in [one["id"] for one in reps_of(folder)]


def test_a_moment_names_the_rep_that_goes_on_or_the_nearest_within_half_a_second(folder):
    """A video is stopped while a rep goes on, not at its top: lowering counts as it, too."""
    reps = reps_of(folder)
    rep = next(one for one in reps if (one["movement"], one["number"]) == ("deadlift", 7))
    shown = clock(rep["top_s"])
    late = rep["end_s"] + 0.4  # the bar is on its way to the break
    for given in (rep["start_s"] + 0.05, rep["end_s"] - 0.05, late):
        said = run("correct", folder, "no-rep", clock(given), "--why", "bar bounced")
        first = said.splitlines()[0]
        assert "mark no rep, round 1, deadlift 7 at" in first, said
        assert first.endswith(f"(video {shown})"), said
        run("correct", folder, "--undo", "--quiet")
    said = run("correct", folder, "no-rep", f"{rep['end_s'] + 0.6}", "--why", "x", code=2)
    assert f"there is no rep at {clock(rep['end_s'] + 0.6)}; the nearest is round 1, " in said
    assert "Traceback" not in said
    rest = json.loads((folder / "attempt.json").read_text())["floor_rests"][0]
    said = run("correct", folder, "remove-break", clock(rest["end_s"] - 0.3))
    assert f"(video {clock(rest['start_s'])})" in said.splitlines()[0]


def test_a_rep_that_no_bar_could_do_is_refused(folder):
    rep = reps_of(folder)[2]
    before = (folder / "attempt.json").read_bytes()
    for off in (0.001, 0.3):
        top = f"{rep['top_s'] + off:.3f}"
        said = run("correct", folder, "add-rep", "--movement", "deadlift", "--top", top, code=2)
        assert "cannot come down and go up again in under 0.45 s" in said
        assert rep["id"] in said
        assert said.count("\n") == 1
    assert (folder / "attempt.json").read_bytes() == before
    assert load_record(Edits, folder / "edits.json").edits == []


@pytest.mark.parametrize(
    ("arguments", "action", "values"),
    [
        (["relabel-rep", "{rep}", "--round", "0"], "relabel_rep", {"round": None}),
        (["move-rep", "{rep}", "--top", "{later}"], "move_rep", {"top_s": 0.0}),
        (["clock", "--start", "0:03.5"], "set_clock", {"start_s": 3.5}),
        (["note", "chalk", "--rep", "{rep}"], "note", {"text": "chalk"}),
        (["note", "=cmd() <b>[bold]", "--start", "10"], "note", {"start_s": 10.0}),
        (["remove-break", "{rest}"], "remove_break", {}),
        (["move-break", "{rest}", "--end", "{rest_end}"], "move_break", {"end_s": 0.0}),
    ],
)
def test_each_correction_is_kept_with_its_values(folder, arguments, action, values):
    attempt = json.loads((folder / "attempt.json").read_text())
    rep, rest = attempt["reps"][1], attempt["breaks"][0]
    names = {
        "{rep}": rep["id"],
        "{later}": f"{rep['top_s'] + 0.05:.3f}",
        "{rest}": rest["id"],
        "{rest_end}": f"{rest['end_s'] - 0.2:.3f}",
    }
    run("correct", folder, *[names.get(part, part) for part in arguments], "--quiet")
    edit = load_record(Edits, folder / "edits.json").edits[-1]
    assert edit.action == action
    assert set(values) <= set(edit.values)
    for key, value in values.items():
        assert edit.values[key] == value or value == 0.0


def test_reps_and_breaks_can_be_added(folder):
    attempt = json.loads((folder / "attempt.json").read_text())
    end = attempt["clock"]["end_s"]
    run(
        "correct", folder, "add-rep", "--movement", "push press", "--round", "3",
        "--top", f"{end + 3:.3f}", "--quiet",
    )  # fmt: skip
    assert reps_of(folder)[-1]["touched_by"] == "person"
    pause = attempt["breaks"][0]
    run("correct", folder, "remove-break", pause["id"], "--quiet")
    run(
        "correct", folder, "add-break", "--start", pause["start_s"], "--end", pause["end_s"],
        "--hands-off", "--quiet",
    )  # fmt: skip
    after = json.loads((folder / "attempt.json").read_text())["breaks"][0]
    assert (after["start_s"], after["hands_off"]) == (pause["start_s"], True)
    assert after["touched_by"] == "person"


def test_a_correction_that_does_not_fit_changes_nothing(folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    cases = [
        ["no-rep", "nobody", "--why", "x"],
        ["no-rep", reps_of(folder)[0]["id"]],  # no reason
        ["no-rep", "9:59.0", "--why", "x"],
        ["add-rep", "--movement", "deadlfit", "--top", "10"],
        ["clock"],
        ["--undo"],
        ["--undo", "e7"],
        ["note", "x", "--who", " "],
    ]
    assert "--why is missing" in run("correct", folder, *cases[1], code=2)
    for case in cases:
        said = run("correct", folder, *case, code=2)
        assert said.startswith("repcount: "), case
        assert said.count("\n") == 1, said
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_folder_without_a_reading_is_refused(tmp_path):
    assert "reading.json" in run("correct", tmp_path, "--list", code=2)


def test_a_correction_must_be_named(folder):
    assert "Missing command" in run("correct", folder, code=2)


def test_no_corrections_are_listed_as_none(folder):
    assert run("correct", folder, "--list").startswith("No corrections")
    assert json.loads(run("correct", folder, "--list", "--json"))["edits"] == []


# Moments -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"), [("83.4", 83.4), ("1:23.4", 83.4), ("1:02:03.5", 3723.5), ("0", 0.0)]
)
def test_moments_are_read_as_the_reports_show_them(text, seconds):
    assert MOMENT.convert(text, None, None) == pytest.approx(seconds)


@pytest.mark.parametrize(
    "text", ["", "x", "-1", "1:2:3:4", "nan", "inf", "1:x", "1_0", "1.5:00", "9:99"]
)
def test_what_is_no_moment_is_refused(text, tmp_path):
    said = run("analyze", "v.mp4", "--out", tmp_path, f"--from={text}", code=2)
    assert "is no time" in said


# The program itself ------------------------------------------------------------------------------


def program(*arguments: object, **more: object) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "repcount.cli.main", *map(str, arguments)],
        capture_output=True,
        timeout=600,
        check=False,
        **more,
    )


def test_help_comes_at_once_without_heavy_modules():
    code = (
        "import sys; sys.argv = ['repcount', '--help']\n"
        "import repcount.cli.main as c\n"
        "try: c.main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'xarray', 'cv2', 'mediapipe', 'pydantic', 'rich', 'av', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    begun = resource.getrusage(resource.RUSAGE_CHILDREN)
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.splitlines()[-1] == "[]"
    assert "analyze" in out.stdout
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert ended.ru_utime + ended.ru_stime - begun.ru_utime - begun.ru_stime < 0.5


def test_a_pipe_that_closes_and_an_odd_encoding_do_no_harm(folder):
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = program("compare", folder, "--plan", folder / "plan.toml", env=environment)
    assert done.returncode == 0
    assert b"Traceback" not in done.stderr
    closed = subprocess.run(
        f"{sys.executable} -m repcount.cli.main schema attempt | head -c 10",
        shell=True,
        capture_output=True,
        check=True,
    )
    assert b"Traceback" not in closed.stderr


def test_the_output_of_a_pipe_is_plain(folder):
    done = program("compare", folder, "--plan", folder / "plan.toml")
    assert b"\x1b" not in done.stdout


# The package -------------------------------------------------------------------------------------


def test_the_public_names_are_there():
    for name in repcount.__all__:
        assert getattr(repcount, name) is not None
    assert set(dir(repcount)) >= {"analyze", "track", "measure", "compare_attempt"}
    with pytest.raises(AttributeError):
        _ = repcount.nothing  # type: ignore[attr-defined]


def test_results_can_be_written_and_loaded_again(folder, tmp_path):
    found = results.load_results(folder)
    assert found.comparison is not None
    assert found.attempt.reps == load_record(type(found.attempt), folder / "attempt.json").reps
    with pytest.raises(RepcountError):
        results.write_results(folder / "reading.json", found)
    assert example_attempt() == example_attempt()  # the made-up records are the same every time


# Overlay -----------------------------------------------------------------------------------------


def test_an_overlay_needs_the_video_that_was_read(tracks, tmp_path):
    plan, out = tracks.parent / "plan.toml", tmp_path / "results"
    run("analyze", "--tracks", tracks, "--plan", plan, "--out", out, "--quiet")
    said = run("overlay", out, code=2)
    assert "does not lie beside the results; give it with --video" in said
    other = write_video(tmp_path / "other.mp4", [i / 10 for i in range(20)])
    assert "was not made from" in run("overlay", out, "--video", other, code=2)
    assert "no such file" in run("overlay", out, "--video", tmp_path / "none.mp4", code=2)
    run("overlay", out, "--video", other, "--out", tmp_path / "no" / "x.mp4", code=2)
    assert "is the video itself" in run("overlay", out, "--video", other, "--out", other, code=2)
    assert not (out / "overlay.mp4").exists()


def test_an_overlay_says_where_it_is_and_that_faces_may_be_missed(tmp_path):
    from tests.integration.test_overlay import attempt_of
    from tests.integration.test_overlay import tracks as small_tracks

    video = write_video(tmp_path / "film.mp4", [i / 10 for i in range(12)])
    reading = as_planned().reading()
    reading.video = attempt_of(video).video
    save_record(reading, tmp_path / "reading.json")
    save_record(parse_plan(SLATE), tmp_path / "plan.json")
    save_tracks(small_tracks(), tmp_path / "tracks.nc")
    shown = run("overlay", tmp_path, "--blur-faces", "all")
    assert f"Written to {tmp_path / 'overlay.mp4'}" in shown
    assert "Faces may have been missed" in shown
    assert (tmp_path / "overlay.mp4").stat().st_size > 1000
