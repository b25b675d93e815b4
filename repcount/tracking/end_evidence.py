"""What speaks for a tracklet being the bar's end, and for two being the ends of one bar.

All are logarithms of ratios of likelihoods, to the end being hidden. What is seen from frame to
frame is far from independent: what counts as one witness is what lies within `WITNESS_S`. Numbers
without a source are assumptions; what a fifth more or less of each changes is measured in
`tests/accuracy/README.md`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from repcount.tracking.bar_net import Candidate
from repcount.tracking.course import Course
from repcount.tracking.end import LOST, PLATE_M, SAME, EndTracklet
from repcount.tracking.hands import FALLING, Hands, held
from repcount.tracking.offsets import OffsetModel

Array = np.ndarray

# Looks and ways within this long are one witness: an end that the network overlooks it overlooks
# for about so long.
WITNESS_S = 0.5
# How often the network overlooks an end that is followed.
OVERLOOKED = 0.5
# An end is hidden and comes to light again, or is followed by another tracklet, about this often.
CHANGE_S = 1.0
# A tracklet comes to follow something else, or the end only now, about this often.
SLIDE_S = 60.0
# No plate lies beyond the bar's ends (men's bar; IWF TCRR 3.3), however many lie before them.
LONGEST_M = 2.2
# Perspective: how far one end's plates look larger than the other's (standard deviation of the
# logarithm: 1.4 m nearer at most, from 3 m away, is a factor of 1.9), how much longer the bar than
# it is for the nearer plate (bars, plates), and how much farther one end goes than the other.
PLATES_SD, STRETCH_SD, WAYS_SD = 0.32, 0.12, 0.2
# A moving bar's ends go apart all the same where one bounces before the other: in none of some
# 3,900 moments of rendered bars, drops counted in; one in fifty leaves room for others.
SEESAWS = 0.02
# A hand-held camera leaves things moving by so much (semi-axes), and an end at rest is followed to
# this much, as where one tracklet takes over from another.
UNSTEADY, REST = 0.5, 0.1
# How fast a dropped bar goes (m/s): from 2.1 m, overhead, 6.4.
FASTEST_M_S = 6.5
# A size that the network gives is wrong altogether this often.
CHANCE = 0.02
# An end was carried if what its way says of it comes to these odds.
CARRIED = 3.0


@dataclass(frozen=True)
class Look:
    """What the network said of frame `index` in `square` (4,): `candidates` left and right, after
    it had said nothing for `wait_s`."""

    index: int
    square: Array
    candidates: tuple[list[Candidate], list[Candidate]]
    wait_s: float

    @property
    def weight(self) -> float:
        """What part of a witness it is."""
        return min(1.0, self.wait_s / WITNESS_S)

    def tells(self, side: int, face: Array, axis: float) -> float:
        """What it says of an end at `face` (2,)."""
        x0, y0, x1, y1 = self.square
        if not (x0 <= face[0] <= x1 and y0 <= face[1] <= y1):
            return 0.0
        none, here = 1.0, 0.0
        for one in self.candidates[side]:
            way = one.face - 0.5 - face
            here += one.probability * float(np.exp(-0.5 * (way @ way) / (SAME * axis) ** 2))
            none -= one.probability
        none = max(none, 1e-3)
        return float(np.log(here / none + OVERLOOKED))


class ShotSeen:
    """What the frames of one shot have in common, from frame `first` on: `times` (n,), `step_s`
    (n,) apart; `shift` (n, 2) of the background; `hands` (n, 2), how high they are less that, and
    the body length, NaN where they are not known; `looks`, at frames `looked`."""

    def __init__(
        self,
        first: int,
        times: Array,
        shift: Array,
        hands: Sequence[Hands | None],
        looks: Sequence[Look],
    ) -> None:
        self.first, self.times, self.shift, self.looks = first, times, shift, looks
        apart_s = np.gradient(times) if len(times) > 1 else np.zeros(1)
        self.step_s = np.minimum(apart_s, WITNESS_S)
        self.hands = np.array(
            [
                (np.nan, np.nan) if one is None else (one.middle[1] - move[1], one.size)
                for one, move in zip(hands, shift, strict=True)
            ]
        )
        self.looked = np.array([look.index for look in looks], int)


class Followed:
    """A tracklet's arrays: from frame `first` on, `faces` (n, 2) and `axes` (n,) in pixels of the
    frames given, `still` (n, 2) the faces less the background's shift, and what speaks for it."""

    def __init__(self, one: EndTracklet, shot: ShotSeen) -> None:
        self.side, self.first, self.last = one.side, one.first, one.last
        self.looks = len(one.sightings)
        rows = slice(one.first - shot.first, one.last - shot.first + 1)
        shift = shot.shift[rows]
        places = np.array(one.places)
        self.correlations = np.array(one.correlations)
        sightings = [(y - shot.shift[at - shot.first, 1], *way) for at, y, *way in one.sightings]
        offsets, self.axes = OffsetModel(sightings)(places[:, 1] - shift[:, 1])
        self.faces = places + offsets + 0.5
        self.still = self.faces - shift
        self.times, self.step_s = shot.times[rows], shot.step_s[rows]
        self.along = self._along(shot.hands[rows])
        self.weight = self.along + self._seen(shot)

    def held(self, frame: int) -> float:
        """How well it is followed at a frame: 0 where it is lost, 1 where it looks as it did."""
        if not self.first <= frame <= self.last:
            return 0.0
        return float(np.clip((self.correlations[frame - self.first] - LOST) / (1 - LOST), 0, 1))

    def _seen(self, shot: ShotSeen) -> Array:
        """(n,) what the network says, spread over the frames around its looks."""
        here = slice(*np.searchsorted(shot.looked, [self.first, self.last + 1]))
        at = shot.looked[here] - self.first
        if not len(at):
            return np.zeros(len(self.times))
        says = np.array(
            [
                look.tells(self.side, self.faces[k] - 0.5, float(self.axes[k]))
                for look, k in zip(shot.looks[here], at, strict=True)
            ]
        )
        between = (self.times[at][1:] + self.times[at][:-1]) / 2
        near = np.searchsorted(between, self.times)
        close = np.abs(self.times - self.times[at][near]) <= WITNESS_S / 2 + 1e-6
        return tempered(np.where(close, says[near], 0.0), self.times, self.step_s)

    def _along(self, hands: Array) -> Array:
        """(n,) whether it goes with the hands (n, 2): height less the background's, body length."""
        then = np.searchsorted(self.times, self.times - WITNESS_S - 0.01)
        lag = self.times - self.times[then]
        size = hands[:, 1]
        lift = (self.still[:, 1] - self.still[then, 1]) / size
        way = (hands[:, 0] - hands[then, 0]) / size
        known = np.isfinite(way) & (lag > 0.5 * WITNESS_S)
        lift, way = np.where(known, lift, 0.0), np.where(known, way, 0.0)
        says = np.logaddexp(np.log(1 - FALLING) + held(lift, way), np.log(FALLING))
        return tempered(np.where(known, says, 0.0), self.times, self.step_s)


