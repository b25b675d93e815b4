"""The README's own commands, from its text: what tests of them run."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from itertools import groupby
from pathlib import Path

from tests.conftest import REPOSITORY

# What installs the project and runs this suite; everything else in a block of commands is run.
INSTALLS = {"apt-get", "python3", "pip", "pytest"}


def commands() -> list[list[str]]:
    """The arguments of every `repcount` in the README's blocks of commands, in order."""
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    found = []
    for block in re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL):
        for line in block.splitlines():
            words = shlex.split(line, comments=True)
            for joins, part in groupby(words, key=lambda word: word == "&&"):
                one = list(part)
                program = Path(one[0]).name
                assert joins or program == "repcount" or program in INSTALLS, line
                if program == "repcount":
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
