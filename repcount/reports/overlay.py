"""`overlay.mp4`: the video upright, with what was read drawn on it and said below it.

The sound is kept as it is where MP4 can hold it, else coded anew. Frames keep their own times.
H.264 by x264, in software alone, with a chapter for each round. Nothing is asked of the network.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any, Protocol

import av
import numpy as np
import xarray as xr
from av.video.frame import VideoFrame

from repcount.attempt.records import Attempt, Comparison, Phase
from repcount.errors import StorageError, storage_error
from repcount.files import ASIDE
from repcount.plan import Plan
from repcount.reports.captions import chapters
from repcount.reports.overlay_picture import (
    HIP,
    INK,
    PAUSE,
    REAL,
    SOFT,
    Block,
    Canvas,
    boxes,
    colour_matrix,
    outlined,
)
from repcount.reports.overlay_story import Points, Said, Story
from repcount.video.footage import Footage
from repcount.video.sound_track import SoundTrack

Progress = Callable[[float, float], None]
_TICKS = 90_000  # time stamps a second, fine enough for every camera's
_TRAIL_S = 4.0  # the longest path drawn
# x264's settings: a preset that keeps well ahead of 1080p30 on two cores, and a key frame every
# two seconds so that players jump quickly.
ENCODER = {"preset": "superfast", "crf": "23", "g": "60"}


class Blur(Protocol):
    """Makes faces unreadable in a frame's planes at a moment (real seconds), in place."""

    def __call__(self, planes: tuple[np.ndarray, ...], at_s: float) -> None: ...


@dataclass(frozen=True)
class Drawn:
    """What an overlay is drawn from."""

    attempt: Attempt
    tracks: xr.Dataset
    comparison: Comparison | None = None
    plan: Plan | None = None
    phases: tuple[Phase, ...] = ()


