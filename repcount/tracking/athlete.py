"""The people of a video, observed frame by frame for the choice of the athlete among them.

The pass decides nothing for good: it keeps who was seen as tracklets (`people`), and who of them
lifts is decided over the whole clip (`lifter`). While one person plainly moves a bar, or is alone,
that one is followed, which is cheap, and the others are looked for now and then; else everybody is.
"""

from __future__ import annotations

import numpy as np

from repcount.tracking.people import (
    LINK_S,
    SIGHTINGS,
    Tracklet,
    assign,
    colours_of,
    distinct,
    goes_on,
    like_colours,
    usual,
)
from repcount.tracking.pose import FEET, HIPS, Person, PoseModel

# People followed at once while it is open who lifts.
MANY = 3
# Somebody is followed alone who has moved both hands together this much farther than everybody
# else (body lengths; one deadlift moves them by one).
LEAD = 1.0
# Without a sign of that one for this long everybody is looked for at every look.
LOST_S = 0.6
# How often to look for other people while one is followed.
LOOK_S = (0.0, 0.5, 1.5, 3.0)
LOOK_EVERY_S = 5.0


class Observer:
    """Looks at frames in order of time and keeps apart the people in them.

    `tracklets`: everybody so far; `here`: those seen at the last frame; `favourite` the one who
    is followed alone (None: everybody is); `people`: how many were seen when everybody was looked
    for (NaN if not at this frame)."""

    def __init__(self, model: str = "full") -> None:
        self.model = model
        self.one = PoseModel(model)
        self.many: PoseModel | None = None
        self.glance = PoseModel(model, MANY + 1, follow=False)
        self.tracklets: list[Tracklet] = []
        self.here: list[Tracklet] = []
        self.favourite: Tracklet | None = None
        self.shot = 0
        self.people = np.nan
        self._others = False
        self._shot_start_s = 0.0
        self._looked_s = -np.inf

    def close(self) -> None:
        for model in (self.one, self.many, self.glance):
            if model is not None:
                model.close()

    def new_shot(self, time_s: float) -> None:
        self.shot += 1
        self._shot_start_s, self._looked_s = time_s, -np.inf
        self.favourite = None

    def see(self, rgb: np.ndarray, time_s: float, scale: float) -> None:
        """The next frame `rgb` (H, W, 3) uint8 at `time_s`; `scale` as in `PoseModel`."""
        self.people = np.nan
        everybody = self.favourite is None or self._look_due(time_s)
        if self.favourite is not None and not everybody:
            known = self.favourite
            view = blinkers(rgb, known.last, known.size, scale) if self._others else rgb
            people = self.one(view, time_s, scale)[:1]
            links, colours = self._links(people, rgb, time_s, scale)
            # Where unsure: look at everybody, and go on with whoever fits.
            everybody = known not in links
        if everybody:
            people = self._look(rgb, time_s, scale)
            links, colours = self._links(people, rgb, time_s, scale)
        self.here = []
        for person, tracklet, colour in zip(people, links, colours, strict=True):
            if tracklet is None:
                tracklet = Tracklet(self.shot, self._name(person, time_s, colour))
                self.tracklets.append(tracklet)
            tracklet.add(person, time_s, colour)
            self.here.append(tracklet)
        if everybody:
            self.favourite = self._certain(time_s)

    def _links(
        self, people: list[Person], rgb: np.ndarray, time_s: float, scale: float
    ) -> tuple[list[Tracklet | None], list[np.ndarray]]:
        """The tracklet that each person goes on with, None for a new one; and their colours."""
        colours = [colours_of(rgb, person, scale) for person in people]
        known = self._lately(time_s, LINK_S)
        gains = np.array(
            [
                [goes_on(tracklet, person, time_s, colour) for tracklet in known]
                for person, colour in zip(people, colours, strict=True)
            ]
        ).reshape(len(people), len(known))
        return [known[k] if k >= 0 else None for k in assign(gains)], colours

    def _lately(self, time_s: float, within_s: float) -> list[Tracklet]:
        """Those of this shot who were seen not longer ago than that."""
        return [
            tracklet
            for tracklet in self.tracklets
            if tracklet.shot == self.shot and time_s - tracklet.times[-1] <= within_s
        ]

    def _name(self, person: Person, time_s: float, colours: np.ndarray) -> int:
        """What the pass takes a new person for: somebody in like colours who is away, or a new
        one."""
        here = {tracklet.name for tracklet in self._lately(time_s, LOST_S)}
        away = [tracklet for tracklet in self.tracklets if tracklet.name not in here]
        alike = [float(like_colours(usual(one.colours[-SIGHTINGS:]), colours)) for one in away]
        if alike and max(alike) > 0:
            return away[int(np.argmax(alike))].name
        return 1 + max((tracklet.name for tracklet in self.tracklets), default=-1)

    def _certain(self, time_s: float) -> Tracklet | None:
        """Who is seen and has moved a bar well more than everybody else, or is the only one."""
        moved: dict[int, float] = {}
        for tracklet in self.tracklets:
            moved[tracklet.name] = moved.get(tracklet.name, 0.0) + tracklet.moved
        seen = self._lately(time_s, LOST_S)
        if not seen:
            return None
        best = max(seen, key=lambda one: (moved[one.name], one.times[-1], one.size))
        rival = max((far for name, far in moved.items() if name != best.name), default=0.0)
        around = {one.name for one in self._lately(time_s, LOOK_EVERY_S)}
        alone = len(around) == 1 and rival < LEAD
        return best if alone or moved[best.name] >= rival + LEAD else None

    def _look_due(self, time_s: float) -> bool:
        since = time_s - self._shot_start_s
        due = max((at for at in LOOK_S if at <= since), default=0.0)
        if since > LOOK_S[-1] + LOOK_EVERY_S:
            due = since - (since % LOOK_EVERY_S)
        return self._looked_s < self._shot_start_s + due

    def _look(self, rgb: np.ndarray, time_s: float, scale: float) -> list[Person]:
        """Everybody; those whom nobody follows yet are looked for in this frame alone."""
        if self.favourite is not None or self._look_due(time_s):
            people = distinct(self.glance(rgb, time_s, scale))
            self._looked_s, self.people = time_s, float(len(people))
        else:
            self.many = self.many or PoseModel(self.model, MANY)
            people = distinct(self.many(rgb, time_s, scale))
        self._others = len(people) > 1
        return people


