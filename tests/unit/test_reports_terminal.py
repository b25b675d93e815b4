"""The terminal report: 80 columns, 24 lines, plain where it is not a terminal."""

from __future__ import annotations

import io
import re
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, make_edit, new_edits
from repcount.plan import parse_plan
from repcount.reports import terminal
from repcount.reports.terminal import fit, print_report, report_lines, wrap
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    hostile_attempt,
    long_attempt,
)
from tests.scripted_reading import SLATE, Script, slate

HOSTILE = [
    "[bold]shout[/bold]",
    "[link=file:///etc/passwd]x[/link]",
    "\x1b[31mred\x1b]0;title\x07",
    "=cmd()",
    ":warning: :smile:",
    "👩‍👩‍👧‍👦" * 30,
    "‮desrever‬ عربى",
    "漢字" * 60,
    "a" * 300,
    "line\nbreak\r\ttab",
]


def cells(text: str) -> int:
    """Width on a terminal: East Asian wide and full-width characters take two (UAX 11)."""
    return sum(
        0
        if unicodedata.combining(char) or unicodedata.category(char) == "Cf"
        else 2
        if unicodedata.east_asian_width(char) in "WF"
        else 1
        for char in text
    )


def printed(*records: object, terminal: bool = False) -> str:
    out = io.StringIO()
    console = Console(width=80, file=out, force_terminal=terminal)
    print_report(console, *records)
    return out.getvalue()


@pytest.mark.parametrize(
    "records",
    [
        (example_attempt(), example_comparison()),
        (example_attempt(),),
        (bare_attempt(),),
        (empty_attempt(),),
        (long_attempt(),),
        *[(hostile_attempt(name), example_comparison()) for name in HOSTILE],
    ],
)
def test_no_line_is_wider_than_80_columns(records):
    for line in printed(*records).splitlines():
        assert cells(line) <= 80, line
        assert line == line.rstrip()


@pytest.mark.parametrize(
    "records",
    [
        (example_attempt(), example_comparison()),
        (example_attempt(),),
        (bare_attempt(),),
        (empty_attempt(),),
        (long_attempt(),),
    ],
)
def test_a_report_fits_a_screen_of_24_lines(records):
    # a blank line and "Written to ..." follow
    assert len(report_lines(*records)) <= 22


def test_rounds_shown_in_one_line_still_add_up():
    lines = [line.plain for line in report_lines(long_attempt())]
    begin = next(i for i, line in enumerate(lines) if line.startswith("seconds"))
    rows = [line for line in lines[begin + 1 :] if re.match(r"(Start|Round|Between|Total)", line)]
    assert any(line.startswith("Rounds ") for line in rows)
    tenths = [round(10 * float(line[16:].split()[0])) for line in rows]
    assert rows[-1].startswith("Total")
    assert abs(sum(tenths[:-1]) - tenths[-1]) <= len(tenths) / 2  # each is rounded by itself


def test_a_no_rep_leaves_every_round_of_a_few_its_line():
    script = Script(slate(3)).wait(1.0)
    for number, sets in enumerate(("7|1+5|1+4", "6|2+5|1+4", "7|1+3|2|1+4")):
        if number:
            script.next_round()
        script.sets(sets)
    reading = script.reading()
    none = new_edits(reading)
    edit = make_edit(none, "mark_no_rep", who="Robin", why="elbow not locked", target="r16")
    attempt = derive_attempt(reading, append_edit(reading, none, edit))
    text = [line.plain for line in report_lines(attempt, compare(attempt, parse_plan(SLATE)))]
    assert len(text) <= 22
    for number in (1, 2, 3):
        assert sum(line.startswith(f"Round {number} ") for line in text) == 1, text
    assert " ".join(" ".join(text).split()).count("shorter workout") == 1  # said once


def test_what_is_left_out_is_said_with_what_it_is():
    """ "2 in report.html" says nothing to whoever reads it."""
    shown = [
        line
        for records in ((long_attempt(),), (example_attempt(), example_comparison()))
        for room in terminal.ROOMS
        for line in terminal.lines_in(*records, *[None] * (2 - len(records)), room)
        if "report.html" in line.plain
    ]
    assert shown
    for line in shown:
        nouns = r"(breaks? off the plan|more moments?|warnings?|\d+:\d\d\.\d.*)"
        assert re.search(rf"{nouns}: see report\.html$", line.plain), line.plain


def test_colour_only_on_a_terminal_and_nothing_lost_without():
    plain = printed(example_attempt(), example_comparison())
    coloured = printed(example_attempt(), example_comparison(), terminal=True)
    assert "\x1b" not in plain
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain


def test_the_numbers_that_matter_are_there():
    text = printed(example_attempt(), example_comparison())
    for part in ("Finished in 2:46.9", "11.4 s behind", "7 | 1+5 | 1+4", "6 | 2+5 | 1+4", "+11.4"):
        assert part in text
    lines = text.splitlines()
    planned = next(i for i, line in enumerate(lines) if "plan 7 | 1+5 | 1+4" in line)
    assert "real 6 | 2+5 | 1+4" in lines[planned + 1]  # planned above real


@pytest.mark.parametrize("name", HOSTILE)
def test_names_are_printed_as_they_are_and_do_nothing(name):
    text = printed(hostile_attempt(name), example_comparison())
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "‮" not in text
    if name.startswith(("[", ":", "=")):
        assert name in text.replace("\n", " ")


@given(st.text(min_size=1, max_size=60))
@settings(max_examples=12, deadline=None)
def test_any_name_keeps_the_report_in_its_width(name):
    for line in printed(hostile_attempt(name), example_comparison()).splitlines():
        assert cell_len(line) <= 80


@given(st.text(), st.integers(min_value=4, max_value=80))
def test_fitted_text_has_exactly_its_width(text, width):
    assert cell_len(fit(text, width)) == width


def test_wrapping_loses_nothing():
    text = "deadlift " * 30 + "漢" * 100
    assert "".join(wrap(text, 40)).replace(" ", "") == text.replace(" ", "")
