"""The bar's two ends, frame by frame.

The network that knows what a bar looks like (`bar_net`) is asked now and then. Once found, an end
is followed by its looks at every frame, to a fraction of a pixel (`patch`): held, falling,
bouncing, lying on the floor; and backwards through the last seconds, to where it lay before.
What does not move with the hands while the other end does is none, and neither is what does not
move like the end of one rigid bar.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice, pairwise

import numpy as np

from repcount.tracking.bar_net import CONFIDENT, BarNet, BarSighting
from repcount.tracking.ends import (
    AT_REST,
    LOST,
    PLATE_M,
    End,
    FollowedFrame,
    coarser,
    from_sighting,
)
from repcount.tracking.hands import Hands
from repcount.tracking.patch import GOOD

# Frames kept to look back on, in seconds.
BACK_S = 12.0
# How fast a plate can go, and change its mind at a bounce (m/s; a drop from overhead lands at 6).
G = 9.81
TOP_SPEED = 6.5
# A nearer athlete is followed on smaller frames: a body length (0.5 m) of 45 to 90 pixels makes
# the crossing level of 1.75 cm two or three pixels, which is plenty for a fit to a twentieth of a
# pixel, and keeps patches small.
LARGEST = 90.0
# How often the network is asked: where both ends are followed well; where one is; else.
ASK_S = (0.5, 0.2, 0.1)
# A sighting and a followed end are one if no farther apart than this (semi-axes); two sightings in
# a row are one thing if no farther apart than that, which at ASK_S allows for 2 m/s.
SAME, NEXT = 0.25, 1.0
# This many sightings in a row elsewhere, and the end followed is not the bar's.
DOUBTS = 3
# A lost end is taken for found only where it looks like this; what looks like it lies about.
RESUME = 0.75
# Sure enough to contradict what is followed.
SURE = 0.6
# Backwards, an end is given up when it has not been seen for this long.
GIVE_UP_S = 1.0
# Ends and hands are compared where the hands moved so far up or down (body lengths; 0.15 is about
# 7 cm, three times the pose model's own error) within so long, and again after so much more.
HAND_TRAVEL, PAIR_S, PAIR_STEP = 0.15, 0.7, 0.06
# An end went along if it moved this much of the hands' way (perspective, the pose model's error),
# and stood still if it moved less than that.
ALONG = (0.5, 2.0)
STILL = 0.3
# One end went along, the other stood still, over this much of the hands' way: it is no end.
TORN = 0.25
# The ends' ways over TEAR_S, seen in perspective, differ by no more than this share of the longer
# and this much of a semi-axis: a bar is rigid.
TEAR_S, TEAR, TEAR_PLATE = 0.3, 0.5, 0.35
# Two ends this near to each other (semi-axes of the larger) are one plate: of a bar that points at
# the camera so nearly, the far plate is hidden behind the near one.
ONE = 0.2
# A model of the offset needs this many sightings; a slope with height, this spread (semi-axes).
ENOUGH, SPREAD = 12, 3.0
# From one frame to the next an end moves by no more than a semi-axis (a drop from overhead at 30
# frames a second), and is itself about that wide and high.
AROUND = 2.0
# A gap this short, with the end at the same place before and after (semi-axes), is one in which it
# lay there; a shorter one is filled from the other end; a blink, straight on.
HIDDEN_S, SAME_PLACE = 2.0, 0.1
RIGID_S, BLINK_S = 0.5, 0.12
HIDDEN_CONFIDENCE = 0.3


@dataclass
class Row:
    """What is said of one frame, in pixels of the frame followed: the patches' `centres` (2, 2)
    of both ends, `face` (2, 2) from there to the outer faces as far as known without the network,
    `semi_axis` (2,), `confidence` (2,), and the names of the ends that said it. `per_pixel` is how
    many pixels of the frame given are one of the frame followed."""

    time_s: float
    shift: np.ndarray
    per_pixel: int
    centres: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    face: np.ndarray = field(default_factory=lambda: np.zeros((2, 2)))
    semi_axis: np.ndarray = field(default_factory=lambda: np.full(2, np.nan))
    confidence: np.ndarray = field(default_factory=lambda: np.zeros(2))
    owner: list[int] = field(default_factory=lambda: [0, 0])

    def shrink(self, by: int) -> None:
        """Say the same of a frame followed in which `by` pixels are one."""
        self.centres = coarser(self.centres, by)
        self.shift, self.face, self.semi_axis = self.shift / by, self.face / by, self.semi_axis / by
        self.per_pixel *= by

    def clear(self, side: int) -> None:
        self.centres[side], self.semi_axis[side], self.confidence[side] = np.nan, np.nan, 0.0
        self.owner[side] = 0


@dataclass
class BarTrack:
    """What was found, for the frames of one pass. In pixels of the frames given: `ends`
    (T, 2, 2) frame, left and right, x and y; `semi_axis` (T, 2); `confidence` (T, 2) 0..1. NaN
    where an end is not known (confidence 0). `confirmed` (T, 2): this end was seen to move with
    the hands, at some time; `interpolated` (T, 2): it was not seen here, but before and after."""

    ends: np.ndarray
    semi_axis: np.ndarray
    confidence: np.ndarray
    confirmed: np.ndarray
    interpolated: np.ndarray


class Bar:
    """Follows the bar. Give it every frame in order (`step`), then ask for `result`."""

    def __init__(self, net: BarNet) -> None:
        self.net = net
        self.rows: list[Row] = []
        # Height, offset (x, y) and semi-axis of every sighting of an end that is followed.
        self.sighted: dict[int, list[tuple[float, float, float, float]]] = {}
        self.proven: set[int] = set()
        self._forget()

    def _forget(self) -> None:
        self.back: deque[FollowedFrame] = deque()
        self.step_px = 1
        self.shot_start = len(self.rows)
        self.ends: list[End | None] = [None, None]
        self.between: np.ndarray | None = None
        self.rest: list[np.ndarray | None] = [None, None]
        self.pending: list[tuple[float, np.ndarray] | None] = [None, None]
        self.square: np.ndarray | None = None
        self.asked_s = -np.inf
        self.paired_at: float | None = None

    # --- the public way in and out ---

    def step(
        self,
        gray: np.ndarray,
        time_s: float,
        hands: Hands | None,
        square: Callable[[], np.ndarray | None],
        shift: np.ndarray,
        cut: bool,
    ) -> None:
        """The next frame. `hands` None where they are not known; `square` is asked, where it is
        needed, for (4,) x0, y0, x1, y1 as `bar_net.athlete_box` gives it, pixels, None if unknown;
        `shift` (2,) pixels by which the background has moved since the shot began; `cut` true if a
        new shot starts here."""
        if cut:
            self._forget()
        if hands is not None and hands.size > LARGEST * self.step_px:
            self._smaller(int(np.ceil(hands.size / LARGEST)))
        shift = np.where(np.isfinite(shift), shift, 0.0)
        whole = FollowedFrame(time_s, gray, hands, shift, len(self.rows))
        frame = whole.shrunk(self.step_px)
        self.rows.append(Row(time_s, frame.shift, self.step_px))
        self.back.append(frame)
        while time_s - self.back[0].time_s > BACK_S:
            self.back.popleft()
        if len(self.back) > 1:
            self._follow(self.ends, frame, self.back[-2])
            self._tear(frame)
            self._part(frame)
        self._ask(frame, square)
        if len(self.back) > 1:
            self._compare(frame)

    def around(self) -> list[np.ndarray]:
        """Boxes (4,) x0, y0, x1, y1 around the ends as last seen and where they may be in the next
        frame, pixels of the frames given."""
        if not self.rows:
            return []
        row = self.rows[-1]
        seen = np.flatnonzero(row.confidence > 0)
        reach = AROUND * row.semi_axis
        return [
            np.concatenate([row.centres[k] - reach[k], row.centres[k] + reach[k]]) * row.per_pixel
            for k in seen
        ]

    def result(self) -> BarTrack:
        count = len(self.rows)
        ends, semi_axis = np.full((count, 2, 2), np.nan), np.full((count, 2), np.nan)
        confidence = np.zeros((count, 2))
        confirmed = np.zeros((count, 2), bool)
        models = {name: _OffsetModel(seen) for name, seen in self.sighted.items()}
        for index, row in enumerate(self.rows):
            for side in (0, 1):
                if row.confidence[side] <= 0:
                    continue
                centre, name = row.centres[side], row.owner[side]
                offset, axis = row.face[side], row.semi_axis[side]
                if name in models:
                    offset, axis = models[name](float(centre[1] - row.shift[1]))
                # Patches count from the middle of the first pixel, frames from its corner.
                ends[index, side] = (centre + offset + 0.5) * row.per_pixel
                semi_axis[index, side] = axis * row.per_pixel
                confidence[index, side] = row.confidence[side]
                confirmed[index, side] = name in self.proven
        one = np.hypot(*(ends[:, 0] - ends[:, 1]).T) < ONE * semi_axis.max(1)
        less = (confirmed + confidence).argmin(1)[one]
        ends[one, less], semi_axis[one, less], confidence[one, less] = np.nan, np.nan, 0.0
        confirmed[one, less] = False
        track = BarTrack(ends, semi_axis, confidence, confirmed, np.zeros((count, 2), bool))
        shift = np.array([row.shift * row.per_pixel for row in self.rows]).reshape(-1, 2)
        _fill_gaps(track, np.array([row.time_s for row in self.rows]), shift)
        return track

    def _smaller(self, step_px: int) -> None:
        """Go on with frames in which `step_px` pixels of those given are one."""
        if step_px % self.step_px:
            step_px = self.step_px * 2
        by = step_px // self.step_px
        self.step_px = step_px
        self.back = deque(old.shrunk(by) for old in self.back)
        names = {name for row in self.rows[self.shot_start :] for name in row.owner}
        for row in self.rows[self.shot_start :]:
            row.shrink(by)
        for name in names & self.sighted.keys():
            self.sighted[name] = [
                (float(coarser(y, by)), dx / by, dy / by, axis / by)
                for y, dx, dy, axis in self.sighted[name]
            ]
        self.ends = [end and end.shrunk(by) for end in self.ends]
        self.between = None if self.between is None else self.between / by
        self.rest = [None if rest is None else coarser(rest, by) for rest in self.rest]
        self.pending = [last and (last[0], coarser(last[1], by)) for last in self.pending]
        self.square = None if self.square is None else self.square / by
        self.paired_at = None

    # --- following ---

    def _follow(self, ends: list[End | None], now: FollowedFrame, before: FollowedFrame) -> None:
        """Move `ends` from `before` to `now` (a neighbour in either direction) and note them."""
        step_s = abs(now.time_s - before.time_s)
        for side, end in enumerate(ends):
            if end is None:
                continue
            self._move(end, side, ends[1 - side], now, before, step_s)
            if end.correlation >= LOST and _inside(end.centre, now.gray, 0.5 * end.half_width):
                end.lost_s = 0.0
                self._note(end, side, now)
            else:
                end.lost_s += step_s
        left, right = ends
        if left and right and min(left.correlation, right.correlation) >= GOOD:
            way = right.centre - left.centre
            self.between = (
                way if self.between is None else self.between + 0.1 * (way - self.between)
            )

    def _move(
        self,
        end: End,
        side: int,
        other: End | None,
        now: FollowedFrame,
        before: FollowedFrame,
        step_s: float,
    ) -> None:
        background = now.shift - before.shift
        metre = end.semi_axis / PLATE_M
        places: list[tuple[np.ndarray, float]] = []
        if end.seen:
            places.append(end.patch.fine(now.gray, end.centre + end.velocity * step_s))
            if places[0][1] < AT_REST:  # it may have stopped: not so far on as it was fast
                places.append(end.patch.fine(now.gray, end.centre + background))
            if max(alike for _, alike in places) < GOOD:
                speed = np.abs(end.velocity) * step_s
                # As far again as it came (a bounce), what a fall adds, and a third of a plate.
                reach = 0.35 * end.semi_axis + 1.2 * speed + 4 * G * metre * step_s**2
                places.append(end.patch.search(now.gray, end.centre + background, reach))
        else:
            end.centre = end.centre + background
            guesses = [] if end.spoiled else self._guesses(end, side, other, now)
            for guess, reach in guesses:
                places.append(end.patch.search(now.gray, guess, np.full(2, reach)))
        centre, score = max(places, key=lambda place: place[1], default=(end.centre, -1.0))
        end.correlation = score if end.seen or score >= RESUME else min(score, 0.0)
        if end.correlation < LOST:
            end.velocity = np.zeros(2)
            return
        if end.seen:
            measured = (centre - end.centre) / max(step_s, 1e-3)
            end.velocity = np.clip(measured, -TOP_SPEED * metre, TOP_SPEED * metre)
        end.centre = centre

    def _guesses(
        self, end: End, side: int, other: End | None, now: FollowedFrame
    ) -> Iterator[tuple[np.ndarray, float]]:
        """Where a lost end may be, and how far around: where it got lost; and, unless the network
        looks for it anyway, now and then on the bar with the other end, and where it last lay."""
        yield end.centre, end.semi_axis * (0.3 if end.lost_s > 0.3 else 1.0)
        if abs(now.time_s - self.asked_s) < ASK_S[0] or (end.lost_s > 0.3 and now.index % 5):
            return
        if other is not None and other.seen and self.between is not None:
            yield other.centre + self.between * (1 if side == 1 else -1), 0.6 * end.semi_axis
        rest = self.rest[side]
        if rest is not None:
            yield rest + now.shift, 0.4 * end.semi_axis

    def _note(self, end: End, side: int, now: FollowedFrame) -> None:
        row = self.rows[now.index]
        row.centres[side], row.semi_axis[side] = end.centre, end.semi_axis
        row.face[side] = end.offset
        row.confidence[side] = float(np.clip((end.correlation - 0.4) / 0.55, 0.01, 1.0))
        row.owner[side] = end.name
        end.blend(now.gray)
        if np.hypot(*end.velocity) < 0.05 * end.semi_axis / PLATE_M:
            self.rest[side] = end.centre - now.shift

    def _tear(self, now: FollowedFrame) -> None:
        """Where the two ends do not move like one bar, let go of the one less like itself."""
        left, right = self.ends
        if left is None or right is None or not (left.seen and right.seen):
            return
        then = next((old for old in reversed(self.back) if now.time_s - old.time_s >= TEAR_S), None)
        if then is None or self.rows[then.index].owner != [left.name, right.name]:
            return
        ways = np.array([left.centre, right.centre]) - self.rows[then.index].centres
        ways -= now.shift - then.shift
        room = TEAR * np.hypot(*ways.T).max() + TEAR_PLATE * max(left.semi_axis, right.semi_axis)
        if np.hypot(*(ways[0] - ways[1])) <= room:
            return
        # The one the network denies, that was never carried, that is less like itself.
        trust = [(-end.denials, end.confirmed, end.correlation) for end in (left, right)]
        side = trust.index(min(trust))
        self._retract(side, then.index)

    def _part(self, now: FollowedFrame) -> None:
        """Where both ends follow one plate, let go of the one that came to it last."""
        left, right = self.ends
        if left is None or right is None or not (left.seen and right.seen):
            return
        faces = [end.centre + end.offset for side, end in enumerate((left, right))]
        if not _is_one(faces[0], faces[1], max(left.semi_axis, right.semi_axis)):
            return
        together = now.index
        names = [left.name, right.name]
        while together > self.shot_start:
            row = self.rows[together - 1]
            faces = list(row.centres + row.face)
            near = _is_one(faces[0], faces[1], float(row.semi_axis.max()))
            if row.owner != names or not near:
                break
            together -= 1
        first, before = self.rows[together], self.rows[max(together - 1, self.shot_start)]
        ways = first.centres - before.centres - (first.shift - before.shift)
        # It jumped there or is new there, was never carried, is questioned.
        trust = []
        for side, end in enumerate((left, right)):
            step_s = first.time_s - before.time_s
            reach = SAME * end.semi_axis + TOP_SPEED * end.semi_axis / PLATE_M * step_s
            jumped = before.owner[side] != end.name or bool(np.hypot(*ways[side]) > reach)
            trust.append((not jumped, end.confirmed, -end.denials, -end.name))
        self._retract(trust.index(min(trust)), together - 1)

    def _retract(self, side: int, after: int) -> None:
        """Take back what was said about an end in the frames after index `after`: it is lost, and
        what was followed there is not how it looks."""
        end = self.ends[side]
        if end is None:
            return
        for row in self.rows[max(0, after + 1) :]:
            if row.owner[side] == end.name:
                row.clear(side)
        end.lost_s, end.velocity, end.idle, end.denials = 1.0, np.zeros(2), 0.0, 0
        end.spoiled, self.rest[side] = True, None

    def _disown(self, side: int) -> None:
        """Take back all that was said about an end that is none."""
        self._retract(side, -1)
        self.ends[side], self.between = None, None

    # --- what the network says ---

    def _ask(self, now: FollowedFrame, around: Callable[[], np.ndarray | None]) -> None:
        seen = [end for end in self.ends if end and end.seen]
        well = [end for end in seen if end.correlation >= GOOD and not end.denials]
        if now.time_s - self.asked_s < ASK_S[2 - len(well)] - 0.01:
            return
        square = around()
        if square is not None:
            square = square / self.step_px
        elif self.square is not None:  # nobody is seen: look where somebody was
            square = self.square + np.tile(now.shift, 2)
        else:
            return
        self.asked_s = now.time_s
        # The athlete may walk off while the bar lies there: then look where they were.
        if self.square is None or not seen or all(_holds(square, end.centre) for end in seen):
            self.square = square - np.tile(now.shift, 2)
        sighting = self.net.find(now.gray, self.square + np.tile(now.shift, 2))
        fresh = [self._sighted(side, sighting, now) for side in (0, 1)]
        if any(fresh):
            self._look_back(fresh, now)

    def _sighted(self, side: int, sighting: BarSighting, now: FollowedFrame) -> bool:
        """Take one end of a sighting into account; true if it starts a new end."""
        sure, axis = float(sighting.confidence[side]), float(sighting.semi_axis_px[side])
        face = sighting.ends_px[side] - 0.5
        before, self.pending[side] = self.pending[side], None
        end = self.ends[side]
        if sure < CONFIDENT or not _inside(face, now.gray, 0.5 * axis):
            return False
        if self._is_others(side, face, axis):
            return False
        self.pending[side] = (now.time_s, face)
        steady = self._steady(before, face, axis, now)
        if end is not None and end.seen:
            if np.hypot(*(face - end.centre - end.offset)) <= SAME * axis:
                self._record(end, face, axis, now)
                if end.correlation < GOOD:
                    end.patch.relearn(now.gray, end.centre)
                return False
            end.denials += sure >= SURE
            # What is followed well and has been carried is not given up at one word.
            enough = DOUBTS if end.correlation >= GOOD else 1
            if end.denials < enough or not steady:
                return False
            self._retract(side, max(end.agreed, end.last_along))
        elif end is not None and not end.spoiled:
            at, alike = end.patch.search(now.gray, face - end.offset, np.full(2, 0.3 * axis))
            if alike >= RESUME:
                end.centre, end.correlation, end.lost_s = at, alike, 0.0
                end.velocity = np.zeros(2)
                self._note(end, side, now)
                self._record(end, face, axis, now)
                return False
        if not steady:
            return False
        outwards = None
        if sighting.confidence[1 - side] >= CONFIDENT:
            outwards = sighting.ends_px[side] - sighting.ends_px[1 - side]
        elif now.hands is not None:
            outwards = 2 * (face - now.hands.middle)
        new = from_sighting(now.gray, face, axis, side, outwards)
        if end is not None and self._may_be(end, new):
            new.carried, new.last_along = end.carried, end.last_along
            if end.confirmed:
                self.proven.add(new.name)
        self.ends[side] = new
        self._record(new, face, axis, now)
        return True

    def _is_others(self, side: int, face: np.ndarray, axis: float) -> bool:
        """Whether a sighting is of the plate followed as the other end, and not of this one's."""
        own, other = self.ends[side], self.ends[1 - side]
        if other is None or not other.seen:
            return False
        there = other.centre + other.offset
        if not _is_one(face, there, max(axis, other.semi_axis)):
            return False
        if own is None or not own.seen:
            return True
        here = own.centre + own.offset
        return bool(np.hypot(*(face - there)) < np.hypot(*(face - here)))

    @staticmethod
    def _may_be(end: End, new: End) -> bool:
        """Whether `new` can be `end` found again: no farther off than it can have gone since."""
        reach = NEXT + TOP_SPEED / 2 / PLATE_M * min(end.lost_s, 0.5)
        return bool(np.hypot(*(new.centre - end.centre)) <= reach * new.semi_axis)

    def _steady(
        self,
        before: tuple[float, np.ndarray] | None,
        face: np.ndarray,
        axis: float,
        now: FollowedFrame,
    ) -> bool:
        """Whether the sighting before, just before, was of the same thing."""
        if before is None or now.time_s - before[0] > 2.5 * ASK_S[1]:
            return False
        return bool(np.hypot(*(face - before[1])) <= NEXT * axis)

    def _record(self, end: End, face: np.ndarray, axis: float, now: FollowedFrame) -> None:
        end.denials, end.agreed = 0, now.index
        seen = self.sighted.setdefault(end.name, [])
        way = face - end.centre
        seen.append((float(end.centre[1] - now.shift[1]), float(way[0]), float(way[1]), axis))
        # What is told later uses all sightings (`result`); for now the last few do.
        last = np.median(np.array(seen[-9:]), axis=0)
        end.offset, end.semi_axis = last[1:3], float(last[3])

    # --- what the hands say ---

    def _compare(self, now: FollowedFrame) -> None:
        """Compare the ends with the hands, where those move up or down."""
        pair = self._pair(now)
        if pair is None or now.hands is None:
            return
        then, travel, background = pair
        step = PAIR_STEP if self.paired_at is None else self._hand_step(now)
        self.paired_at = float(now.hands.middle[1])
        rates = [self._rate(side, now, then, travel[1], background[1]) for side in (0, 1)]
        along = [ALONG[0] < rate < ALONG[1] for rate in rates]
        for side, end in enumerate(self.ends):
            if end is None:
                continue
            if along[side]:
                end.carried, end.idle, end.last_along = end.carried + step, 0.0, now.index
                if end.confirmed:
                    self.proven.add(end.name)
            elif abs(rates[side]) < STILL:
                end.idle += step
                if along[1 - side] and end.idle > TORN:
                    if end.confirmed:
                        self._retract(side, end.last_along)
                    else:
                        self._disown(side)
        if any(along):
            self.paired_at = None

    def _pair(self, now: FollowedFrame) -> tuple[FollowedFrame, np.ndarray, np.ndarray] | None:
        """The last frame before `now` since which the hands moved far enough up or down, the
        hands' way and the background's, both (2,) pixels; None if there is none or it is too soon
        after the pair before."""
        if now.hands is None:
            return None
        size = now.hands.size
        if self.paired_at is not None and self._hand_step(now) < PAIR_STEP:
            return None
        for then in islice(reversed(self.back), 1, None):
            if now.time_s - then.time_s > PAIR_S or then.hands is None:
                return None
            background = now.shift - then.shift
            travel = now.hands.middle - then.hands.middle - background
            if abs(travel[1]) >= HAND_TRAVEL * size:
                upright = abs(travel[1]) > abs(travel[0]) and np.hypot(*background) < size
                return (then, travel, background) if upright else None
        return None

    def _hand_step(self, now: FollowedFrame) -> float:
        """How far the hands moved since the last pair, in body lengths."""
        assert now.hands is not None
        assert self.paired_at is not None
        return abs(float(now.hands.middle[1]) - self.paired_at) / now.hands.size

    def _rate(
        self,
        side: int,
        now: FollowedFrame,
        then: FollowedFrame,
        hand_travel: float,
        background: float,
    ) -> float:
        """An end's way up or down as a share of the hands' way; NaN if it is not known."""
        new, old = self.rows[now.index], self.rows[then.index]
        if new.owner[side] != old.owner[side]:
            return np.nan
        return float((new.centres[side, 1] - old.centres[side, 1] - background) / hand_travel)

    def _look_back(self, fresh: list[bool], now: FollowedFrame) -> None:
        """Note the ends that are `fresh`, and follow them back through the frames on hand, up to
        where something is known already."""
        twins: list[End | None] = [None, None]
        for side, end in enumerate(self.ends):
            if end is not None and fresh[side]:
                self._note(end, side, now)
                twins[side] = end.copy()
        pictures, between = list(self.back), self.between
        for later, earlier in zip(pictures[::-1], pictures[-2::-1], strict=False):
            for side, twin in enumerate(twins):
                known = self.rows[earlier.index].confidence[side] > 0
                if twin is not None and (known or twin.lost_s > GIVE_UP_S):
                    twins[side] = None
            if not any(twins):
                break
            self._follow(twins, earlier, later)
        self.between = between


