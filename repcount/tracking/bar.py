"""The bar's two ends, picture by picture.

The plates are found by their moving with the hands (`plates`), learned from the pictures in which
they did, and from then on followed by their looks alone: held, falling, bouncing, lying on the
floor; and backwards through the last seconds, to where they lay before the first lift.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

import cv2
import numpy as np

from repcount.tracking.outline import DISC, Outline, find_outline
from repcount.tracking.patch import Patch, cut_out
from repcount.tracking.plates import (
    HAND_TRAVEL,
    PAIR_S,
    Hands,
    Plate,
    Votes,
)

# Pictures kept to look back on, in seconds.
BACK_S = 12.0
# Likeness (weighted correlation with the learned look): at rest it is above 0.95; half a picture's
# worth of motion blur leaves about 0.7. Below GOOD a wider search is made, below LOST nothing is
# given: other things that look like plates reach 0.5.
GOOD = 0.8
LOST = 0.6
# How fast a plate can go, and change its mind at a bounce (m/s; a drop from overhead lands at 6).
G = 9.81
PLATE_M = 0.225
TOP_SPEED = 6.5
# Between the outer faces of the plates: 1.31 m between the sleeves' collars (men's and women's bars
# alike) and some 6 cm of plates a side.
BAR_LENGTH_M = 1.43
# Both ends belong to one bar: the way from one to the other may change by this share of itself from
# picture to picture's neighbourhood (tilt, turn, perspective).
STRETCH = 0.25
# A new look is blended in by this much, at most this often, only while likeness is high.
BLEND = 0.1
BLEND_EVERY = 5
# An outline counts if its score says that at least half of it is seen as an edge, net of edges
# beyond it.
CLEAR = 0.5
# After how many pairs to look for plates: both at first, at last one is enough.
TRIES = (6, 9, 12, 16, 20)
# A nearer athlete is followed on smaller pictures: a body length (0.5 m) of this many pixels makes
# the crossing level of 1.75 cm two pixels and a half, which is plenty for a fit to a twentieth of a
# pixel, and keeps patches small. Pictures are shrunk where it has more than LARGEST.
BODY_PX, LARGEST = 70.0, 90.0
# The looks are learned from pictures that go back this far.
LEARN_S = 1.0
# Pairs are taken this much hand travel apart (body lengths), so that they see different places.
PAIR_STEP = 0.06
STALE_S = 6.0


@dataclass
class Picture:
    """A picture on hand: `gray` (H, W), its time, the hands if known, and `shift` (2,) pixels by
    which the background has moved since the shot began."""

    time_s: float
    gray: np.ndarray
    hands: Hands | None
    shift: np.ndarray
    index: int


@dataclass
class End:
    """One end while it is followed: what to look for, the plates' outline, where its middle is."""

    patch: Patch
    outline: Outline
    centre: np.ndarray
    velocity: np.ndarray = field(default_factory=lambda: np.zeros(2))
    likeness: float = 1.0
    lost_s: float = 0.0
    since_blend: int = 0

    @property
    def semi_axis(self) -> float:
        return self.outline.semi_axis

    def copy(self) -> End:
        twin = End(Patch(self.patch.look, self.patch.weight), self.outline, self.centre)
        twin.velocity = self.velocity.copy()
        return twin


@dataclass
class BarTrack:
    """What was found, for the pictures of one pass. In pixels of the pictures followed: `ends`
    (T, 2, 2) picture, left and right, x and y; `semi_axis` (T, 2); `confidence` (T, 2) 0..1. NaN
    where an end is not known (confidence 0)."""

    ends: np.ndarray
    semi_axis: np.ndarray
    confidence: np.ndarray


