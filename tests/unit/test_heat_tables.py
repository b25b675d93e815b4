"""The files of a heat, read back by libraries that did not write them."""

from __future__ import annotations

import io
import json
from pathlib import Path

import duckdb
import jsonschema
import numpy as np
import pandas as pd
import pytest

from repcount.attempt.records import load_record, schema_text
from repcount.heat.collect import FILES, without_names, write_heat
from repcount.heat.records import Heat
from repcount.heat.tables import BREAKS, DICTIONARY, REPS, columns_of, heat_csv
from tests.heats import heat_of


@pytest.fixture(scope="module")
def heat() -> Heat:
    return heat_of()


@pytest.fixture(scope="module")
def folder(heat: Heat, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("heat")
    write_heat(folder, heat)
    return folder


def test_all_files_are_there_and_nothing_else(folder: Path) -> None:
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)


def test_the_csv_reads_back_with_pandas(heat: Heat) -> None:
    frame = pd.read_csv(io.StringIO(heat_csv(heat)), keep_default_na=False)
    assert list(frame.columns) == [column.name for column in columns_of(heat)]
    assert list(frame["athlete"]) == [one.athlete for one in heat.attempts]
    assert list(frame["result"]) == [one.result for one in heat.attempts]
    done = frame[frame["finished"].astype(str).str.lower() == "true"]
    totals = done["total_s"].astype(float)
    kinds = ["start_s", "between_rounds_s", "break_s", "hold_s", "transition_s", "reset_s",
             "touch_s", "rep_s", "handling_s"]  # fmt: skip
    np.testing.assert_allclose(done[kinds].astype(float).sum(axis=1), totals, atol=1e-9)


def test_parquet_reads_back_with_duckdb(heat: Heat, folder: Path) -> None:
    """DuckDB has a Parquet reader of its own."""
    rows = duckdb.sql(
        f"select athlete, place, finished, total_s, reason from '{folder}/heat.parquet'"
    ).fetchall()
    assert rows == [
        (one.athlete, one.place, one.finished, one.total_s, one.reason) for one in heat.attempts
    ]
    reps = duckdb.sql(
        f"select athlete, count(*), max(top_s) from '{folder}/heat_reps.parquet' group by athlete"
    ).fetchall()
    assert {name: (n, last) for name, n, last in reps} == {
        one.athlete: (one.done, one.last_top_s) for one in heat.attempts if one.reps
    }
    pauses = duckdb.sql(f"select sum(length_s) from '{folder}/heat_breaks.parquet'").fetchall()
    expected = sum(pause.length_s for one in heat.attempts for pause in one.breaks)
    assert pauses[0][0] == pytest.approx(expected)


def test_columns_of_parquet_are_those_of_the_dictionary(heat: Heat, folder: Path) -> None:
    for name, columns in (
        ("heat.parquet", columns_of(heat)),
        ("heat_reps.parquet", REPS),
        ("heat_breaks.parquet", BREAKS),
    ):
        described = duckdb.sql(f"describe select * from '{folder}/{name}'").fetchall()
        types = {
            "text": "VARCHAR",
            "whole": "BIGINT",
            "number": "DOUBLE",
            "truth": "BOOLEAN",
        }
        assert [(one[0], one[1]) for one in described] == [
            (column.name, types[column.kind]) for column in columns
        ]
    fixed = [column.name for column in DICTIONARY["heat.csv"][:-1]]
    assert [column.name for column in columns_of(heat)][: len(fixed)] == fixed


def test_the_record_keeps_its_schema(heat: Heat, folder: Path) -> None:
    assert load_record(Heat, folder / "heat.json") == heat
    schema = json.loads(schema_text(Heat))
    jsonschema.validate(json.loads((folder / "heat.json").read_text(encoding="utf-8")), schema)


def test_no_name_is_left_where_names_are_left_out(heat: Heat, tmp_path: Path) -> None:
    first = heat.attempts[0].athlete
    write_heat(tmp_path, without_names(heat))
    for path in tmp_path.iterdir():
        data = path.read_bytes()
        for one in heat.attempts:
            assert one.athlete.encode() not in data, path.name
            assert not one.video or one.video.encode() not in data, path.name
    assert heat.attempts[0].athlete == first  # the one given stays as it is


def test_text_that_a_spreadsheet_would_compute_is_marked(heat: Heat) -> None:
    bad = heat.model_copy(deep=True)
    bad.attempts[0].athlete = "=1+1"
    bad.attempts[1].division = "@x"
    text = heat_csv(bad)
    assert "'=1+1" in text
    assert "'@x" in text