class _OffsetModel:
    """From an end's followed place to its outer face and size, as the network saw them: constants,
    or straight lines over height where the end was seen at many heights (perspective)."""

    def __init__(self, sightings: list[tuple[float, float, float, float]]) -> None:
        table = np.array(sightings)
        self._middle = np.median(table, axis=0)
        self._slope = np.zeros(3)
        self._low, self._high = table[:, 0].min(), table[:, 0].max()
        if len(table) >= ENOUGH and self._high - self._low > SPREAD * self._middle[3]:
            x, y = table[:, 0] - self._middle[0], table[:, 1:] - self._middle[1:]
            weight = np.ones_like(y)
            for _ in range(5):
                mean_x = (weight * x[:, None]).sum(0) / weight.sum(0)
                mean_y = (weight * y).sum(0) / weight.sum(0)
                apart = x[:, None] - mean_x
                slope = (weight * apart * (y - mean_y)).sum(0) / (weight * apart**2).sum(0)
                rest = np.abs(y - mean_y - slope * apart)
                scale = np.maximum(1.5 * np.median(rest, axis=0), 1e-3)
                weight = 1 / np.maximum(1.0, rest / scale)
            self._slope = slope
            self._middle[1:] += mean_y - slope * mean_x

    def __call__(self, height: float) -> tuple[np.ndarray, float]:
        """((2,) offset, semi-axis) where the patch is at `height`."""
        height = float(np.clip(height, self._low, self._high))
        value = self._middle[1:] + self._slope * (height - self._middle[0])
        return value[:2], float(value[2])


