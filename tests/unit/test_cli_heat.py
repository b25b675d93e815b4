"""`repcount heat` from the command line, on results folders: what it prints, writes and refuses."""

from __future__ import annotations

import csv
import json
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
