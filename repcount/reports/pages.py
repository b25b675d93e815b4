"""What every page shares: the template environment, and a policy that lets nothing be loaded.

Templates are imported when a page is made: what only prints to a terminal does without.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from repcount.reports import words
from repcount.wording import numbers

if TYPE_CHECKING:
    from jinja2 import Environment

ASSETS = Path(__file__).parent / "assets"


@dataclass(frozen=True)
class Back:
    """What stands above a page that is one of a site: addresses and names of the pages that it was
    reached from, and the site's menu as HTML."""

    ways: Sequence[tuple[str, str]] = ()
    menu: str = ""


ALONE = Back()


@cache
def environment() -> Environment:
    """Templates with everything escaped that comes from records."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("repcount.reports", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "plain": words.plain,
        "capital": words.capital,
        "clock": numbers.clock,
        "short": numbers.short,
        "signed": numbers.signed,
        "hundredths": numbers.hundredths,
        "title_line": lambda text: text.removesuffix("."),
    }
    return made


def hashed(text: str) -> str:
    """The source expression of an inline script or style (Content Security Policy, level 3)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def style_sheet(name: str) -> str:
    """The text of one of this package's style sheets, with the menu's before it."""
    return "".join((ASSETS / one).read_text(encoding="utf-8") for one in ("menu.css", name))


def sheet(template: str, *, back: Back = ALONE, site_script: str = "", **parts: object) -> str:
    """A page styled by `sheet.css`; without any script, unless a site that it is a page of gives
    the address of its own."""
    from markupsafe import Markup

    css = style_sheet("sheet.css")
    by_script = "script-src 'self'; " if site_script else ""
    policy = (
        f"default-src 'none'; {by_script}style-src {hashed(css)}; base-uri 'none'; "
        "form-action 'none'"
    )
    page = environment().get_template(template)
    return page.render(policy=policy, css=Markup(css), back=back, site_script=site_script, **parts)
