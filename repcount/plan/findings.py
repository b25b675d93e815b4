"""What is wrong with a plan file, in one sentence each."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic import ValidationError

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.errors import RepcountError
from repcount.plan.file import TABLES, PlanFile, Table
from repcount.wording import hint, listed, shown

# Dots in one key. A plan needs two; the reader of the standard library takes memory with the square
# of their number (40 KB of them: 1.6 GB).
MOST_DOTS = 8
_KEY = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+"""
_DEEP_KEY = re.compile(rf"""(?<![\w.\-"' \t]){_KEY}(?:\.[ \t]*+{_KEY}){{{MOST_DOTS},}}[=\]]""")


def toml_data(text: str, name: str, kind: type[RepcountError]) -> dict[str, Any]:
    """What a TOML text holds; `name` stands for the file.

    Raises `kind` with a sentence where it is none, or nested deeper than anything read here.
    """
    try:
        if _DEEP_KEY.search(re.sub(r"^[ \t]+", "", text, flags=re.MULTILINE)):
            raise RecursionError
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise kind(toml_sentence(error, text, name)) from error
    except RecursionError as error:
        raise kind(f"{name}: is nested too deeply; write it flat.") from error
    except ValueError as error:  # an integer of thousands of digits
        raise kind(f"{name}: holds a number that is too long; write it shorter.") from error


def toml_sentence(error: tomllib.TOMLDecodeError, text: str, name: str) -> str:
    """Where a file stops being TOML, by line and column counted from 1, and why."""
    message = str(error)
    at = re.fullmatch(r"(?P<what>.*) \(at line (?P<line>\d+), column (?P<column>\d+)\)", message)
    if at:
        what, line, column = at["what"], int(at["line"]), int(at["column"])
    else:  # "(at end of document)"
        what = message.split(" (at ")[0]
        line, column = text.count("\n") + 1, len(text.rpartition("\n")[2]) + 1
    what = "".join(one if one.isprintable() else "?" for one in what)
    return (
        f"{name}: line {line}, column {column}: is not valid TOML ({what[:1].lower()}{what[1:]}); "
        "mend the line."
    )


def finding_sentence(error: ValidationError, data: dict[str, Any]) -> str:
    """The most telling of pydantic's findings as a sentence, without the file's name."""
    found = error.errors(include_url=False)
    # a misspelt key leaves the right one missing: say the misspelling
    first = min(found, key=lambda one: one["type"] != "extra_forbidden")
    tables = tuple(part for part in first["loc"][:-1] if isinstance(part, str))
    if first["type"] == "extra_forbidden":
        allowed = list(TABLES[tables].model_fields)
        where = f"in [{'.'.join(tables)}]" if tables else "at the top"
        word = str(first["loc"][-1])
        return (
            f"{dotted(first['loc'])} is not a key of a plan{hint(word, allowed)}; allowed "
            f"{where} are {listed(allowed)}."
        )
    where_to, description = _described(first["loc"])
    key = dotted(where_to)
    if first["type"] == "missing":
        return f"{key} is missing; give {description}."
    value = _look_up(data, where_to)
    if first["type"] == "unknown_movement":
        if first["loc"][-1] == "[key]":  # pydantic's word for the key of a table
            word = str(first["loc"][-2])
            said = f"{key}.{key_text(word)}"
        else:
            word, said = str(value), f"{key} = {shown(value)}"
        return (
            f"{said} is not a movement known here{hint(word, MOVEMENT_NAMES)}; allowed are "
            f"{listed([shown(name) for name in MOVEMENT_NAMES])}."
        )
    return f"{key} = {shown(value)} does not fit; allowed: {description}."


def _described(loc: Sequence[str | int]) -> tuple[tuple[str | int, ...], str]:
    """The part of a finding's place that the file knows, and what is allowed there.

    pydantic's places go on inside a value (the branch of a union, an item, a key): the sentence
    speaks of the whole value there.
    """
    model: type[Table] = PlanFile
    path: list[str | int] = []
    tables: tuple[str, ...] = ()
    description = "a table"
    for part in loc:
        if isinstance(part, int):
            if tables not in TABLES:
                break
            path.append(part)
            description = "a table"
            continue
        if part not in model.model_fields:
            break
        path.append(part)
        description = model.model_fields[part].description or description
        tables = (*tables, part)
        if tables not in TABLES:
            break
        model = TABLES[tables]
    return tuple(path), description


def _look_up(data: Any, path: Iterable[str | int]) -> Any:
    for part in path:
        data = data[part]
    return data


def dotted(loc: Iterable[str | int]) -> str:
    """A place in the file, tables of a list counted from 1: `workout.movements[2].reps`."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{key_text(part)}"
    return text.removeprefix(".")


def key_text(word: str) -> str:
    """A key as TOML would have it: bare where it may be, else quoted."""
    return word if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", word) else shown(word)