class Bar:
    """Follows the bar. Give it every picture in order (`step`), then ask for `result`."""

    def __init__(self) -> None:
        self.back: deque[Picture] = deque()
        self.shrink = 1.0
        self.per_pixel = np.ones(2)
        self.rows: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        self.ends: list[End | None] = [None, None]
        self.between: np.ndarray | None = None
        self.grip: list[np.ndarray | None] = [None, None]
        self.rest: list[np.ndarray | None] = [None, None]
        self.votes = Votes()
        self.voted_at: float | None = None
        self.voted_s = -np.inf

    # --- the public way in and out ---

    def step(
        self,
        gray: np.ndarray,
        time_s: float,
        hands: Hands | None,
        shift: np.ndarray,
        cut: bool,
    ) -> None:
        """The next picture. `hands` None where they are not known; `shift` as in `Picture`; `cut`
        true if a new shot starts here."""
        if cut:
            self._forget()
        if hands is not None and hands.size * self.shrink > LARGEST:
            self._smaller(BODY_PX / hands.size)
        given = gray.shape
        if self.shrink < 1:
            gray = _shrunk(gray, self.shrink)
            hands = None if hands is None else hands.scaled(self.shrink)
        # Sides are whole pixels: the picture may be shrunk a little more along one.
        self.per_pixel = np.array([given[1] / gray.shape[1], given[0] / gray.shape[0]])
        shift = np.where(np.isfinite(shift), shift, 0.0) / self.per_pixel
        picture = Picture(time_s, gray, hands, shift, len(self.rows))
        self.back.append(picture)
        while time_s - self.back[0].time_s > BACK_S:
            self.back.popleft()
        self.rows.append((np.full((2, 2), np.nan), np.full(2, np.nan), np.zeros(2)))
        if len(self.back) > 1:
            self._follow(self.ends, picture, self.back[-2])
            self._vote(picture)

    def result(self) -> BarTrack:
        if not self.rows:
            return BarTrack(np.zeros((0, 2, 2)), np.zeros((0, 2)), np.zeros((0, 2)))
        ends, semi_axis, confidence = (np.stack(parts) for parts in zip(*self.rows, strict=True))
        return BarTrack(ends, semi_axis, confidence)

    def _smaller(self, shrink: float) -> None:
        """Go on with pictures shrunk to `shrink` times the size given."""
        by = shrink / self.shrink
        self.back = deque(
            Picture(
                old.time_s,
                _shrunk(old.gray, by),
                None if old.hands is None else old.hands.scaled(by),
                old.shift * by,
                old.index,
            )
            for old in self.back
        )
        self.shrink = shrink
        self.ends, self.between = [None, None], None
        self.grip, self.rest = [None, None], [None, None]
        self._new_votes()

    def _forget(self) -> None:
        self.back.clear()
        self.shrink = 1.0
        self.ends = [None, None]
        self.between = None
        self.grip, self.rest = [None, None], [None, None]
        self._new_votes()

    # --- following ---

    def _follow(self, ends: list[End | None], now: Picture, before: Picture) -> None:
        """Move `ends` from `before` to `now` (a neighbour in either direction) and note them."""
        step_s = abs(now.time_s - before.time_s)
        for side, end in enumerate(ends):
            if end is not None:
                self._move(end, side, ends[1 - side], now, before, step_s)
        self._agree(ends, now)
        for side, end in enumerate(ends):
            if end is None:
                continue
            if end.likeness >= LOST and _inside(end.centre, now.gray):
                self._note(end, side, now)
                end.lost_s = 0.0
            else:
                end.lost_s += step_s
        left, right = ends
        if left and right and min(left.likeness, right.likeness) >= GOOD:
            way = right.centre - left.centre
            self.between = (
                way if self.between is None else self.between + 0.1 * (way - self.between)
            )

    def _move(
        self,
        end: End,
        side: int,
        other: End | None,
        now: Picture,
        before: Picture,
        step_s: float,
    ) -> None:
        background = now.shift - before.shift
        metre = end.semi_axis / PLATE_M
        places: list[tuple[np.ndarray, float]] = []
        if end.lost_s == 0.0:
            centre, score = end.patch.fine(now.gray, end.centre + end.velocity * step_s)
            places.append((centre, score))
            if score < GOOD:
                speed = np.abs(end.velocity) * step_s
                # As far again as it came (a bounce), what a fall adds, and a third of a plate.
                reach = 0.35 * end.semi_axis + 1.2 * speed + 4 * G * metre * step_s**2
                places.append(end.patch.search(now.gray, end.centre + background, reach))
        else:
            for guess, reach in self._guesses(end, side, other, now):
                places.append(end.patch.search(now.gray, guess, reach))
        centre, score = max(places, key=lambda place: place[1], default=(end.centre, -1.0))
        end.likeness = score
        if score < LOST:
            end.velocity = np.zeros(2)
            return
        if end.lost_s == 0.0:
            measured = (centre - end.centre) / max(step_s, 1e-3)
            end.velocity = np.clip(measured, -TOP_SPEED * metre, TOP_SPEED * metre)
        end.centre = centre

    def _guesses(
        self, end: End, side: int, other: End | None, now: Picture
    ) -> Iterable[tuple[np.ndarray, np.ndarray]]:
        """Where a lost end may be, and how far around: where it got lost, on the bar with the other
        end, where the hands hold it, where it last lay."""
        wide = np.full(2, 1.0) * end.semi_axis
        yield end.centre, wide * (0.5 if end.lost_s > 0.3 else 1.5)
        if other is not None and other.lost_s == 0.0 and self.between is not None:
            yield other.centre + self.between * (1 if side == 1 else -1), 0.6 * wide
        grip = self.grip[side]
        if now.hands is not None and grip is not None:
            yield now.hands.middle + grip, 0.8 * wide
        rest = self.rest[side]
        if rest is not None:
            yield rest + now.shift, 0.5 * wide

    def _agree(self, ends: list[End | None], now: Picture) -> None:
        """Where the two ends do not make the bar, let go of the one that looks less like itself."""
        left, right = ends
        if left is None or right is None or self.between is None:
            return
        if min(left.likeness, right.likeness) < LOST:
            return
        apart = np.hypot(*(right.centre - left.centre - self.between))
        room = STRETCH * np.hypot(*self.between) + 0.5 * max(left.semi_axis, right.semi_axis)
        if apart > room:
            worse = left if left.likeness < right.likeness else right
            worse.likeness = 0.0

    def _note(self, end: End, side: int, now: Picture) -> None:
        ends, semi_axis, confidence = self.rows[now.index]
        # Patches count from the middle of the first pixel, pictures from its corner.
        ends[side] = (end.centre + self._to_face(end, side) + 0.5) * self.per_pixel
        semi_axis[side] = end.semi_axis * self.per_pixel[1]
        confidence[side] = float(np.clip((end.likeness - 0.4) / 0.55, 0.0, 1.0))
        end.since_blend += 1
        if end.likeness > GOOD and end.since_blend >= BLEND_EVERY:
            seen = cut_out(now.gray, end.centre, end.patch.size)
            end.patch.renew((1 - BLEND) * end.patch.look + BLEND * seen)
            end.since_blend = 0
        metre = end.semi_axis / PLATE_M
        if np.hypot(*end.velocity) < 0.05 * metre:
            self.rest[side] = end.centre - now.shift

    def _to_face(self, end: End, side: int) -> np.ndarray:
        """(2,) from the middle of the plates' outline to the middle of the outer face, which lies
        farther out along the bar: where the bar ends, less the face's own half width."""
        if self.between is None:
            return np.zeros(2)
        length = float(np.hypot(*self.between))
        # The bar's foreshortening tells how wide the face is seen: edge-on at full length.
        full = BAR_LENGTH_M / PLATE_M * end.semi_axis
        face = end.semi_axis * np.sqrt(max(0.0, 1 - (length / full) ** 2))
        out = max(0.0, end.outline.half_width - face)
        return self.between / length * (out if side == 1 else -out)

    # --- finding ---

    def _vote(self, now: Picture) -> None:
        """Look whether the hands carry plates, where that is not known already."""
        if now.hands is None or not self._doubtful(now):
            return
        if now.time_s - self.voted_s > STALE_S:
            self._new_votes()
        hands, size = now.hands, now.hands.size
        if self.voted_at is not None and abs(hands.middle[1] - self.voted_at) < PAIR_STEP * size:
            return
        for then in reversed(list(self.back)[:-1]):
            if now.time_s - then.time_s > PAIR_S or then.hands is None:
                return
            background = now.shift - then.shift
            travel = hands.middle - then.hands.middle - background
            if abs(travel[1]) >= HAND_TRAVEL * size:
                break
        else:
            return
        if abs(travel[1]) < abs(travel[0]) or np.hypot(*background) > size:
            return
        self.votes.add(then.gray, now.gray, then.hands, hands, background)
        self.voted_at, self.voted_s = float(hands.middle[1]), now.time_s
        if self.votes.pairs not in TRIES:
            return
        pictures = list(self.back)
        ends = [
            None if plate is None else learn(plate, pictures, now)
            for plate in self.votes.plates(hands)
        ]
        clear = [end if end and end.outline.score >= CLEAR else None for end in ends]
        last = self.votes.pairs == TRIES[-1]
        if all(clear) or (last and any(clear)):
            self._found(clear, now)
        if all(clear) or last:
            self._new_votes()

    def _doubtful(self, now: Picture) -> bool:
        return all(end is None or end.lost_s > 0.3 for end in self.ends)

    def _new_votes(self) -> None:
        self.votes, self.voted_at = Votes(), None

    def _found(self, found: list[End | None], now: Picture) -> None:
        """Take over the ends found, and follow them back through the pictures on hand."""
        for side, end in enumerate(found):
            if end is not None and now.hands is not None:
                self.ends[side] = end
                self.grip[side] = end.centre - now.hands.middle
        left, right = self.ends
        self.between = right.centre - left.centre if left and right else None
        for side, end in enumerate(self.ends):
            if end is not None:
                self._note(end, side, now)
        twins = [None if end is None else end.copy() for end in self.ends]
        pictures = list(self.back)
        for later, earlier in zip(pictures[::-1], pictures[-2::-1], strict=False):
            if any(
                twin is not None and self.rows[earlier.index][2][side] > 0
                for side, twin in enumerate(twins)
            ):
                break
            if all(twin is None or twin.lost_s > 1.0 for twin in twins):
                break
            self._follow(twins, earlier, later)


