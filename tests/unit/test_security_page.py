"""The page on what protects the site names tests that there are."""

from __future__ import annotations

import re

import pytest

from tests.conftest import REPOSITORY

PAGE = (REPOSITORY / "repcount" / "web" / "SECURITY.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", PAGE)))


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_a_named_test_is_there(file: str, name: str) -> None:
    assert f"def {name}(" in (REPOSITORY / file).read_text(encoding="utf-8")


def test_every_requirement_has_a_place() -> None:
    rows = [line for line in PAGE.splitlines() if re.match(r"\| \d+\.\d+\.\d+", line)]
    tested = [line for line in rows if line.count("|") == 4]
    assert len(NAMED) > 40
    assert len(tested) > 35
    for line in tested:
        assert re.search(r"tests/|python -m|\.ci/run", line), line


@pytest.mark.parametrize("command", sorted(set(re.findall(r"`python -m ([\w.]+)`", PAGE))))
def test_a_named_command_is_there(command: str) -> None:
    path = REPOSITORY / command.replace(".", "/")
    assert (path / "__main__.py").is_file() or path.with_suffix(".py").is_file()
