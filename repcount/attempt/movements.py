"""The catalogue of movements, as data.

A movement is a path of the bar through zones with conditions on the hip. Each entry says which
lifts can be that movement and what counts as finished; the decoder (`decode.py`) knows nothing
of names and the alignment (`align.py`) nothing of pixels. Adding a movement is adding an entry.

Sources: the federations' rule texts for the clean, the jerk and the deadlift (IWF Technical and
Competition Rules 2025; IPF Technical Rules); "thigh above parallel at the catch" for the power
variants (Takei et al., IJSPP 2020;15(1):18); everything else common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from repcount.attempt.records import Zone

# Zones from low to high; a lift goes up this order or starts and ends in the same zone.
ORDER: dict[Zone, int] = {"floor": 0, "hang": 1, "rack": 2, "back": 2, "overhead": 3}


# Shoulders and bar this far below their standing heights (body heights) are not erect: three times
# their noise.
ERECT_ST = 0.036
# Out of the hang: bent down to and pulled, or let fall to the thighs and turned there at once.
HANG_STYLES = ("slow dip", "fast thigh rebound")


@dataclass(frozen=True)
class Movement:
    """One entry of the catalogue.

    `begins` and `ends` are the zones of the lift's lowest point and of its finish. `squat` says
    whether the hip has to go down deep on the way (True), must not (False) or may (None): for a
    clean this is the depth of the catch, for a thruster of the start. `by_hip` marks movements
    whose start is read at the hip rather than at the bar. `knees` names the work of the knees for
    the styles of lifting overhead: "still", "drive" (dip and drive, no re-bend), "rebend". `via` is
    a zone in which the bar is caught on the way. `styles` are ways of doing it that count alike.
    `bent_over`: the trunk stays bent, the bar goes up to it. `anywhere`: any lift of the
    bar will do, whatever its zones. `from_stand` is how often the bar is taken from a stand for it
    rather than lifted from the floor, for movements that their path does not distinguish (common
    practice, no source).

    Sources of `finished`: deadlifts, IPF technical rules (erect, knees locked, shoulders back; no
    leaning back needed); cleans, jerks and snatches, IWF Technical and Competition Rules (bar at
    rest on clavicles, chest or bent arms, then legs extended; arms and legs fully extended
    overhead). From the hang there is no federation rule; power means caught with the thighs above
    parallel (Takei et al., IJSPP 2020;15(1):18). All others are common practice, no source.
    """

    name: str
    begins: Zone
    ends: Zone
    squat: bool | None = False
    by_hip: bool = False
    knees: str | None = None
    via: Zone | None = None
    bent_over: bool = False
    styles: tuple[str, ...] = ()
    anywhere: bool = False
    from_stand: float | None = None
    finished: str = ""
    also: frozenset[str] = field(default_factory=frozenset)


def _entries() -> tuple[Movement, ...]:
    stand = "erect, knees and hips straight"
    locked = "arms locked overhead, hips and knees straight"
    return (
        Movement("deadlift", "floor", "hang", finished=stand + ", shoulders back"),
        Movement("sumo deadlift", "floor", "hang", finished=stand + ", shoulders back"),
        Movement("Romanian deadlift", "hang", "hang", finished=stand),
        Movement("sumo deadlift high pull", "floor", "rack", finished="erect, bar under the chin"),
        Movement(
            "bent-over row", "hang", "rack", squat=None, bent_over=True, finished="bar at the trunk"
        ),
        Movement("power clean", "floor", "rack", finished="bar on the shoulders, " + stand),
        Movement("clean", "floor", "rack", squat=True, finished="bar on the shoulders, " + stand),
        Movement(
            "hang power clean",
            "hang",
            "rack",
            styles=HANG_STYLES,
            finished="bar on the shoulders, " + stand,
        ),
        Movement(
            "hang clean",
            "hang",
            "rack",
            squat=True,
            styles=HANG_STYLES,
            finished="bar on the shoulders, " + stand,
        ),
        Movement("power snatch", "floor", "overhead", finished=locked),
        Movement("snatch", "floor", "overhead", squat=True, finished=locked),
        Movement("hang power snatch", "hang", "overhead", finished=locked),
        Movement("hang snatch", "hang", "overhead", squat=True, finished=locked),
        Movement("strict press", "rack", "overhead", knees="still", finished=locked),
        Movement("push press", "rack", "overhead", knees="drive", finished=locked),
        Movement("push jerk", "rack", "overhead", knees="rebend", finished=locked),
        Movement("split jerk", "rack", "overhead", knees="rebend", finished=locked),
        Movement(
            "shoulder to overhead",
            "rack",
            "overhead",
            finished=locked,
            also=frozenset({"strict press", "push press", "push jerk", "split jerk"}),
        ),
        Movement(
            "front squat", "rack", "rack", squat=True, by_hip=True, from_stand=0.2, finished=stand
        ),
        Movement(
            "back squat", "back", "back", squat=True, by_hip=True, from_stand=0.98, finished=stand
        ),
        Movement("overhead squat", "overhead", "overhead", squat=True, by_hip=True, finished=stand),
        Movement("thruster", "rack", "overhead", squat=True, by_hip=True, finished=locked),
        Movement(
            "cluster", "floor", "overhead", squat=True, by_hip=True, via="rack", finished=locked
        ),
        Movement(
            "other bar movement",
            "hang",
            "rack",
            squat=None,
            anywhere=True,
            finished="the top of the bar's rise",
        ),
    )


CATALOGUE: dict[str, Movement] = {entry.name: entry for entry in _entries()}
MOVEMENT_NAMES: tuple[str, ...] = tuple(CATALOGUE)
