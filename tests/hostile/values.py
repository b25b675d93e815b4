"""Values nobody expects, and damage to bytes, texts, JSON and HDF5: the same for the same dice."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

Place = tuple[Any, Any]  # a container and the key of what lies in it

VALUES: tuple[Callable[[random.Random], Any], ...] = (
    lambda _: None,
    lambda _: True,
    lambda _: -1,
    lambda _: 0,
    lambda _: 1e308,
    lambda _: -1e308,
    lambda _: 1e12,
    lambda _: 1e-300,
    lambda _: 2**63,
    lambda _: float("nan"),
    lambda _: float("inf"),
    lambda _: "",
    lambda _: "x" * 100_000,
    lambda _: "\u202e\x00\ud83d",
    lambda _: [],
    lambda _: {},
    lambda _: [[[[]]]],
    lambda _: "../../etc/hosts",
    lambda dice: dice.random() * 10 ** dice.randint(-3, 9),
    lambda dice: dice.randint(-(10**9), 10**9),
)


def places(value: Any) -> list[Place]:
    """Every place in nested lists and tables."""
    found: list[Place] = []
    if isinstance(value, dict):
        for key in value:
            found += [(value, key), *places(value[key])]
    elif isinstance(value, list):
        for index in range(len(value)):
            found += [(value, index), *places(value[index])]
    return found


def damaged_json(text: str, dice: random.Random) -> bytes:
    """A JSON text with one to four things changed, taken out or doubled, or cut, or nested."""
    how = dice.random()
    if how < 0.1:
        return damaged_bytes(text.encode(), dice)
    if how < 0.13:
        return ('{"a":' * 5000 + "1" + "}" * 5000).encode()
    if how < 0.16:
        return text.replace(":", ":" + "9" * 10_000 + ",", 1).encode()
    data = json.loads(text)
    for _ in range(dice.randint(1, 4)):
        all_places = places(data)
        if not all_places:
            break
        home, key = dice.choice(all_places)
        act = dice.random()
        if act < 0.7:
            home[key] = dice.choice(VALUES)(dice)
        elif act < 0.85:
            del home[key]
        elif isinstance(home, list):
            home.extend([home[key]] * dice.choice((1, 3, 1000)))
        else:
            home[f"{key}_"] = home[key]
    return json.dumps(data).encode("utf-8", "surrogatepass")


def damaged_bytes(data: bytes, dice: random.Random) -> bytes:
    """Bytes changed, cut off, or put in."""
    out = bytearray(data)
    if not out:
        return bytes(out)
    how = dice.randrange(3)
    if how == 0:
        for _ in range(dice.randint(1, 20)):
            out[dice.randrange(len(out))] = dice.randrange(256)
    elif how == 1:
        del out[dice.randrange(len(out)) :]
    else:
        at = dice.randrange(len(out))
        out[at:at] = bytes(dice.randrange(256) for _ in range(dice.randint(1, 50)))
    return bytes(out)


def damaged_lines(text: str, dice: random.Random) -> bytes:
    """A text file with lines lost, doubled, swapped, or a word in them replaced."""
    if dice.random() < 0.15:
        return damaged_bytes(text.encode(), dice)
    lines = text.splitlines() or [""]
    for _ in range(dice.randint(1, 3)):
        at = dice.randrange(len(lines))
        how = dice.random()
        if how < 0.2:
            lines[at] = ""
        elif how < 0.35:
            lines += [lines[at]] * dice.choice((1, 2, 300))
        elif how < 0.45:
            other = dice.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif how < 0.5:
            lines[at] = "a." * dice.choice((5, 20_000)) + "a = 1"
        else:
            value = dice.choice(VALUES)(dice)
            word = value if isinstance(value, str) else json.dumps(value)
            if dice.random() < 0.3:
                word = dice.choice(("1:23", "9" * 5000, "|" * 50, "1e400", "-0.0", "0x7f", "nan"))
            head, mark, _tail = lines[at].rpartition(dice.choice(("=", ",", " ")))
            lines[at] = head + mark + word
    return ("\n".join(lines) + "\n").encode("utf-8", "surrogatepass")


def damage_hdf5(path: Path, dice: random.Random) -> None:
    """Damage the file in place: its bytes, or variables and attributes as a program would."""
    if dice.random() < 0.4:
        path.write_bytes(damaged_bytes(path.read_bytes(), dice))
        return
    with h5py.File(path, "r+") as file:
        names = [name for name in file if isinstance(file[name], h5py.Dataset)]
        for _ in range(dice.randint(1, 3)):
            name = dice.choice(names)
            how = dice.randrange(6)
            if how == 0 and name in file:
                del file[name]
            elif how == 1:
                key = dice.choice(sorted(file.attrs))
                value = dice.choice(
                    (b"\xff", "{", "[]", "null", '{"width": 1e300}', 3.5, "x" * 9999)
                )
                file.attrs[key] = value
            elif how == 2:
                key = dice.choice(sorted(file.attrs))
                del file.attrs[key]
                file.attrs["format"] = "repcount-tracks/1"
            elif name in file and file[name].dtype.kind in "fi" and file[name].size:
                _numbers(file, name, dice)


def _numbers(file: h5py.File, name: str, dice: random.Random) -> None:
    values = file[name][...]
    at = dice.randrange(values.size)
    how = dice.randrange(3)
    if how == 0 and values.dtype.kind == "f":
        values.flat[at:] = dice.choice((np.nan, np.inf, -np.inf, 1e30, -1e30, 0.0))
    elif how == 1:
        values.flat[at] = dice.choice((0, 1, -1, 100))
    else:
        values = values[::-1]
    file[name][...] = values
