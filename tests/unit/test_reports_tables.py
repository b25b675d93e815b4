"""Tables: documented columns, RFC 4180, numbers that agree with the records, no formulas."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import duckdb
import pandas
import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.attempt.records import SetSpeed
from repcount.reports.columns import safe_cell
from repcount.reports.tables import TABLES, table_rows, tables, write_tables
from repcount.units import to_ms
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    hostile_attempt,
    long_attempt,
)


def read(text: str) -> pandas.DataFrame:
    return pandas.read_csv(io.StringIO(text), keep_default_na=True)


def test_every_column_is_documented_once():
    for name, text in tables(example_attempt(), example_comparison()).items():
        columns = [column.name for column in TABLES[name.removesuffix(".csv")]]
        assert text.splitlines()[0] == ",".join(columns)
        assert len(set(columns)) == len(columns)
        for column in TABLES[name.removesuffix(".csv")]:
            assert column.meaning
            if column.unit in ("s", "m", "m/s"):
                assert column.name.endswith("_" + column.unit.replace("/", "_"))
            else:
                assert not column.name.endswith(("_s", "_m"))


def test_lines_end_as_rfc_4180_asks_and_have_one_width():
    # RFC 4180, section 2: CRLF after each record, the same number of fields in each.
    for text in tables(hostile_attempt('a "b", c\nd'), example_comparison()).values():
        assert text.endswith("\r\n")
        assert "\n" not in text.replace("\r\n", "")
        widths = {len(row) for row in csv.reader(io.StringIO(text, newline=""))}
        assert len(widths) == 1


def test_the_numbers_are_those_of_the_records():
    attempt = example_attempt()
    comparison = example_comparison(attempt)
    text = tables(attempt, comparison)
    reps = read(text["reps.csv"])
    assert list(reps.top_s) == [rep.top_s for rep in attempt.reps]
    assert reps.set.notna().sum() == sum(rep.status == "counted" for rep in attempt.reps)
    breaks = read(text["breaks.csv"])
    assert list(breaks.outcome) == [match.outcome for match in comparison.breaks]
    assert breaks.real_s.sum() == pytest.approx(34.7)
    assert to_ms(breaks.difference_s.sum()) == 10_700
    rounds = read(text["rounds.csv"])
    total = rounds.real_s.sum() + rounds.rest_after_s.sum()
    begun = attempt.rounds[0].start_s - attempt.clock.start_s
    assert to_ms(total + begun) == to_ms(attempt.clock.total_s)


def test_without_a_plan_the_planned_cells_are_empty():
    text = tables(example_attempt())
    breaks = read(text["breaks.csv"])
    assert breaks[["planned_s", "difference_s", "outcome", "moved_by"]].isna().all().all()
    assert len(breaks) == 7
    assert read(text["rounds.csv"]).planned_s.isna().all()


@pytest.mark.parametrize("attempt", [bare_attempt(), empty_attempt(), long_attempt()])
def test_tables_of_other_attempts_can_be_read(attempt):
    for text in tables(attempt).values():
        read(text)


# OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
@pytest.mark.parametrize(
    "text", ["=cmd()", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1", "'=1"]
)
def test_a_spreadsheet_finds_no_formula(text):
    assert safe_cell(text).startswith("'")
    for table in tables(hostile_attempt(text), example_comparison()).values():
        for row in csv.reader(io.StringIO(table, newline="")):
            for cell in row:
                first = cell.lstrip()[:1]
                assert first not in ("=", "@", "＝")
                if first in ("+", "-"):
                    float(cell)  # a number


@given(st.text())
def test_cells_are_one_line(text):
    assert "\n" not in safe_cell(text)
    assert "\r" not in safe_cell(text)


def test_numbers_are_written_plainly():
    assert safe_cell(1.0) == "1.000"
    assert safe_cell(-0.5) == "-0.500"
    assert safe_cell(3) == "3"
    assert safe_cell(True) == "true"
    assert safe_cell(None) == ""


def test_another_library_reads_the_same_from_parquet(tmp_path: Path):
    # DuckDB has a Parquet reader of its own, which shares no code with the one that wrote.
    attempt = hostile_attempt('=a "b", c\nd')
    comparison = example_comparison(attempt)
    write_tables(tmp_path, attempt, comparison)
    for name, rows in table_rows(attempt, comparison).items():
        file = str(tmp_path / f"{name}.parquet")
        with duckdb.connect() as reader:
            found = reader.execute("select * from read_parquet(?)", [file]).fetchall()
            named = reader.execute("select name, type from parquet_schema(?)", [file]).fetchall()
        columns = [column.name for column in TABLES[name]]
        assert [one for one, _ in named[1:]] == columns
        assert [dict(zip(columns, row, strict=True)) for row in found] == rows
    assert "=a" in table_rows(attempt, comparison)["reps"][0]["movement"]


def test_parquet_columns_carry_unit_and_meaning(tmp_path: Path):
    write_tables(tmp_path, empty_attempt())
    for name, columns in TABLES.items():
        schema = pyarrow.parquet.read_schema(tmp_path / f"{name}.parquet")
        assert schema.metadata[b"video_sha256"].decode() == empty_attempt().video.sha256
        for column in columns:
            said = schema.field(column.name).metadata
            assert (said[b"unit"].decode(), said[b"description"].decode()) == (
                column.unit,
                column.meaning,
            )


def test_sets_and_how_each_rep_was_done_stand_in_the_tables():
    attempt = example_attempt()
    speed = SetSpeed(
        movement="deadlift", reps=7, mean_st_s=0.5, slope_share=-0.021, uncertainty=0.008
    )
    first = attempt.sets[0].model_copy(update={"speeds": [speed]})
    changes = {"from_floor": "reset", "dropped": True, "style": "unsure", "style_confidence": 0.6}
    reps = [attempt.reps[0].model_copy(update=changes), *attempt.reps[1:]]
    attempt = attempt.model_copy(update={"sets": [first, *attempt.sets[1:]], "reps": reps})
    text = tables(attempt)
    sets = read(text["sets.csv"])
    assert sets.reps.sum() == sum(rep.status == "counted" for rep in attempt.reps)
    assert list(sets.groupby(["round", "set"]).size()) == [
        len({part.movement for part in span.reps}) for span in attempt.sets
    ]
    assert list(sets.iloc[0][["movement", "reps", "rise_speed", "speed_change"]]) == [
        "deadlift",
        first.reps[0].reps,
        0.5,
        -0.021,
    ]
    assert sets.iloc[1:].rise_speed.isna().all()
    row = read(text["reps.csv"]).iloc[0]
    assert [row.from_floor, row.dropped, row["style"], row.style_confidence] == [
        "reset",
        True,
        "unsure",
        0.6,
    ]
