"""The documents are a contract: what they list is what there is, and nothing is left out."""

from __future__ import annotations

import inspect
import json
import re
from collections.abc import Callable
from pathlib import Path

import click
import jsonschema
import pytest

import repcount
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.cli.main import cli
from repcount.cli.reference import (
    COLUMNS_PAGE,
    COMMANDS_PAGE,
    columns_page,
    commands,
    commands_page,
)
from repcount.schemas import NAMES, published, schema_of
from tests.conftest import REPOSITORY

README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("page", "made"), [(COMMANDS_PAGE, commands_page), (COLUMNS_PAGE, columns_page)]
)
def test_the_reference_pages_are_what_the_code_makes(page: Path, made: Callable[[], str]) -> None:
    assert page.read_text(encoding="utf-8") == made(), "run: python -m repcount.cli.reference"


def test_the_reference_names_every_option_beside_its_command() -> None:
    for name, command in commands(cli):
        section = commands_page().split(f"## `{name}`\n", 1)[1].split("\n## ", 1)[0]
        for parameter in command.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert parameter.opts[0] in section, f"{parameter.opts[0]} of {name}"


def test_the_readme_stays_short_and_its_links_lead_somewhere() -> None:
    assert len(README.splitlines()) <= 150
    pages = [REPOSITORY / "README.md", *(REPOSITORY / "repcount").rglob("*.md")]
    for page in pages:
        for target in re.findall(r"\]\((?!https?:)([^)#]+)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page}: {target}"


def test_every_public_function_is_documented() -> None:
    for name in repcount.__all__:
        if name.startswith("__"):
            continue
        item = getattr(repcount, name)
        assert inspect.getdoc(item), name
        assert f"`{name}`" in DEVELOPERS, name


def test_the_readme_lists_the_catalogue() -> None:
    text = " ".join(README.split("Movements:", 1)[1].split("\n\n", 1)[0].split()).rstrip(".")
    listed = set(re.sub(r" \([^)]*\)", "", text).split(", "))
    assert listed == set(MOVEMENT_NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_published_schemas_are_the_models_own(name: str) -> None:
    text = published(name).read_text(encoding="utf-8")
    assert text == schema_of(name), "run: python -m repcount.schemas"
    # the meta-schema of JSON Schema 2020-12 judges them
    jsonschema.Draft202012Validator.check_schema(json.loads(text))


def test_the_first_paragraph_states_the_job_and_an_image_follows() -> None:
    parts = [part for part in README.split("\n\n") if part.strip()]
    assert parts[0].startswith("# repcount")
    assert "one phone video" in " ".join(parts[1].split())
    frame = re.match(r"!\[.+\]\((.+)\)", parts[2])
    assert frame is not None
    assert (REPOSITORY / frame[1]).is_file()


def test_only_what_belongs_lies_at_the_top() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml"} | {
        "repcount",
        "models",
        "tests",
        "sample_clips",
    }
    made = {"out", "build", "dist"}
    found = {item.name for item in REPOSITORY.iterdir() if not item.name.startswith(".")}
    assert found - made - {n for n in found if n.endswith(".egg-info")} <= allowed


def test_locks_have_what_the_project_asks_for():
    from tests import lock

    assert lock.check() == []
    assert len(lock.locked("all.txt")) > len(lock.locked("run.txt")) > 40


def test_what_a_bundle_holds_is_named_with_its_licence():
    static = REPOSITORY / "repcount" / "web" / "static"
    bundle = (static / "tus.min.js").read_text(encoding="utf-8")
    maps = re.findall(r"\},\{([^{}]*)\}\]", bundle)  # of browserify: what a module asks for
    named = {name for one in maps for name in re.findall(r'([\w.-][\w./-]*)"?:\d+', one)}
    others = {name for name in named if not name.startswith(".")}
    assert len(others) == 7
    licence = (static / "LICENSE-tus-js-client.txt").read_text(encoding="utf-8")
    notices = (REPOSITORY / "repcount" / "THIRD-PARTY.md").read_text(encoding="utf-8")
    for name in others:
        assert f"\n{name} (" in licence
        assert name in notices