def tempered(says: Array, times: Array, step_s: Array) -> Array:
    """(n,) what is said at each of `times` (n,), `step_s` (n,) apart, as a share of a witness. What
    speaks for an end does so anew each time; what speaks against one, that the network overlooks it
    or the hands go without it, has a cause that lasts: after t seconds it says WITNESS_S /
    (WITNESS_S + t) of what it said at first."""
    turned = (says[1:] < 0) != (says[:-1] < 0)
    began = np.concatenate([[0], np.where(turned, np.arange(1, len(says)), 0)])
    since = times - times[np.maximum.accumulate(began)]
    return says * step_s / (WITNESS_S + np.where(says < 0, since, 0.0))


class Evidence:
    """All that is known of the `tracklets` of a shot, left and right."""

    def __init__(self, tracklets: Sequence[Sequence[EndTracklet]], shot: ShotSeen) -> None:
        self.first, self.times = shot.first, shot.times
        self.sides = [[Followed(one, shot) for one in side] for side in tracklets]
        self._pairs: dict[tuple[int, int], tuple[int, Array]] = {}

    def weigh(self, frame: int, left: Array, right: Array) -> Array:
        """Weights of the joint states at a frame, as `course.best_course` asks for them."""
        table = np.zeros((len(left) + 1, len(right) + 1))
        for side, here in enumerate((left, right)):
            for at, k in enumerate(here):
                one = self.sides[side][k]
                table[(at, slice(None)) if side == 0 else (slice(None), at)] += one.weight[
                    frame - one.first
                ]
        for i, a in enumerate(left):
            for j, b in enumerate(right):
                start, values = self._pair(int(a), int(b))
                table[i, j] += values[frame - start]
        return table

    def _pair(self, a: int, b: int) -> tuple[int, Array]:
        if (a, b) not in self._pairs:
            self._pairs[a, b] = _together(self.sides[0][a], self.sides[1][b])
        return self._pairs[a, b]

    def turn(self, side: int, frame: int, before: Array, now: Array) -> Array:
        """Weights of a side's turns at a frame, as `course.best_course` asks for them."""
        step_s = self.times[frame - self.first] - self.times[frame - self.first - 1]
        change, slide = np.log(step_s / CHANGE_S), np.log(step_s / SLIDE_S)
        # What runs on, or has run before, is the same thing, the surer the better it correlates.
        ends = np.array([slide * self.sides[side][a].held(frame) for a in before] + [0.0])
        starts = np.array([slide * self.sides[side][b].held(frame - 1) for b in now] + [0.0])
        table = ends[:, None] + starts[None, :]
        table[-1, :-1] += change
        table[:-1, -1] += change
        for i, a in enumerate(before):
            for j, b in enumerate(now):
                if a == b:
                    table[i, j] = 0.0
                    continue
                other = self.sides[side][b]
                axis = float(other.axes[frame - other.first])
                apart = _gap(self.sides[side][a], other, frame) / (SAME * axis)
                # At one place one goes over into the other, where one of them begins or ends for
                # sure, else at any time.
                over = change * bool(ends[i] * starts[j]) - 0.25 * apart**2
                table[i, j] = np.logaddexp(table[i, j] + change, over)
        return table

    def sure(self, side: int, course: Course, frame: int, moved: Mapping[int, Array]) -> float:
        """The probability that an end is where the course has it: that of all tracklets there,
        once they are `moved` (2,) as `faces` says."""
        running, chances = course.running[frame][side], course.chances[frame][side]
        followed = [self.sides[side][k] for k in running]
        faces = np.array(
            [
                one.faces[frame + self.first - one.first] + moved.get(int(k), 0.0)
                for k, one in zip(running, followed, strict=True)
            ]
        )
        chosen = int(np.flatnonzero(running == course.path[frame, side])[0])
        axis = followed[chosen].axes[frame + self.first - followed[chosen].first]
        near = np.hypot(*(faces - faces[chosen]).T) <= 2 * SAME * axis
        return float(chances[:-1][near].sum())

    def chains(self, side: int, path: Array) -> Iterator[Array]:
        """The frames of each stretch of a path (T,) that is one thing followed: indices."""
        given = np.flatnonzero(path >= 0)
        start = 0
        for at in range(1, len(given) + 1):
            if at == len(given) or not self._goes_on(side, path, given[at - 1], given[at]):
                yield self.first + given[start:at]
                start = at

    def _goes_on(self, side: int, path: Array, before: int, now: int) -> bool:
        first = self.first
        if path[before] == path[now]:
            return True
        one, other = self.sides[side][path[before]], self.sides[side][path[now]]
        axis = float(other.axes[now + first - other.first])
        if now == before + 1:
            return _gap(one, other, now + first) <= 2 * SAME * axis
        wait_s = self.times[now] - self.times[before]
        way = other.still[now + first - other.first] - one.still[before + first - one.first]
        fallen = FASTEST_M_S * wait_s / PLATE_M if wait_s < WITNESS_S else 0.0
        return bool(np.hypot(*way) <= (2 * SAME + fallen) * axis)

    def faces(self, side: int, path: Array, chain: Array) -> tuple[Array, dict[int, Array]]:
        """(n, 2) the outer face in the frames of a chain, without steps from one tracklet to the
        next: each has its own sightings by the network, and how they lie to each other is known far
        better where one takes over from another. And by how much (2,) each tracklet is moved."""
        numbers = path[chain - self.first]
        starts = np.flatnonzero(np.diff(numbers, prepend=-1))
        pieces = [self.sides[side][k] for k in numbers[starts]]
        step = np.full((len(pieces), 2), np.nan)
        for at, (one, other) in enumerate(pairwise(pieces), start=1):
            frame = chain[starts[at]]
            if chain[starts[at] - 1] == frame - 1:
                step[at] = _step(one, other, frame)
        axis = float(np.median([one.axes.mean() for one in pieces]))
        looks = np.array([one.looks for one in pieces], float)
        moved = without_steps(step, looks, SAME * axis, REST * axis)
        of_piece = np.repeat(np.arange(len(pieces)), np.diff([*starts, len(chain)]))
        faces = np.array(
            [
                pieces[k].faces[index - pieces[k].first] + moved[k]
                for k, index in zip(of_piece, chain, strict=True)
            ]
        )
        return faces, dict(zip(numbers[starts].tolist(), moved, strict=True))

    def carried(self, side: int, path: Array, chain: Array) -> bool:
        """Whether the end in the frames of a chain went with the hands at some time."""
        total, best = 0.0, 0.0
        for index in chain:
            one = self.sides[side][path[index - self.first]]
            total = max(0.0, total + one.along[index - one.first])
            best = max(best, total)
        return best >= CARRIED


