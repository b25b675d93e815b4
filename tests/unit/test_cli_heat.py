"""`repcount heat` from the command line, on results folders: what it prints, writes and refuses."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from repcount.cli.main import cli
from repcount.heat.collect import FILES
from tests.heats import simulated, write_attempt
from tests.scripted_reading import SLATE


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for number in (1, 2, 10):
        write_attempt(tmp_path / "in" / f"athlete-{number}", simulated(number))
    return tmp_path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["heat", *map(str, arguments)])


def test_a_folder_of_results(place: Path) -> None:
    result = run(place / "in", "--out", place / "out", "--name", "Slate, morning")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in (place / "out").iterdir()) == sorted(FILES)
    rows = list(csv.DictReader((place / "out" / "heat.csv").open(encoding="utf-8", newline="")))
    for row, line in zip(rows, result.stdout.splitlines(), strict=False):
        assert line.split()[0] == row["place"]
        assert row["athlete"] in line
        assert row["result"] in line
    assert "Slate, morning" in (place / "out" / "heat.html").read_text(encoding="utf-8")


def test_one_video_has_one_place(place: Path) -> None:
    """The same video read into two folders, once more under another athlete's name."""
    shutil.copytree(place / "in" / "athlete-1", place / "in" / "athlete-1-again")
    result = run(place / "in", "--out", place / "out", "--json")
    assert result.exit_code == 0, result.output
    rows = {one["athlete"]: one for one in json.loads(result.stdout)["attempts"]}
    again = rows["athlete-1-again"]
    assert again["place"] is None
    assert again["reason"].startswith("the same video as that of athlete-1, which counts")
    assert sorted(one["place"] for one in rows.values() if one["place"]) == [1, 2, 3]
    assert "same video as that of athlete-1" in (place / "out" / "heat.html").read_text("utf-8")
    hidden = run(place / "in", "--out", place / "hidden", "--without-names", "--json")
    for file in (place / "hidden").iterdir():
        assert b"athlete-1" not in file.read_bytes(), file.name
    rows = {one["athlete"]: one for one in json.loads(hidden.stdout)["attempts"]}
    other = next(one for one in rows.values() if one["same_video_as"])
    assert rows[other["same_video_as"]]["total_s"] == other["total_s"]
    assert f"that of {other['same_video_as']}, which" in other["reason"]


def test_a_damaged_folder_is_a_row_and_an_exit_code(place: Path) -> None:
    write_attempt(place / "in" / "broken", simulated(3))
    (place / "in" / "broken" / "attempt.json").write_text("{", encoding="utf-8")
    result = run(place / "in", "--out", place / "out")
    assert result.exit_code == 1
    assert "not a usable attempt file" in result.stdout
    assert "Written to" in result.stdout


def test_a_list_is_written_filled_in_and_read(place: Path) -> None:
    made = place / "in" / "list.csv"
    result = run(place / "in", "--write-manifest", made)
    assert result.exit_code == 0
    assert "3 listed in" in result.stdout
    lines = made.read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[0] for line in lines] == [
        "athlete", "athlete-1", "athlete-2", "athlete-10",
    ]  # fmt: skip
    again = run(place / "in", "--write-manifest", made)
    assert again.exit_code == 2
    assert "is there already and may have been edited" in again.stderr
    made.write_text("athlete,video,division\nOren Vale,athlete-1,open\n", encoding="utf-8")
    result = run(made, "--out", place / "out", "--json")
    heat = json.loads(result.stdout)
    assert [one["athlete"] for one in heat["attempts"]] == ["Oren Vale"]
    assert heat["divisions"] == ["open"]
    assert heat["name"] == "list"


def test_without_names_nothing_printed_or_written_has_one(place: Path) -> None:
    result = run(place / "in", "--out", place / "out", "--without-names", "--name", "Slate")
    assert result.exit_code == 0
    assert "athlete-" not in result.stdout
    for name in FILES:
        assert b"athlete-" not in (place / "out" / name).read_bytes()


def test_a_plan_of_another_workout_leaves_the_row_and_says_so(place: Path) -> None:
    other = place / "gravel.toml"
    other.write_text(SLATE.replace("rounds = 3", "rounds = 2").replace(", 50]", "]"), "utf-8")
    result = run(place / "in", "--out", place / "out", "--plan", other)
    assert result.exit_code == 0, result.output
    assert result.stdout.count("doubtful: not compared with its plan") == 3


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere", "--out", "x"], "cannot be read"),
        (["in"], "Give a folder for the heat's files with --out."),
        (["in", "--out", "x", "--lanes", "many"], "is no number from 1 to 8, nor auto"),
        (["in", "--out", "x", "--lanes", "9"], "is no number from 1 to 8, nor auto"),
        (["nowhere.csv", "--out", "x"], "cannot be read"),
        (["in", "--out", "in/athlete-1/attempt.json"], "the heat cannot be written"),
    ],
)
def test_what_cannot_be_done_is_said(
    place: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(place)
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.stderr
    assert not (place / "x").exists()


def test_quiet_prints_nothing(place: Path) -> None:
    result = run(place / "in", "--out", place / "out", "--quiet")
    assert result.output == ""
