"""The reference pages that are made from the code: every command, every column.

    python -m repcount.cli.reference

writes `repcount/cli/README.md` and `repcount/reports/COLUMNS.md` anew; a test compares.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import click

from repcount.cli.main import cli
from repcount.heat.tables import DICTIONARY
from repcount.reports.columns import Column
from repcount.reports.tables import TABLES

PAGE_WIDTH = 88
ROOM = Path(__file__).resolve().parents[1]
COMMANDS_PAGE = ROOM / "cli" / "README.md"
COLUMNS_PAGE = ROOM / "reports" / "COLUMNS.md"


def commands(group: click.Group, path: str = "repcount") -> Iterator[tuple[str, click.Command]]:
    """Every command below `group` with its full name, in the order of `--help`."""
    for name in sorted(group.commands):
        command = group.commands[name]
        if command.hidden:
            continue
        yield f"{path} {name}", command
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")


def commands_page() -> str:
    """What every command prints for `--help`, as Markdown."""
    parts = [
        "# The commands",
        "Made from the commands by `python -m repcount.cli.reference`; a test compares.\n"
        "How to plan, read and correct an attempt is said in the project's README.",
        _help("repcount", cli),
    ]
    for name, command in commands(cli):
        parts += [f"## `{name}`", _help(name, command)]
    return "\n\n".join(parts) + "\n"


OUTCOMES = """Outcomes of a break:

- *as planned*: the bar went down after the planned rep.
- *moved*: it went down some reps earlier or later than planned, by `moved_by`.
- *unplanned*: a break that answers to none of the plan.
- *skipped*: the athlete went on past the planned place without putting the bar down.
- *reset*: where a break was planned the bar lay for 0.5 to 1.5 s only; `moved_by` as for a break.
- *not reached*: the attempt ended before the planned place."""


def columns_page() -> str:
    """What the columns of all tables mean, as Markdown."""
    parts = [
        "# The columns of the tables",
        "Made from the tables by `python -m repcount.cli.reference`; a test compares.\n"
        "The CSV and the Parquet file of a name hold the same columns; Parquet is typed, with\n"
        "unit and meaning in its metadata.",
        "## One attempt (`repcount analyze`)",
    ]
    for name, columns in TABLES.items():
        parts += _table(f"`{name}.csv` and `{name}.parquet`", columns)
        if name == "breaks":
            parts.append(OUTCOMES)
    parts.append("## A heat (`repcount heat`)")
    for name, columns in DICTIONARY.items():
        title = "`heat.csv` and `heat.parquet`" if name == "heat.csv" else f"`{name}`"
        parts += _table(title, columns)
    return "\n\n".join(parts) + "\n"


def _help(name: str, command: click.Command) -> str:
    context = click.Context(
        command,
        info_name=name,
        terminal_width=PAGE_WIDTH,
        max_content_width=PAGE_WIDTH,
        help_option_names=cli.context_settings["help_option_names"],  # as commands inherit it
    )
    return f"```\n{command.get_help(context)}\n```"


def _table(title: str, columns: Iterable[Column]) -> list[str]:
    rows = [
        f"| {c.name} | {c.unit} | {c.meaning.replace('|', chr(92) + '|')} |".replace("|  |", "| |")
        for c in columns
    ]
    return [f"### {title}", "\n".join(["| column | unit | meaning |", "|---|---|---|", *rows])]


def main() -> None:
    """Write both pages anew."""
    COMMANDS_PAGE.write_text(commands_page(), encoding="utf-8")
    COLUMNS_PAGE.write_text(columns_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