def box(person: Person, size: float) -> np.ndarray:
    """(4,) x0, y0, x1, y1 around `person`, pixels of the full-size frame: the landmarks with room
    for what the arms may do next."""
    trusted = person.points[person.visibility >= 0.3]
    points = trusted if len(trusted) else person.points
    (x0, y0), (x1, y1) = points.min(0), points.max(0)
    return np.array([x0 - 0.9 * size, y0 - 0.9 * size, x1 + 0.9 * size, y1 + 0.6 * size])


def blinkers(rgb: np.ndarray, person: Person, size: float, scale: float) -> np.ndarray:
    """`rgb` with all that is far from `person` painted grey, so that nobody else is found."""
    height, width = rgb.shape[:2]
    x0, y0, x1, y1 = (round(float(value)) for value in box(person, size) / scale)
    x0, x1 = max(0, x0), min(width, x1)
    y0, y1 = max(0, y0), min(height, y1)
    view = np.full_like(rgb, 114)
    if x1 > x0 and y1 > y0:
        view[y0:y1, x0:x1] = rgb[y0:y1, x0:x1]
    return view


def gated(person: Person) -> tuple[np.ndarray, np.ndarray]:
    """Points (33, 2) and confidence (33,) of `person` as they go into the Tracks.

    Feet, ankles, knees and hips are given only where the model thinks it more likely than not that
    they are seen (0.5): bent over the bar they collapse, and their visibility says so. Upper-body
    landmarks are given whatever their confidence: the hands stay usable while hidden by plates.
    """
    points, confidence = person.points.copy(), person.visibility.copy()
    lower = [*HIPS, 25, 26, *FEET]
    hidden = [index for index in lower if confidence[index] < 0.5]
    points[hidden] = np.nan
    return points, confidence
