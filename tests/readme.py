"""The commands of the README and of the pages it leads to, from their text: what tests run."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from itertools import groupby
from pathlib import Path

from tests.conftest import REPOSITORY

# In the order in which a reader meets them.
PAGES = (
    "README.md",
    *(f"repcount/{room}/README.md" for room in ("plan", "pipeline", "heat", "web")),
)
# What installs the project, runs this suite or wants other machines; all else in a block of
# commands is run.
NOT_RUN = {"apt-get", "python3", "pip", "pytest", "dask"}


def commands() -> list[list[str]]:
    """The arguments of every `repcount` in the pages' blocks of commands, in order, each once."""
    text = "\n".join((REPOSITORY / page).read_text(encoding="utf-8") for page in PAGES)
    found: list[list[str]] = []
    for block in re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL):
        for line in block.splitlines():
            words = shlex.split(line, comments=True)
            for joins, part in groupby(words, key=lambda word: word == "&&"):
                one = list(part)
                program = Path(one[0]).name
                assert joins or program == "repcount" or program in NOT_RUN, line
                if program == "repcount" and one[1:] not in found and "--scheduler" not in one:
                    found.append(one[1:])
    return found


def run(words: list[str], folder: Path, **more: object) -> subprocess.CompletedProcess[str]:
    """Run `repcount` with these arguments in a folder."""
    return subprocess.run(
        [sys.executable, "-m", "repcount.cli.main", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        **more,  # type: ignore[call-overload]
    )
