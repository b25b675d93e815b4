"""A coach's evening in two commands: a heat from one list, then a message for each athlete."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from repcount.attempt.records import save_record
from repcount.plan import load_plan
from tests.conftest import REPOSITORY
from tests.heats import write_attempt
from tests.integration.test_cli import run
from tests.simulated_athletes import Athlete

PLAN_FILE = REPOSITORY / "sample_clips" / "slate.toml"
PLAN = load_plan(PLAN_FILE)
NAMES = ("Oren Vale", "Juna Mirek", "Tova Quist")
DAYS = ("2026-11-14", "2026-11-28T18:30:00Z")
FILES = {"class.html", "season.html", "messages.txt", "class.json", "cards.html"}
OWN = {"plan.toml", "card.html", "next.html", "next.json", "message.txt"}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three athletes with an earlier and a last attempt each, and the list of them."""
    home = tmp_path_factory.mktemp("evening")
    text = ""
    for seed, name in enumerate(NAMES):
        athlete, stem = Athlete(np.random.default_rng(seed)), name.split()[0].lower()
        for day in DAYS:
            made = athlete.attempt(PLAN)
            video = made.attempt.video.model_copy(
                update={"recorded_at": day, "sha256": f"{seed}{day}", "file_name": f"{stem}.mp4"}
            )
            folder = home / day[:10] / stem
            attempt = made.attempt.model_copy(update={"video": video})
            write_attempt(folder, replace(made, attempt=attempt))
            save_record(PLAN, folder / "plan.json")
        text += f'[[athlete]]\nname = "{name}"\nload = "60 kg"\nvideo = "2026-11-28/{stem}"\n'
        text += f'earlier = ["2026-11-14/{stem}"]\n'
    (home / "class.toml").write_text(text, encoding="utf-8")
    return home


@pytest.fixture(scope="module")
def evening(place: Path) -> Path:
    """What the two commands write."""
    run("heat", place / "class.toml", "--plan", PLAN_FILE, "--out", place / "heat", "--quiet")
    shown = run("class", place / "class.toml", place / "heat", "--out", place / "class")
    assert all(len(line) <= 80 for line in shown.splitlines()[:-1])
    return place / "class"


@pytest.fixture(scope="module")
def told(place: Path) -> str:
    """What the command says of the list without a heat, as JSON."""
    return run("class", place / "class.toml", "--json")


def test_a_sheet_and_a_message_for_each(evening):
    assert {path.name for path in evening.iterdir() if path.is_file()} == FILES
    folders = [path for path in evening.iterdir() if path.is_dir()]
    assert {path.name for path in folders} == {"oren-vale", "juna-mirek", "tova-quist"}
    messages = (evening / "messages.txt").read_text(encoding="utf-8")
    page = (evening / "class.html").read_text(encoding="utf-8")
    for folder in folders:
        assert {path.name for path in folder.iterdir()} == OWN
        message = (folder / "message.txt").read_text(encoding="utf-8")
        assert message in messages
        assert message.strip() in page
        assert load_plan(folder / "plan.toml").athlete in NAMES


@pytest.mark.parametrize("name", NAMES)
def test_what_an_athlete_is_told_is_what_next_says(place, evening, name):
    stem = name.split()[0].lower()
    folders = [place / day[:10] / stem for day in DAYS]
    said = json.loads(run("next", *folders, "--json"))
    made = json.loads((evening / "class.json").read_text(encoding="utf-8"))
    (row,) = (one for one in made["athletes"] if one["athlete"] == name)
    first = said["suggestions"][0] if said["suggestions"] else None
    assert row["gain"] == (first and first["gain"])
    assert row["cue"] == (first["change"] if first else "Do the same again.")
    assert (row["total_s"], row["planned_s"]) == (said["total_s"], said["planned_s"])
    assert row["load_kg"] == said["plan"]["workout"]["load_kg"]
    rounds = [one["round_s"] for one in said["plan"]["rounds"]]
    total = said["plan"]["start_s"] + sum(rounds) + sum(said["plan"]["between_rounds_s"])
    assert row["next_total_s"] == pytest.approx(total, abs=1e-6)
    own = json.loads((evening / f"{name.lower().replace(' ', '-')}/next.json").read_text())
    assert own["plan"]["rounds"] == said["plan"]["rounds"]


