"""Pages from templates: everything escaped, the filters of the reports, and a lazy environment."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from repcount.reports.pages import environment as of_reports


@cache
def environment() -> Environment:
    """Templates of the web pages."""
    made = Environment(
        loader=PackageLoader("repcount.web", "html"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= of_reports().filters
    made.filters["day"] = lambda at: datetime.fromtimestamp(at, UTC).strftime("%d %b %Y, %H:%M UTC")
    return made


def page(template: str, **parts: Any) -> str:
    """A template filled in."""
    return environment().get_template(template).render(**parts)