def _fill_gaps(track: BarTrack, time_s: np.ndarray, shift: np.ndarray) -> None:
    """Fill short gaps: where an end is at the same place before and after, it lay there, hidden;
    where the other end is known, the bar is rigid."""
    known = track.confidence > 0
    for side in (0, 1):
        for start, end in pairwise(np.flatnonzero(known[:, side])):
            gap_s = time_s[end] - time_s[start]
            if end - start < 2 or gap_s > HIDDEN_S:
                continue
            inner = slice(start + 1, end)
            if gap_s <= RIGID_S and known[start : end + 1, 1 - side].all():
                base = track.ends[:, 1 - side]
            else:
                base = shift
            ends = (track.ends[:, side] - base)[[start, end]]
            axis = float(track.semi_axis[[start, end], side].mean())
            still = base is shift and np.hypot(*(ends[1] - ends[0])) <= SAME_PLACE * axis
            if base is shift and not still and gap_s > BLINK_S:
                continue
            part = (time_s[inner] - time_s[start]) / gap_s
            track.ends[inner, side] = ends[0] + part[:, None] * (ends[1] - ends[0]) + base[inner]
            track.semi_axis[inner, side] = axis
            track.confidence[inner, side] = HIDDEN_CONFIDENCE
            track.confirmed[inner, side] = track.confirmed[[start, end], side].all()
            track.interpolated[inner, side] = True


def _is_one(left: np.ndarray, right: np.ndarray, semi_axis: float) -> bool:
    return bool(np.hypot(*(left - right)) < ONE * semi_axis)


def _holds(square: np.ndarray, point: np.ndarray) -> bool:
    x0, y0, x1, y1 = square
    return bool(x0 <= point[0] <= x1 and y0 <= point[1] <= y1)


def _inside(centre: np.ndarray, gray: np.ndarray, margin: float) -> bool:
    height, width = gray.shape
    inside_x = -margin <= centre[0] < width + margin
    return bool(inside_x and -margin <= centre[1] < height + margin)
