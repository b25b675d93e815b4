"""Columns of tables, and how a table becomes CSV and Parquet.

CSV: UTF-8, comma, a header line, lines end in CR LF (RFC 4180). An empty cell means that there is
no such value. Text that a spreadsheet would take for a formula begins with an apostrophe. Parquet:
the same columns, typed, text as it is, each with its unit and meaning in the schema's metadata.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from repcount.reports import words

# What a spreadsheet reads as the beginning of a formula (OWASP, "CSV Injection"); the last two are
# the wide forms of the first that some programs fold.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@dataclass(frozen=True)
class Column:
    """A column of a table: its name, its unit (empty for text and counts), its meaning and, for
    Parquet, what its values are."""

    name: str
    unit: str
    meaning: str
    kind: Literal["text", "whole", "number", "truth"] = "text"


def safe_cell(value: Any) -> str:
    """A value as a cell. Numbers as they are; text that could be a formula gets an apostrophe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.3f}"
    if isinstance(value, int):
        return str(value)
    text = str(value)
    marked = text.lstrip(" ").startswith(_FORMULA) or text.startswith("'")
    return "'" * marked + words.plain(text)


def csv_text(columns: Iterable[Column], rows: Iterable[Mapping[str, Any]]) -> str:
    """The text of a table. A value that a row has not is an empty cell."""
    names = [column.name for column in columns]
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(names)
    for row in rows:
        writer.writerow([safe_cell(row.get(name)) for name in names])
    return out.getvalue()


def write_parquet(
    path: Path,
    columns: Iterable[Column],
    rows: Iterable[Mapping[str, Any]],
    about: Mapping[str, str] | None = None,
) -> None:
    """A table as Parquet. Every column is typed and may be null; its metadata holds `unit` and
    `description`, the table's what it is `about`."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "truth": pa.bool_(),
    }
    fields = [
        pa.field(
            column.name,
            types[column.kind],
            metadata={"unit": column.unit, "description": column.meaning},
        )
        for column in columns
    ]
    schema = pa.schema(fields, metadata=dict(about or {}))
    pq.write_table(pa.Table.from_pylist(list(rows), schema=schema), path)