def test_one_list_from_the_plan_to_the_message(place):
    """The list names the plans that are made from it, each at the athlete's own load."""
    file = place / "evening.toml"
    file.write_text(
        "".join(
            f'[[athlete]]\nname = "{name}"\nload = "{55 - 5 * place_} kg"\ntarget = "2:50"\n'
            f'plan = "plans/{name.lower().replace(" ", "-")}.toml"\n'
            f'video = "2026-11-28/{name.split()[0].lower()}"\n'
            for place_, name in enumerate(NAMES)
        ),
        encoding="utf-8",
    )
    run("plan", PLAN_FILE, "--athletes", file, "--out", place / "plans", "--quiet")
    heat = json.loads(run("heat", file, "--out", place / "planned", "--json"))
    made = json.loads(run("class", file, place / "planned", "--json"))
    assert {one["planned_s"] for one in heat["attempts"]} == {170.0}
    assert {one["planned_s"] for one in made["athletes"]} == {170.0}
    assert all("the plan of 2:50.0" in one["message"] for one in made["athletes"])


def test_a_class_fits_its_schema(told):
    jsonschema.validate(json.loads(told), json.loads(run("schema", "class")))


def test_a_video_that_was_not_read_leaves_the_others_their_messages(place, tmp_path):
    (tmp_path / "silas.mp4").write_bytes(b"film")
    text = (place / "class.toml").read_text(encoding="utf-8")
    for day in DAYS:
        text = text.replace(f'"{day[:10]}/', f'"{place / day[:10]}/')
    text += '[[athlete]]\nname = "Silas Harrow"\nvideo = "silas.mp4"\n'
    (tmp_path / "list.toml").write_text(text, encoding="utf-8")
    run("class", tmp_path / "list.toml", "--out", tmp_path / "out", "--quiet", code=1)
    made = json.loads((tmp_path / "out" / "class.json").read_text(encoding="utf-8"))
    assert [bool(one["message"]) for one in made["athletes"]] == [True, True, True, False]
    assert "silas.mp4 has not been read" in made["athletes"][3]["reason"]
    # who has no video that evening is absent, which is no fault
    text = text.replace('video = "silas.mp4"\n', "")
    (tmp_path / "list.toml").write_text(text, encoding="utf-8")
    run("class", tmp_path / "list.toml", "--quiet")


def test_what_cannot_be_a_class_is_one_sentence(tmp_path):
    (tmp_path / "list.toml").write_text('[[athlete]]\nname = "J"\n', encoding="utf-8")
    for asked, said in (
        ((tmp_path / "none",), "is not there"),
        ((tmp_path / "list.toml",), "no attempt that has been read"),
        ((), "Give a list"),
    ):
        assert said in run("class", *asked, code=2)


def test_the_librarys_attempts_are_taken_by_athlete(place, told, tmp_path):
    from repcount.library.store import Library

    library = Library(tmp_path / "library")
    for name in NAMES[:2]:
        for day in DAYS:
            library.add_attempt(
                REPOSITORY / "sample_clips" / "slate.mp4",
                "slate.mp4",
                athlete_id=library.athlete_named(name),
                results=place / day[:10] / name.split()[0].lower(),
            )
    library.close()
    from_library = json.loads(run("class", "--data", tmp_path / "library", "--json"))
    from_folders = json.loads(told)
    assert [one["athlete"] for one in from_library["athletes"]] == sorted(NAMES[:2])
    for one in from_library["athletes"]:
        (other,) = (two for two in from_folders["athletes"] if two["athlete"] == one["athlete"])
        assert one["message"] == other["message"]
        assert [two["recorded_at"] for two in one["season"]["attempts"]] == [*DAYS]
    # with a list: its athletes, whose attempts in both are counted once
    both = json.loads(run("class", place / "class.toml", "--data", tmp_path / "library", "--json"))
    assert [one["athlete"] for one in both["athletes"]] == [*NAMES]
    assert [one["message"] for one in both["athletes"]] == [
        one["message"] for one in from_folders["athletes"]
    ]
