"""How the gap between two attempts grows: seconds that the second is later, over the first's clock.

Drawn as the report's charts (`repcount.reports.svg`).
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from repcount.analysis.beside import Aligned
from repcount.reports.svg import LETTER_PX, anchored, percent, tag
from repcount.reports.trace_chart import tick_step
from repcount.units import to_ms
from repcount.wording.numbers import clock_of, signed

HEIGHT, _TOP, _BELOW = 180, 10, 24  # px
_STEPS_MS = (200, 500, 1000, 2000, 5000, 10_000, 20_000, 60_000, 120_000, 300_000, 600_000)


@dataclass(frozen=True)
class GapChart:
    """The drawing, its labels at the side, and the length of its axis in seconds."""

    drawing: Markup
    gutter: Markup
    full_s: float


def gap_chart(one: Aligned) -> GapChart:
    """The gap of one alignment as a curve from rep to rep, with the line of no gap."""
    points = [(0, 0)] + [(to_ms(rep.since_s[0]), to_ms(rep.gap_s)) for rep in one.reps]
    full = max(1, max(at for at, _ in points))
    gaps = [gap for _, gap in points]
    step = next((s for s in _STEPS_MS if max(gaps) - min(gaps) <= 4 * s), _STEPS_MS[-1])
    low, high = min(gaps) // step * step, max(1, -(-max(gaps) // step)) * step
    levels = range(low, high + 1, max(step, (high - low) // 6 // step * step or step))

    def y_of(gap: int) -> float:
        return _TOP + HEIGHT * (high - gap) / (high - low)

    shapes = [
        tag("line", class_="zero" if level == 0 else "grid", x1="0", x2="100%",
            y1=y_of(level), y2=y_of(level))
        for level in levels
    ]  # fmt: skip
    line = "M" + "L".join(f"{at} {high - gap}" for at, gap in points)
    shapes.append(
        tag("svg", tag("path", class_="gap-line", d=line), tag("path", class_="gap-at", d=""),
            class_="time", viewBox=f"0 0 {full} {high - low}", preserveAspectRatio="none",
            y=_TOP, height=HEIGHT, width="100%")
    )  # fmt: skip
    for seconds in range(0, full // 1000 + 1, tick_step(full / 1000)):
        text = clock_of(seconds * 10).split(".")[0]
        anchor, x = anchored(seconds * 1000 / full, len(text) * LETTER_PX)
        y = _TOP + HEIGHT + 17
        shapes.append(tag("text", text, x=percent(x), y=y, text_anchor=anchor))
    high_px = _TOP + HEIGHT + _BELOW
    labels = [
        tag("text", signed(level / 1000), x="100%", y=y_of(level) + 4, text_anchor="end")
        for level in levels
    ]
    return GapChart(
        tag("svg", *shapes, class_="gap-chart", height=high_px, aria_hidden="true"),
        tag("svg", *labels, height=high_px, aria_hidden="true"),
        full / 1000,
    )
