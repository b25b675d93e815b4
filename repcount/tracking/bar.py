"""The bar's two ends, frame by frame.

In the pass the network (`bar_net`) says now and then what may be an end; each such candidate is
followed from frame to frame by its patch, forwards and back, as a tracklet (`end`). Nothing is
decided for good there. After the pass the likeliest course of both ends through the tracklets is
chosen at once (`course`), weighed by what the network says of each, by whether it goes with the
hands, and by whether the two move like the ends of one rigid bar (`end_evidence`). Plates on racks
and pictures on walls lose there: they stand still while the hands move, and are no end of a bar
whose other end is lifted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from repcount.tracking.bar_net import BarNet, Candidate
from repcount.tracking.course import Spans, best_course
from repcount.tracking.end import PLATE_M, SAME, EndTracklet, Frame, G, begin
from repcount.tracking.end_evidence import CHANGE_S, WAYS_SD, Evidence, Look, ShotSeen
from repcount.tracking.hands import Hands
from repcount.tracking.patch import GOOD

# Frames kept to look back on, in seconds.
BACK_S = 12.0
# How often the network is asked: where both ends are followed well; where one is; else.
ASK_S = (0.5, 0.2, 0.1)
# So many candidates of each end are followed at once.
CANDIDATES = 2
# Of what was hidden and is filled in: less than half, which is what counts as seen.
HIDDEN_CONFIDENCE = 0.3


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


@dataclass
class Shot:
    """What one shot has given, from frame `first` on."""

    first: int
    tracklets: tuple[list[EndTracklet], list[EndTracklet]]
    looks: list[Look]


class Bar:
    """Follows the bar. Give it every frame in order (`step`), then ask for `result`."""

    def __init__(self, net: BarNet) -> None:
        self.net = net
        self.times: list[float] = []
        self.shift: list[np.ndarray] = []
        self.hands: list[Hands | None] = []
        self.shots: list[Shot] = []
        self._new_shot()

    def _new_shot(self) -> None:
        self.shots.append(Shot(len(self.times), ([], []), []))
        self.back: deque[Frame] = deque()
        self.live: tuple[list[EndTracklet], list[EndTracklet]] = ([], [])
        self.square: np.ndarray | None = None
        self.asked_s = -np.inf
        # what the last look found to be the likeliest end of each side
        self.agreed: list[EndTracklet | None] = [None, None]

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
            self._new_shot()
        shift = np.where(np.isfinite(shift), shift, 0.0)
        now = Frame(time_s, gray, hands, shift, len(self.times))
        self.times.append(time_s)
        self.shift.append(shift)
        self.hands.append(hands)
        self.back.append(now)
        while time_s - self.back[0].time_s > BACK_S:
            self.back.popleft()
        if len(self.back) > 1:
            for live in self.live:
                # looked for, where it is lost, until the network is asked again
                live[:] = [one for one in live if one.follow(now, self.back[-2], ASK_S[1])]
                for one in live:
                    one.note()
        self._ask(now, square)

    def around(self) -> list[np.ndarray]:
        """Boxes (4,) x0, y0, x1, y1 around the ends as last seen and where they may be in the next
        frame, pixels of the frames given."""
        # An end is a semi-axis wide and high and moves by no more than that from frame to frame (a
        # drop from overhead at 30 frames a second).
        return [
            np.concatenate([one.face - 2 * one.face_axis, one.face + 2 * one.face_axis])
            for one in self._likely()
        ]

    def _likely(self) -> list[EndTracklet]:
        """The likeliest tracklet of each side at the moment."""
        return [max(live, key=lambda one: one.worth) for live in self.live if live]

    # --- what the network says ---

    def _ask(self, now: Frame, around: Callable[[], np.ndarray | None]) -> None:
        well = [
            one is not None and one in live and one.correlation >= GOOD
            for one, live in zip(self.agreed, self.live, strict=True)
        ]
        if now.time_s - self.asked_s < ASK_S[2 - sum(well)] - 0.01:
            return
        square = around()
        if square is None:
            if self.square is None:
                return
            # nobody is seen: look where somebody was
            square = self.square + np.tile(now.shift, 2)
        likely = self._likely()
        # The athlete may walk off while the bar lies there: then look where they were.
        if self.square is None or not likely or any(_holds(square, one.face) for one in likely):
            self.square = square - np.tile(now.shift, 2)
        square = self.square + np.tile(now.shift, 2)
        found = self.net.candidates(now.gray, square, CANDIDATES)
        shot = self.shots[-1]
        shot.looks.append(Look(now.index, square, found, now.time_s - max(self.asked_s, 0.0)))
        self.asked_s = now.time_s
        self.agreed = [self._take(side, found, now) for side in (0, 1)]

    def _take(
        self, side: int, found: tuple[list[Candidate], list[Candidate]], now: Frame
    ) -> EndTracklet | None:
        """Take the candidates of one side into account; returns the tracklet of the likeliest."""
        live, look = self.live[side], self.shots[-1].looks[-1]
        likeliest = None
        for candidate in found[side]:
            speaks = look.tells(side, candidate.face - 0.5, candidate.semi_axis)
            if speaks <= 0 or not _inside(candidate, now.gray):
                continue
            near = [one for one in live if _same(one, candidate)]
            # What does not look as it did is learned anew; of those at one place one is enough.
            good = [one for one in near if one.correlation >= GOOD]
            best = max(good, key=lambda one: one.worth, default=None)
            live[:] = [one for one in live if one is best or one not in near]
            if best is None:
                best = self._begin(now, side, candidate, found)
                live.append(best)
            else:
                best.sighted(candidate, now.index)
                if len(best.sightings) == 2:
                    self._look_back(best)
            if candidate.probability >= 0.5:
                likeliest = best
        for one in live:
            one.worth += look.weight * look.tells(side, one.face, one.face_axis)
        live.sort(key=lambda one: -one.worth)
        live[:] = live[:1] + [one for one in live[1:CANDIDATES] if one.worth > 0]
        return likeliest

    def _begin(
        self,
        now: Frame,
        side: int,
        candidate: Candidate,
        found: tuple[list[Candidate], list[Candidate]],
    ) -> EndTracklet:
        outwards = None
        other = found[1 - side]
        if other and other[0].probability >= 0.5:
            outwards = candidate.face - other[0].face
        elif now.hands is not None:
            outwards = 2 * (candidate.face - now.hands.middle)
        new = begin(now, side, candidate, outwards)
        self.shots[-1].tracklets[side].append(new)
        return new

    def _look_back(self, new: EndTracklet) -> None:
        """Follow a tracklet back, now that it has been seen again."""
        frames = [frame for frame in self.back if frame.index <= new.first]
        known = [
            one
            for one in self.shots[-1].tracklets[new.side]
            if one is not new and frames and one.last >= frames[0].index
        ]
        new.look_back(frames, known)

    # --- the choice ---

    def result(self) -> BarTrack:
        count = len(self.times)
        track = BarTrack(
            np.full((count, 2, 2), np.nan),
            np.full((count, 2), np.nan),
            np.zeros((count, 2)),
            np.zeros((count, 2), bool),
            np.zeros((count, 2), bool),
        )
        times, shift = np.array(self.times), np.array(self.shift).reshape(-1, 2)
        ends = [shot.first for shot in self.shots[1:]] + [count]
        for shot, end in zip(self.shots, ends, strict=True):
            rows = slice(shot.first, end)
            if end > shot.first:
                seen = ShotSeen(shot.first, times[rows], shift[rows], self.hands[rows], shot.looks)
                _choose(shot, seen, track)
        _fill_gaps(track, times, shift)
        return track


def _choose(shot: Shot, seen: ShotSeen, track: BarTrack) -> None:
    """Write the likeliest course of both ends through a shot into `track`."""
    evidence, first = Evidence(shot.tracklets, seen), shot.first
    sides = [
        Spans(
            np.array([one.first - first for one in side], int),
            np.array([one.last - first for one in side], int),
        )
        for side in shot.tracklets
    ]
    course = best_course(
        len(seen.times),
        sides,
        lambda frame, left, right: evidence.weigh(frame + first, left, right),
        lambda side, frame, before, now: evidence.turn(side, frame + first, before, now),
    )
    for side in (0, 1):
        path = course.path[:, side]
        for chain in evidence.chains(side, path):
            track.ends[chain, side], moved = evidence.faces(side, path, chain)
            track.confirmed[chain, side] = evidence.carried(side, path, chain)
            for index in chain:
                one = evidence.sides[side][path[index - first]]
                track.semi_axis[index, side] = one.axes[index - one.first]
                # that it is this end, and that it is in this place
                sure = evidence.sure(side, course, index - first, moved)
                track.confidence[index, side] = sure * one.correlations[index - one.first]
        lost = track.confidence[:, side] <= 0
        track.ends[lost, side], track.semi_axis[lost, side] = np.nan, np.nan
        track.confirmed[lost, side] = False


def _fill_gaps(track: BarTrack, time_s: np.ndarray, shift: np.ndarray) -> None:
    """Fill a gap where the straight line from before to after it cannot be far off. An end that is
    as free as one that falls leaves the line by an eighth of g t² at most; one whose other end is
    seen goes along with that, as a bar is rigid; one that is where it was lay there, for as long as
    an end is hidden at a time."""
    known = track.confidence > 0
    for side in (0, 1):
        for start, end in pairwise(np.flatnonzero(known[:, side])):
            if end - start < 2:
                continue
            inner = slice(start + 1, end)
            gap_s, axis = time_s[end] - time_s[start], track.semi_axis[[start, end], side].mean()
            beside = known[start : end + 1, 1 - side].all()
            base = track.ends[:, 1 - side] if beside else shift
            ends = (track.ends[:, side] - base)[[start, end]]
            room = SAME * PLATE_M
            lay = np.hypot(*(ends[1] - ends[0])) <= SAME * axis and gap_s <= CHANGE_S
            if not lay and G * (WAYS_SD if beside else 1.0) * gap_s**2 / 8 > room:
                continue
            part = (time_s[inner] - time_s[start]) / gap_s
            track.ends[inner, side] = ends[0] + part[:, None] * (ends[1] - ends[0]) + base[inner]
            track.semi_axis[inner, side] = axis
            track.confidence[inner, side] = HIDDEN_CONFIDENCE
            track.confirmed[inner, side] = track.confirmed[[start, end], side].all()
            track.interpolated[inner, side] = True


def _same(one: EndTracklet, candidate: Candidate) -> bool:
    way = candidate.face - 0.5 - one.face
    return bool(np.hypot(*way) <= SAME * candidate.semi_axis)


def _holds(square: np.ndarray, point: np.ndarray) -> bool:
    x0, y0, x1, y1 = square
    return bool(x0 <= point[0] <= x1 and y0 <= point[1] <= y1)


def _inside(candidate: Candidate, gray: np.ndarray) -> bool:
    height, width = gray.shape
    margin = 0.5 * candidate.semi_axis
    x, y = candidate.face
    return bool(-margin <= x < width + margin and -margin <= y < height + margin)
