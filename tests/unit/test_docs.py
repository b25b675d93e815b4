"""The documents are a contract: what they list is what there is, and nothing is left out."""

from __future__ import annotations

import inspect
import json
import re

import click
import jsonschema
import pytest

import repcount
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.cli.main import cli
from repcount.heat.tables import DICTIONARY
from repcount.reports.columns import Column
from repcount.reports.tables import TABLES
from repcount.schemas import NAMES, published, schema_of
from tests.conftest import REPOSITORY

README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands(group: click.Group, path: str = "") -> list[tuple[str, click.Command]]:
    found: list[tuple[str, click.Command]] = []
    for name, command in group.commands.items():
        found.append((f"{path}{name}", command))
        if isinstance(command, click.Group):
            found += commands(command, f"{path}{name} ")
    return found


@pytest.mark.parametrize("name", [name for name, _ in commands(cli)])
def test_every_command_is_in_the_readme(name: str) -> None:
    assert f"`{name.split()[-1]}`" in README or f"repcount {name}" in README


@pytest.mark.parametrize(
    ("name", "option"),
    [
        (name, option)
        for name, command in commands(cli)
        if " " not in name
        for parameter in command.params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
        if option not in ("--help", "-h")
    ],
)
def test_every_option_is_in_the_readme(name: str, option: str) -> None:
    assert option in README, f"{option} of {name}"


def table(name: str, columns: tuple[Column, ...]) -> str:
    rows = [f"| {c.name} | {c.unit} | {c.meaning} |".replace("  ", " ") for c in columns]
    return "\n".join(
        [
            f"`{name}.csv` and `{name}.parquet`",
            "",
            "| column | unit | meaning |",
            "|---|---|---|",
            *rows,
        ]
    )


def test_the_column_dictionary_is_the_one_in_the_code() -> None:
    between = README.split("<!-- columns:begin", 1)[1].split("-->", 1)[1].split("<!--", 1)[0]
    expected = "\n\n".join(table(name, columns) for name, columns in TABLES.items())
    assert between.strip().replace("| |", "||") == expected.replace("| |", "||")


def test_the_heats_column_dictionary_is_the_one_in_the_code() -> None:
    between = README.split("<!-- heat-columns:begin", 1)[1].split("-->", 1)[1].split("<!--", 1)[0]
    titles = {"heat.csv": "`heat.csv` and `heat.parquet`"}
    parts = []
    for name, columns in DICTIONARY.items():
        rows = [f"| {c.name} | {c.unit} | {c.meaning} |".replace("  ", " ") for c in columns]
        head = [titles.get(name, f"`{name}`"), "", "| column | unit | meaning |", "|---|---|---|"]
        parts.append("\n".join([*head, *rows]))
    assert between.strip() == "\n\n".join(parts)


def test_every_public_function_is_documented() -> None:
    for name in repcount.__all__:
        if name.startswith("__"):
            continue
        item = getattr(repcount, name)
        assert inspect.getdoc(item), name
        assert f"`{name}`" in DEVELOPERS, name


def test_the_readme_lists_the_catalogue() -> None:
    text = " ".join(README.split("Movements:", 1)[1].split("\n\n", 1)[0].split()).rstrip(".")
    listed = {re.sub(r" \(.*\)", "", name) for name in text.split(", ")}
    assert listed == set(MOVEMENT_NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_published_schemas_are_the_models_own(name: str) -> None:
    text = published(name).read_text(encoding="utf-8")
    assert text == schema_of(name), "run: python -m repcount.schemas"
    # the meta-schema of JSON Schema 2020-12 judges them
    jsonschema.Draft202012Validator.check_schema(json.loads(text))


def test_the_first_paragraph_states_the_job_and_a_picture_follows() -> None:
    parts = [part for part in README.split("\n\n") if part.strip()]
    assert parts[0].startswith("# repcount")
    assert "one phone video" in " ".join(parts[1].split())
    picture = re.match(r"!\[.+\]\((.+)\)", parts[2])
    assert picture is not None
    assert (REPOSITORY / picture[1]).is_file()


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
