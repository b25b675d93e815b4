"""`python -m tests.lock`: write the locks of `repcount/locks` anew. `--check` looks whether they
have all that `pyproject.toml` asks for, in versions that it allows, and writes nothing."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

from packaging.markers import default_environment
from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
LOCKS = ROOT / "repcount" / "locks"
TARGET = ("--python-version", "3.11", "--python-platform", "x86_64-manylinux_2_28")
# The locks and what they are made from.
MADE: dict[str, tuple[str, ...]] = {"run.txt": (), "all.txt": ("--all-extras",)}


def build_needs() -> list[str]:
    """What builds the package."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return list(data["build-system"]["requires"])


def write() -> None:
    """Write all locks."""
    for name, more in MADE.items():
        subprocess.run(
            ["uv", "pip", "compile", "pyproject.toml", "-", *more, *TARGET, "--generate-hashes",
             "--no-annotate",
             "--custom-compile-command", "python -m tests.lock", "--quiet",
             "--output-file", str(LOCKS / name), "--upgrade"],
            cwd=ROOT, check=True, text=True,
            input="\n".join(build_needs()),
        )  # fmt: skip


def locked(name: str) -> dict[str, str]:
    """Package to version. Raises ValueError for a package without a hash."""
    found: dict[str, str] = {}
    text = (LOCKS / name).read_text(encoding="utf-8")
    for part in re.split(r"\n(?=\S)", text):
        if match := re.match(r"([a-z0-9-]+)(?:\[[^]]*\])?==(\S+)", part):
            if not re.search(r"--hash=sha256:[0-9a-f]{64}", part):
                raise ValueError(f"{name}: {match[1]} has no hash")
            found[match[1]] = match[2]
    return found


def missing(name: str, wanted: list[str]) -> list[str]:
    """Requirements that a lock does not fulfil."""
    have = locked(name)
    unmet = []
    for requirement in map(Requirement, wanted):
        if requirement.name == "repcount":
            continue
        if requirement.marker and not requirement.marker.evaluate(default_environment()):
            continue
        version = have.get(re.sub(r"[-_.]+", "-", requirement.name).lower())
        if version is None or not requirement.specifier.contains(version, prereleases=True):
            unmet.append(f"{name}: {requirement} (locked: {version})")
    return unmet


def check() -> list[str]:
    """What the locks lack of `pyproject.toml`."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    base, extras = project["dependencies"], project["optional-dependencies"]
    every = [*base, *(one for group in extras.values() for one in group)]
    return [
        *missing("run.txt", [*base, *build_needs()]),
        *missing("all.txt", [*every, *build_needs()]),
    ]


if __name__ == "__main__":
    if "--check" in sys.argv[1:]:
        print("\n".join(check()) or "The locks have all that is asked for.")
        sys.exit(bool(check()))
    write()
