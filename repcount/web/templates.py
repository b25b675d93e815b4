"""Pages from templates: everything escaped, the filters of the reports, and a lazy environment."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from jinja2 import ChoiceLoader, Environment, PackageLoader
from markupsafe import Markup

from repcount.reports.pages import environment as of_reports
from repcount.wording.moments import recorded_words


@cache
def environment() -> Environment:
    """Templates of the web pages, and what they share with those of the reports."""
    ours, theirs = PackageLoader("repcount.web", "html"), of_reports().loader
    made = of_reports().overlay(loader=ChoiceLoader([ours, theirs] if theirs else [ours]))
    # an overlay shares its filters; the reports need no more than theirs
    ours_too = {"day": day, "moment": moment, "filmed": filmed, "unix": unix}
    made.filters = {**made.filters, **ours_too}
    return made


def day(at: int) -> str:
    """A moment in Unix seconds, as text alone can say it."""
    return datetime.fromtimestamp(at, UTC).strftime("%d %b %Y, %H:%M UTC")


def moment(at: int) -> Markup:
    """A moment in Unix seconds as an element; the pages' script puts it into the reader's zone."""
    machine = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return Markup('<time datetime="{}" title="{}">{}</time>').format(machine, day(at), day(at))


def unix(recorded: str | None) -> int | None:
    """Unix seconds of when something was filmed; None where no more than the day is known."""
    try:
        if recorded and len(recorded) > len("2026-11-28"):
            return int(datetime.fromisoformat(recorded).timestamp())
    except (ValueError, OverflowError):
        pass
    return None


def filmed(recorded: str | None) -> Markup | str:
    """When something was filmed, as a record has it: a moment as an element, a day as text."""
    at = unix(recorded)
    return recorded_words(recorded) if at is None else moment(at)


def day_in(at: int, zone: str) -> str:
    """A moment in Unix seconds in a time zone of the IANA list; in UTC where it is none."""
    try:
        there = datetime.fromtimestamp(at, ZoneInfo(zone))
    except (ValueError, OSError, ZoneInfoNotFoundError):
        return day(at)
    return there.strftime("%d %b %Y, %H:%M")


def page(template: str, **parts: Any) -> str:
    """A template filled in."""
    return environment().get_template(template).render(**parts)