def without_steps(step: Array, looks: Array, look_sd: float, step_sd: float) -> Array:
    """(n, 2) by how much to move each of n pieces of a track. `step` (n, 2) is the step from the
    piece before to each, NaN where it is not known; the true ones are 0, give or take `step_sd`,
    and the mean of `looks` (n,) that each piece stands on is off by `look_sd` over their root. The
    least squares of both (a random walk seen through noise)."""
    count = len(looks)
    normal, right = np.diag(looks / look_sd**2), np.zeros((count, 2))
    for k in range(1, count):
        if np.isfinite(step[k]).all():
            normal[[k, k - 1], [k, k - 1]] += 1 / step_sd**2
            normal[[k, k - 1], [k - 1, k]] -= 1 / step_sd**2
            right[k] -= step[k] / step_sd**2
            right[k - 1] += step[k] / step_sd**2
    return np.asarray(np.linalg.solve(normal, right))


def _step(one: Followed, other: Followed, frame: int) -> Array:
    """(2,) how far (pixels) the second of two tracklets of one side is from the first where it
    takes over at `frame`."""
    at, then = frame - other.first, frame - one.first
    if at > 0:
        return np.asarray(other.still[at - 1] - one.still[then - 1])
    if frame <= one.last:
        return np.asarray(other.still[at] - one.still[then])
    ahead = one.still[-1] - one.still[-2] if len(one.still) > 1 else np.zeros(2)
    return np.asarray(other.still[at] - one.still[-1] - ahead)


