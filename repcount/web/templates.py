"""Pages from templates: everything escaped, the filters of the reports, and a lazy environment."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader

from repcount.reports.pages import environment as of_reports


@cache
def environment() -> Environment:
    """Templates of the web pages."""
    made = of_reports().overlay(loader=PackageLoader("repcount.web", "html"))
    # an overlay shares its filters; the reports need no more than theirs
    made.filters = {**made.filters, "day": day}
    return made


def day(at: int) -> str:
    """A moment in Unix seconds, as the pages show it."""
    return datetime.fromtimestamp(at, UTC).strftime("%d %b %Y, %H:%M UTC")


def page(template: str, **parts: Any) -> str:
    """A template filled in."""
    return environment().get_template(template).render(**parts)