def write_overlay(
    path: Path,
    footage: Footage,
    drawn: Drawn,
    blur: Blur | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> None:
    """Write the overlay of a video; the file appears whole or not at all.

    Raises StorageError where it cannot be written, FootageError where no frame can be decoded.
    """
    path = Path(path)
    aside = path.with_name(f"{ASIDE}overlay-{secrets.token_hex(8)}.mp4")
    try:
        _encode(aside, footage, drawn, blur, progress, cancel)
        aside.replace(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise StorageError(
            f"{path}: the overlay cannot be written ({reason}); check the folder and the disk.",
            full=storage_error(error).full,
        ) from error
    finally:
        aside.unlink(missing_ok=True)


def _encode(
    path: Path,
    footage: Footage,
    drawn: Drawn,
    blur: Blur | None,
    progress: Progress | None,
    cancel: threading.Event | None,
) -> None:
    import time

    info, begun = footage.info, time.monotonic()
    width, height = info.width & ~1, info.height & ~1
    rate = Fraction(info.mean_rate_hz).limit_denominator(1001)
    with ExitStack() as stack:
        out = stack.enter_context(
            av.open(str(path), "w", format="mp4", container_options={"movflags": "+faststart"})
        )
        stream = out.add_stream("libx264", rate=rate, options=ENCODER)
        painter: Painter | None = None
        sound: Iterator[Any] = iter(())
        waiting = None
        for frame in footage.frames():
            if cancel is not None and cancel.is_set():
                raise KeyboardInterrupt
            if painter is None:
                painter = Painter(width, height, drawn, colour_matrix(frame.colours[2], height))
                context = stream.codec_context
                context.width, context.height = width, height + painter.strip
                context.pix_fmt = "yuv420p"
                context.time_base = Fraction(1, _TICKS)
                context.color_primaries, context.color_trc, context.colorspace = frame.colours
                sound = stack.enter_context(SoundTrack(out, footage))
                _set_chapters(out, drawn)
                waiting = next(sound, None)
            made = VideoFrame(width, height + painter.strip, "yuv420p")
            planes = _views(made)
            for plane, source, half in zip(planes, frame.planes, (0, 1, 1), strict=True):
                plane[: height >> half] = source
            if blur is not None:
                blur(tuple(p[: height >> h] for p, h in zip(planes, (0, 1, 1), strict=True)),
                     frame.time_s)  # fmt: skip
            painter.paint(planes, frame.time_s)
            at = frame.time_s * footage.slowed
            made.pts, made.time_base = round(at * _TICKS), Fraction(1, _TICKS)
            for packet in stream.encode(made):
                out.mux(packet)
            while waiting is not None and waiting[0] <= at:
                out.mux(waiting[1])
                waiting = next(sound, None)
            if progress is not None:
                fraction = min(1.0, max(1e-3, at / info.duration_s))
                progress(fraction, (time.monotonic() - begun) * (1 - fraction) / fraction)
        for packet in stream.encode(None):
            out.mux(packet)
        while waiting is not None:
            if waiting[0] <= info.duration_s + 1:
                out.mux(waiting[1])
            waiting = next(sound, None)


def _views(frame: VideoFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A frame's own planes, to be written into."""
    made = []
    for plane in frame.planes:
        rows = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
        made.append(rows[: plane.height, : plane.width])
    return made[0], made[1], made[2]


def _set_chapters(out: Any, drawn: Drawn) -> None:
    slowed = drawn.attempt.video.slowed
    out.set_chapters(
        [
            {
                "id": number,
                "start": round(begin * slowed),
                "end": round(end * slowed),
                "time_base": Fraction(1, 1000),
                "metadata": {"title": title},
            }
            for number, (begin, end, title) in enumerate(chapters(drawn.attempt, drawn.comparison))
        ]
    )


class Painter:
    """Draws on one frame after another. `strip` is how many rows it adds below."""

    def __init__(self, width: int, height: int, drawn: Drawn, matrix: np.ndarray) -> None:
        self.width, self.height = width, height
        self.unit = min(width, height) / 1080
        self.strip = round(150 * self.unit / 2) * 2
        self.matrix = matrix
        self.story = Story(drawn.attempt, drawn.comparison, drawn.plan, list(drawn.phases))
        self.points = Points(drawn.tracks)
        edges = [0, round(width * 0.32 / 2) * 2, round(width * 0.72 / 2) * 2, width]
        self.blocks = [
            (left, Block((right - left, self.strip), matrix)) for left, right in pairwise(edges)
        ]

    def paint(self, planes: tuple[np.ndarray, np.ndarray, np.ndarray], at_s: float) -> None:
        """Draw on the planes of one frame (the strip included) at a moment in real seconds."""
        canvas = Canvas(*planes, self.matrix)
        self._lift(canvas, at_s)
        said = self.story.at(at_s)
        for (left, block), (shown, paint) in zip(
            self.blocks, (self._counter(said), self._sets(said), self._clock(said)), strict=True
        ):
            canvas.paste(block.planes(shown, paint), left, self.height)

    def _lift(self, canvas: Canvas, at_s: float) -> None:
        thick = max(1.5, 2.4 * self.unit)
        rep = self.story.rep(at_s)
        if rep is not None:
            path = self.points.path(max(rep.start_s, at_s - _TRAIL_S), min(at_s, rep.end_s))
            if len(path) > 1:
                outlined(canvas, path, INK, thick)
            top = self.points.at("middle", rep.top_s)
            if top is not None and rep.top_s <= at_s:
                moved = self.points.moved(rep.top_s, at_s)
                mark = top + moved + np.array([[-14, 0], [14, 0]]) * self.unit
                outlined(canvas, mark, REAL, 1.4 * thick)
        for name in ("left", "right"):
            end = self.points.at(name, at_s)
            if end is not None:
                canvas.ring(end, 7 * self.unit, INK, thick)
        hip = self.points.at("hip", at_s)
        if hip is not None:
            diamond = np.array([[0, -9], [9, 0], [0, 9], [-9, 0], [0, -9]]) * self.unit
            outlined(canvas, hip + diamond, HIP, thick)

    def _size(self, pixels: float) -> int:
        return max(9, round(pixels * self.unit))

    def _counter(self, said: Said) -> tuple[Any, Callable[[Block], None]]:
        def paint(block: Block) -> None:
            u, wide = self.unit, block.size[0]
            block.text(24 * u, 38 * u, said.movement, self._size(30), INK, wide=wide - 40 * u)
            end = block.text(24 * u, 94 * u, said.count, self._size(50), INK, bold=True)
            block.text(end + 16 * u, 94 * u, said.heading, self._size(25), SOFT,
                       wide=wide - end - 24 * u)  # fmt: skip
            colour = PAUSE if said.pausing else SOFT
            block.text(24 * u, 133 * u, said.note, self._size(27), colour, bold=said.pausing,
                       wide=wide - 40 * u)  # fmt: skip

        return (said.heading, said.count, said.movement, said.note, said.pausing), paint

    def _sets(self, said: Said) -> tuple[Any, Callable[[Block], None]]:
        def paint(block: Block) -> None:
            if not said.total:
                return
            u, right = self.unit, block.size[0] - 24 * self.unit
            label = f"plan {said.planned}" if said.planned else ""
            block.text(0, 36 * u, label, self._size(25), SOFT, wide=right - 90 * u)
            block.text(right, 36 * u, said.real, self._size(25), SOFT, right=True)
            if said.planned:
                boxes(block, said.cuts_planned, said.total, 0, right, 50 * u, 76 * u)
            inside = [cut for cut in said.cuts_real if 0 < cut < said.total]
            boxes(block, inside, said.total, 0, right, 84 * u, 122 * u, filled_to=said.done)
            for cut in inside:
                x = right * cut / said.total
                block.draw.rectangle((x - 3 * u, 80 * u, x + 3 * u, 130 * u), fill=PAUSE)

        shown = (said.total, said.done, said.cuts_planned, said.cuts_real, said.planned, said.real)
        return shown, paint

    def _clock(self, said: Said) -> tuple[Any, Callable[[Block], None]]:
        def paint(block: Block) -> None:
            u, right = self.unit, block.size[0] - 24 * self.unit
            block.text(right, 84 * u, said.clock, self._size(64), INK, bold=True, right=True)
            block.text(right, 133 * u, said.against, self._size(27), SOFT, right=True)

        return (said.clock, said.against), paint
