"""Charts as inline SVG, drawn here so that the page is complete without any script.

Lengths along time are percentages, lengths across it pixels: a chart then fits any width with its
text at its own size and its shapes undistorted. Where a curve needs a coordinate system of its own
(the bar's height), it lies in a nested `svg` whose `viewBox` is the stretch of time shown; dots
are there drawn as round line ends, whose width does not scale.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup, escape

# What a phone leaves for a chart beside its labels, in pixels, and a letter's width at 12 px.
NARROW_PX = 290
LETTER_PX = 6.4


def tag(name: str, *children: str | Markup, **attributes: object) -> Markup:
    """An element; children and attribute values are escaped. `class_` is `class`, `_` is `-`."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_number(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(escape(child) for child in children)
    return Markup(f"<{name}{written}>{inner}</{name}>")


def _number(value: object) -> object:
    return f"{value:.4f}".rstrip("0").rstrip(".") if isinstance(value, float) else value


def percent(fraction: float) -> str:
    return f"{100 * fraction:.3f}".rstrip("0").rstrip(".") + "%"


def rows_apart(labels: Sequence[tuple[float, float]]) -> list[int]:
    """The row of each label (centre as a fraction of the width, length in px) so that none overlap.

    Laid out for a phone; on a wider page they only lie further apart.
    """
    ends: list[float] = []
    rows = []
    for centre, length in labels:
        left = centre * NARROW_PX - length / 2
        row = next((i for i, end in enumerate(ends) if end + 6 <= left), len(ends))
        ends[row : row + 1] = [left + length]
        rows.append(row)
    return rows


def label_step(fraction: float, length: float) -> int:
    """Which of many equal neighbours get a label (every, every 2nd, 5th, 10th ...) on a phone.

    `fraction` is one neighbour's part of the width, `length` a label's in pixels.
    """
    steps = (1, 2, 5, 10, 20, 50, 100)
    return next((step for step in steps if step * fraction * NARROW_PX > length + 4), steps[-1])


def anchored(centre: float, length: float) -> tuple[str, float]:
    """How to anchor a text so that it stays inside the chart, and where."""
    half = length / 2 / NARROW_PX
    if centre < half:
        return "start", 0.0
    if centre > 1 - half:
        return "end", 1.0
    return "middle", centre


def bar_pair(
    planned_s: float | None,
    real_s: float | None,
    full_s: float,
    pauses: Iterable[tuple[float, float]] = (),
) -> Markup:
    """Planned (outline) above real (solid) on a scale of 0 to `full_s`; pauses hatched.

    `pauses` are (begin, length) in seconds from the real bar's left end. Without a planned time
    the real bar stands alone. A negative time, as of a clock that was set to start after the first
    rep, has no length.
    """
    shapes = []
    y = 3
    if planned_s is not None:
        shapes.append(
            tag("rect", class_="planned", x=0, y=2, height=7, width=percent(planned_s / full_s))
        )
        y = 12
    bars = [("real", 0.0, real_s)] if real_s is not None else []
    bars += [("pause", begin, length) for begin, length in pauses]
    shapes += [
        tag("rect", class_=kind, x=percent(begin / full_s), y=y, height=14,
            width=percent(max(0.0, length) / full_s))
        for kind, begin, length in bars
    ]  # fmt: skip
    return tag("svg", *shapes, class_="pair", height=y + 16, aria_hidden="true")
