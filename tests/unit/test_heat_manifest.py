"""The list of a heat: read, written, and refused with line numbers and near spellings."""

from __future__ import annotations

from pathlib import Path

import pytest

from repcount.errors import ManifestError
from repcount.heat.manifest import COLUMNS, list_folder, load_manifest, manifest_text, natural
from tests.heats import simulated, write_attempt


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for name in ("oren-vale.mp4", "juna.mp4", "lanes.mov"):
        (tmp_path / name).write_bytes(b"film")
    (tmp_path / "slate.toml").write_text("", encoding="utf-8")
    write_attempt(tmp_path / "tova", simulated(1))
    return tmp_path


def listed(place: Path, text: str, name: str = "list.csv") -> str:
    """What is said of a list that cannot be used."""
    path = place / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ManifestError) as caught:
        load_manifest(path)
    return str(caught.value).replace(f"{path}: ", "")


def test_a_csv_list(place: Path) -> None:
    path = place / "list.csv"
    path.write_text(
        "﻿Athlete,video,division,lane,plan,start_offset_s,start_uncertainty_s\r\n"
        '"Vale, Oren",oren-vale.mp4,40 and over,,slate.toml,1:03.5,0.2\r\n'
        "\r\n"
        "Juna,lanes.mov,,1,,,\r\nTova,lanes.mov,,2,,,\r\nRuna,tova,,,,,\r\n",
        encoding="utf-8",
    )
    rows = load_manifest(path)
    assert [row.entry.athlete for row in rows] == ["Vale, Oren", "Juna", "Tova", "Runa"]
    first = rows[0]
    assert (first.entry.start_s, first.entry.start_uncertainty_s) == (63.5, 0.2)
    assert first.plan == place / "slate.toml"
    assert [row.entry.lane for row in rows] == [None, 1, 2, None]
    assert [row.is_read for row in rows] == [False, False, False, True]
    assert rows[3].where == "line 6"


def test_semicolons_as_half_the_worlds_spreadsheets_write_them(place: Path) -> None:
    path = place / "list.csv"
    path.write_text("athlete;video;start_offset_s\nJuna;juna.mp4;3,5\n", encoding="utf-8")
    assert load_manifest(path)[0].entry.start_s == 3.5


def test_a_toml_list(place: Path) -> None:
    path = place / "list.toml"
    path.write_text(
        'plan = "slate.toml"\n[[entry]]\nathlete = "Juna"\nvideo = "juna.mp4"\nstart_offset_s = 3\n'
        '[[entry]]\nathlete = "Oren"\nvideo = "oren-vale.mp4"\ndivision = "open"\n',
        encoding="utf-8",
    )
    rows = load_manifest(path)
    assert [row.entry.division for row in rows] == ["", "open"]
    assert {row.plan for row in rows} == {place / "slate.toml"}
    assert rows[0].entry.start_s == 3.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("athelte,video\nJ,juna.mp4\n", '"athelte" is not a column (did you mean "athlete"?)'),
        ("athlete\nJ\n", 'line 1: "video" is missing'),
        ("athlete,video,video\nJ,juna.mp4,x\n", 'line 1: "video" stands twice'),
        (
            "athlete,video\nJ,junna.mp4\n",
            'line 2: video = "junna.mp4" is not there (did you mean "juna',
        ),
        ("athlete,video\n,juna.mp4\n", "line 2: athlete is missing"),
        ("athlete,video,lane\nJ,juna.mp4,left\n", 'line 2: lane = "left" is no lane; give a whole'),
        ("athlete,video,lane\nJ,juna.mp4,9\n", 'line 2: lane = "9" is no lane'),
        (
            "athlete,video,start_offset_s\nJ,juna.mp4,soon\n",
            'line 2: start_offset_s = "soon" is no time',
        ),
        (
            "athlete,video,start_uncertainty_s\nJ,juna.mp4,1\n",
            "line 2: start_uncertainty_s says nothing without",
        ),
        ("athlete,video\nJ,juna.mp4\nj,oren-vale.mp4\n", 'line 3: "j" stands in line 2 already'),
        ("athlete,video\nJ,juna.mp4\nK,juna.mp4\n", "line 3: the same video and lane as in line 2"),
        (
            "athlete,video,lane\nJ,juna.mp4,1\nK,juna.mp4,\n",
            "line 3: the same video and lane as in line 2",
        ),
        ("athlete,video\nJ,juna.mp4,x\n", "line 2: has 3 cells, the header 2"),
        ('athlete,video\n"J,juna.mp4\n', "is not valid CSV"),
        ("athlete,video\n", "lists nobody"),
        ("", "lists nobody"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(place: Path, text: str, said: str) -> None:
    assert said in listed(place, text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '[[entry]]\nathlete = "J"\nvideo = "tova"\nlanes = 1\n',
            'line 4: "lanes" is not a key of an',
        ),
        ('[[entries]]\nathlete = "J"\n', '"entries" is not a key here (did you mean "entry"?)'),
        (
            '[[entry]]\nathlete = "J"\nvideo = "tova"\n\n[[entry]]\nathlete = 3\n',
            "line 5: athlete = 3 is no",
        ),
        ('[[entry]]\nathlete = "J"\nvideo = "juna.mp4"\nlane = true\n', "lane = true is no lane"),
        ("[[entry]\n", "line 1, column 8: is not valid TOML"),
        ("entry = 3\n", "give [[entry]] tables"),
    ],
)
def test_what_is_wrong_in_toml_is_said_with_its_line(place: Path, text: str, said: str) -> None:
    assert said in listed(place, text, "list.toml")


def test_every_wrong_line_is_reported_at_once(place: Path) -> None:
    said = listed(place, "athlete,video,lane\nJ,no.mp4,x\nK,juna.mp4,0\n").splitlines()
    assert [line.split(":")[0] for line in said] == ["line 2", "line 2", "line 3"]


def test_a_folder_is_listed_in_natural_order_and_its_list_reads_back(place: Path) -> None:
    rows = list_folder(place)
    assert [row.entry.athlete for row in rows] == ["juna", "lanes", "oren vale", "tova"]
    path = place / "made.csv"
    path.write_text(manifest_text(rows, place), encoding="utf-8", newline="")
    assert path.read_text(encoding="utf-8").splitlines()[0] == ",".join(COLUMNS)
    again = load_manifest(path)
    assert [(r.entry, r.source.name) for r in again] == [(r.entry, r.source.name) for r in rows]
    assert sorted(["a10", "a9", "A1"], key=natural) == ["A1", "a9", "a10"]


def test_folders_that_cannot_be_meant(place: Path, tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="results folder of one attempt"):
        list_folder(place / "tova")
    (tmp_path / "empty").mkdir()
    with pytest.raises(ManifestError, match="holds no video"):
        list_folder(tmp_path / "empty")
    with pytest.raises(ManifestError, match="cannot be read"):
        list_folder(tmp_path / "nowhere")
