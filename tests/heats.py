"""Invented heats for tests: athletes of Quarry Lane Barbell at Slate, without pixels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import save_record
from repcount.heat.build import Row, make_heat
from repcount.heat.records import Heat
from repcount.heat.rows import Entry, attempt_row, failed_row
from repcount.plan import parse_plan
from tests.scripted_reading import SLATE, Script, slate
from tests.simulated_athletes import Athlete

PLAN = parse_plan(SLATE)
NAMES = (
    "Oren Vale", "Juna Mirek", "Tova Quist", "Silas Harrow", "Marek Sund", "Ines Calder",
    "Bram Roth", "Lioba Ebel", "Petra Lark", "Anselm Thorne", "Runa Vex", "Veit Ostrow",
)  # fmt: skip


def simulated(seed: int) -> Filmed:
    """An attempt at Slate, with its comparison."""
    return Athlete(np.random.default_rng(seed)).attempt(PLAN)


def unfinished(reps: int = 12, cap: float = 420.0) -> Filmed:
    """An attempt that got no further than some reps of the first round by the time cap."""
    script = Script(slate(cap=cap)).wait(1.0)
    names = ["deadlift"] * 8 + ["hang power clean"] * 6 + ["push press"] * 4
    for name in names[:reps]:
        script.rep(name)
    attempt = derive_attempt(script.reading(after=cap))
    return Filmed(attempt, compare(attempt, PLAN), "unfinished")


def row(filmed: Filmed, athlete: str, division: str = "", **more: Any) -> Row:
    """Its row in a heat."""
    entry = Entry(athlete, division, **more)
    return attempt_row(entry, filmed.attempt, filmed.comparison), filmed.attempt.workout


def heat_of(count: int = 12) -> Heat:
    """So many who finished, in two divisions, one who did not and one that could not be read."""
    divisions = ("under 40", "40 and over")
    rows = [
        row(simulated(k), NAMES[k % 12] + " I" * (k // 12), divisions[k % 2]) for k in range(count)
    ]
    rows.append(row(unfinished(), "Hanno Wick", "under 40"))
    reason = "nils.mp4: is no video that can be read; give another."
    rows.append((failed_row(Entry("Nils Ober", "40 and over"), reason, "nils.mp4"), None))
    return make_heat(rows, "Slate at Quarry Lane Barbell")


def write_attempt(folder: Path, filmed: Filmed) -> Path:
    """A results folder with what a heat needs of it."""
    folder.mkdir(parents=True)
    save_record(filmed.attempt, folder / "attempt.json")
    if filmed.comparison is not None:
        save_record(filmed.comparison, folder / "comparison.json")
    return folder