def learn(plate: Plate, pictures: list[Picture], now: Picture) -> End:
    """The looks and outline of `plate`, which is about at `plate.centre` in `now`, the last of
    `pictures`: laid over each other as it moves, the pictures show it sharp."""
    first = _odd(np.array([max(plate.half_width, 0.3 * plate.semi_axis), plate.semi_axis]) * 1.1)
    disc = Outline((first - 1) / 2, first[0] / 2 - 1, first[1] / 2 - 1, DISC, 0.0)
    patch = Patch(
        cut_out(now.gray, plate.centre, (int(first[0]), int(first[1]))),
        disc.weight(list(first[::-1]), 0.0),
    )
    centres, after = [np.array(plate.centre, float)], now
    for picture in pictures[-2::-1]:
        if now.time_s - picture.time_s > LEARN_S or picture.hands is None or after.hands is None:
            break
        guess = centres[-1] + picture.hands.middle - after.hands.middle
        centre, score = patch.search(picture.gray, guess, np.full(2, 0.35 * plate.semi_axis))
        if score < LOST:
            break
        centres.append(centre)
        if score > GOOD:
            seen = cut_out(picture.gray, centre, patch.size)
            patch.renew((1 - 2 * BLEND) * patch.look + 2 * BLEND * seen)
        after = picture
    wide = _odd(np.full(2, 1.7 * plate.semi_axis))
    stack = np.stack(
        [
            cut_out(picture.gray, centre, (int(wide[0]), int(wide[1])))
            for picture, centre in zip(pictures[::-1], centres, strict=False)
        ]
    )
    corner = centres[0] - (wide - 1) / 2
    outline = find_outline(
        stack.mean(0),
        stack.std(0),
        _within(now.gray, corner, wide),
        plate.half_width,
        plate.semi_axis,
    )
    away = outline.centre - (wide - 1) / 2
    size = _odd(np.array([outline.half_width, outline.semi_axis]) + 4)
    centred = Outline(
        (size - 1) / 2, outline.half_width, outline.semi_axis, outline.form, outline.score
    )
    looks = [
        cut_out(picture.gray, centre + away, (int(size[0]), int(size[1])))
        for picture, centre in zip(pictures[::-1], centres, strict=False)
    ]
    inside = _within(now.gray, centres[0] + away - (size - 1) / 2, size)
    found = Patch(np.mean(looks, axis=0), centred.weight(list(size[::-1]), 1.5) * inside)
    at, _ = found.fine(now.gray, centres[0] + away)
    return End(found, outline, at)


def _within(gray: np.ndarray, corner: np.ndarray, size: np.ndarray) -> np.ndarray:
    """(H, W) bool: which pixels of a patch of `size` (width, height) with its first pixel at
    `corner` (x, y) lie within the picture."""
    x, y = corner[0] + np.arange(size[0]), corner[1] + np.arange(size[1])
    inside_x = (x >= 0) & (x <= gray.shape[1] - 1)
    inside_y = (y >= 0) & (y <= gray.shape[0] - 1)
    return inside_y[:, None] & inside_x[None, :]


def _shrunk(gray: np.ndarray, by: float) -> np.ndarray:
    """`gray` made smaller, `by` times the size."""
    size = (round(gray.shape[1] * by), round(gray.shape[0] * by))
    return np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA))


def _odd(half: np.ndarray) -> np.ndarray:
    """(width, height) of a patch that reaches `half` pixels from its middle pixel."""
    return 2 * np.ceil(half).astype(int) + 1


def _inside(centre: np.ndarray, gray: np.ndarray) -> bool:
    height, width = gray.shape
    return bool(0 <= centre[0] < width and 0 <= centre[1] < height)