def _gap(one: Followed, other: Followed, frame: int) -> float:
    return float(np.hypot(*_step(one, other, frame)))


def _together(left: Followed, right: Followed) -> tuple[int, Array]:
    """The first frame that two tracklets share, and (n,) what speaks for their being the ends of
    one bar from there on."""
    first, last = max(left.first, right.first), min(left.last, right.last)
    one, two = (slice(first - part.first, last - part.first + 1) for part in (left, right))
    times, step_s = left.times[one], left.step_s[one]
    way = right.faces[two] - left.faces[one]
    large = np.maximum(left.axes[one], right.axes[two])
    length = np.hypot(*way.T)
    over = np.maximum(length / (LONGEST_M / PLATE_M * large) - 1, 0)
    form = (over / STRETCH_SD) ** 2 + (np.log(left.axes[one] / right.axes[two]) / PLATES_SD) ** 2
    says = np.logaddexp(-0.5 * form, np.log(CHANCE))
    then = np.searchsorted(times, times - WITNESS_S - 0.01)
    ways = [part.still[at] - part.still[at][then] for part, at in ((left, one), (right, two))]
    far = np.maximum(*(np.hypot(*part.T) for part in ways)) / large
    apart = np.hypot(*(ways[1] - ways[0]).T) / large
    same, free = REST + WAYS_SD * far, REST + far
    ratio = 2 * np.log(free / same) - 0.5 * apart**2 * (1 / same**2 - 1 / free**2)
    # Ways as short as the camera's own say nothing, and a bar that bounces seesaws.
    moves = 1 - np.exp(-0.5 * (far / UNSTEADY) ** 2)
    says += moves * np.logaddexp(np.log(1 - SEESAWS) + ratio, np.log(SEESAWS))
    return first, np.where(length < SAME * large, -50.0, says * step_s / WITNESS_S)
