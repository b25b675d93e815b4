"""Motion → Reading: strokes, rests and holds, and what they are in the workout."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime

import numpy as np

import repcount
from repcount.attempt.assemble import HOLD_S
from repcount.attempt.movements import CATALOGUE, Movement
from repcount.attempt.records import (
    FailedStroke,
    Flag,
    FloorRest,
    Hold,
    HoldPlace,
    Measure,
    Notice,
    Phase,
    Provenance,
    Reading,
    Rep,
    RepStatus,
    StartSignal,
    Stroke,
    Trace,
    Video,
    Workout,
    Zone,
)
from repcount.motion import Motion
from repcount.motion.smoothing import runs
from repcount.reading.align import Pairing, align, expand
from repcount.reading.alone import grounded
from repcount.reading.decode import (
    FLOOR,
    FREE,
    HANG,
    OVERHEAD,
    RACK,
    STATES,
    Zones,
    decode_zones,
)
from repcount.reading.evidence import HANDS_ALONE, with_a_bar
from repcount.reading.instants import LEVEL_ST
from repcount.reading.label import fits, in_turn, likelihoods, style, styles
from repcount.reading.metres import bar_measures, fall_measures, metre_notices
from repcount.reading.options import ReadOptions
from repcount.reading.rests import RawRest
from repcount.reading.strokes import (
    RawStroke,
    body_of,
    find_strokes,
    joined,
    past_the_rack,
    unread_rises,
    with_lifts_before,
)
from repcount.video.sound import Tone, signal_onsets
from repcount.wording.numbers import clock

# What a stroke is worth that the bar tells alone, the body unseen.
UNSEEN_BODY = 0.7
# What the bar alone is worth at most, as for the hands alone (an assumption).
BAR_ALONE = 0.94
# How often a rep is right whose evidence multiplies to so much: the parts of a rep's certainty are
# no independent witnesses, their product is far too cautious. From simulated attempts at the
# measured noise and at twice it, seeds 1000 to 1239 and 2000 to 2089, made monotone.
STATED = ((0.0, 0.85), (0.5, 0.95), (0.7, 0.99), (1.0, 0.997))
# Below this a rep is marked "check": by its own evidence and, on one rep of each movement of a
# round, by how sure their count is. Of seeds 110000 to 110239 at twice the noise 2.8 % of the right
# reps are below it, and a rep of each of the 12 movements that were miscounted.
CHECK_BELOW = 0.985
# What two people who look at a lift differ by, when it counted (0.1 to 0.3 s: real clips by eye).
TOP_UNSURE_S = 0.25
# A style told with less than this is unsure.
STYLE_SURE = 0.8
# Tones closer than this belong to one start signal.
GROUP_S = 1.5
TRACE_HZ = 10.0
# A person's edits find a rep (a rest) again in a new reading if its top (its lift-off) moved less.
SAME_REP_S = 0.3


def read_attempt(
    motion: Motion,
    workout: Workout | None = None,
    options: ReadOptions | None = None,
    *,
    previous: Reading | None = None,
) -> Reading:
    """Read an attempt from its motion.

    `workout` guides labels and numbers; without it strokes keep the name of what they look most
    like. `previous` is an earlier reading of the same video whose rep ids are kept where a rep is
    found again.
    """
    options = options or ReadOptions()
    start_s = options.start_s
    motion = grounded(motion)
    zones = decode_zones(motion)
    strokes, rests, unread = _lifts(motion, zones, workout)
    ids = _kept_ids(
        "r",
        [stroke.top_s for stroke in strokes],
        [(rep.top_s, rep.id) for rep in previous.reps] if previous else [],
    )
    rest_ids = _kept_ids(
        "f",
        [rest.end_s for rest in rests],
        [(rest.end_s, rest.id) for rest in previous.floor_rests] if previous else [],
    )
    begun = _begun(motion, zones)
    signals, pairings, notices = _start_and_pairs(motion, strokes, rests, workout, start_s, begun)
    notices += [*_sight(strokes, begun), *_unread(motion, unread)]
    looks = [likelihoods(stroke) for stroke in strokes]
    named = looks if workout else in_turn(strokes)
    reps, failed = _reps(strokes, named, ids, pairings, workout)
    records = [_stroke_record(*one) for one in zip(strokes, looks, ids, strict=True)]
    for rep in reps:
        rep.measures += bar_measures(motion.time_s, motion.metres, rep.start_s, rep.top_s)
    for record in records:
        record.measures += bar_measures(motion.time_s, motion.metres, record.start_s, record.top_s)
    notices += metre_notices(motion.metres)
    end = float(motion.time_s[-1]) if len(motion.time_s) else 0.0
    return Reading(
        provenance=Provenance(
            version=repcount.__version__,
            made_at=datetime.now(UTC).isoformat(timespec="seconds"),
            options={**motion.options, "start_s": start_s, "reading": asdict(options)},
            models=motion.options.get("models", {}),
        ),
        video=_video(motion),
        workout=workout,
        start_signals=signals,
        end_of_sight_s=end,
        phases=_phases(motion, zones),
        strokes=records,
        floor_rests=[
            _floor_rest(motion, rest, key) for rest, key in zip(rests, rest_ids, strict=True)
        ],
        holds=_holds(motion, zones, strokes),
        reps=reps,
        failed=failed,
        trace=_trace(motion),
        warnings=[*motion.notices, *notices],
    )


def _lifts(
    motion: Motion, zones: Zones, workout: Workout | None
) -> tuple[list[RawStroke], list[RawRest], list[tuple[float, float]]]:
    """Strokes and rests as the workout's movements have them, and the bar's rises (begin and end in
    seconds) that were read as none."""
    body = body_of(motion, zones)
    strokes, rests = find_strokes(body)
    moves = [(one.low_s, one.top_s) for one in strokes if one.finished]
    strokes = with_a_bar(motion, strokes, asked=workout is not None)
    bare = [] if strokes else moves  # hands that were taken to hold no bar
    strokes = with_lifts_before(strokes, rests, [_rise_seen(motion, rest) for rest in rests])
    asked = (
        [CATALOGUE[part.movement] for parts in workout.rounds for part in parts] if workout else []
    )
    if any(entry.via for entry in asked):
        strokes = joined(strokes, rests)
    racked = {"rack", "back"}
    if asked and not any(
        {entry.begins, entry.ends, entry.via} & racked or entry.anywhere for entry in asked
    ):
        strokes = past_the_rack(strokes, rests)
    if not any(entry.bent_over or entry.anywhere for entry in asked):
        # bent over and up with the arms alone: nothing but a row is made so
        strokes = [
            stroke
            for stroke in strokes
            if not (stroke.bent_over and stroke.begins == stroke.ends == HANG)
        ]
    unread = unread_rises(body, strokes) + bare
    unread += [(one.start_s, one.top_s) for one in strokes if one.goes_on]
    return [_by_bar(motion, one) for one in strokes if not one.goes_on], rests, unread


def _floor_rest(motion: Motion, rest: RawRest, key: str) -> FloorRest:
    return FloorRest(
        id=key,
        start_s=max(rest.start_s, rest.first_contact_s),
        end_s=max(rest.end_s, rest.start_s),
        first_contact_s=rest.first_contact_s,
        hands_off=rest.hands_off,
        dropped=rest.dropped,
        settled=bool(rest.settled),
        seen=_seen_at_ends(motion, rest),
        confidence=rest.confidence,
        measures=fall_measures(motion.metres, rest.first_contact_s),
    )


# How near to an end of a rest the bar must be seen, and in how much of that time.
NEAR_END_S, SEEN_SHARE = 0.2, 0.5


def _seen_at_ends(motion: Motion, rest: RawRest) -> bool:
    """Whether the bar itself was in sight where a rest begins and where it ends."""
    for second in (rest.start_s, rest.end_s):
        near = np.abs(motion.time_s - second) <= NEAR_END_S
        if (motion.bar_source[near] == 2).mean() < SEEN_SHARE:
            return False
    return True


# A bar that is lifted from the floor has left it for good by then (common practice, no source).
SETTING_OFF_S = 1.0


def _rise_seen(motion: Motion, rest: RawRest) -> float:
    """How much of the time after a rest bar or hands were seen, 0 to 1."""
    after = (motion.time_s > rest.end_s) & (motion.time_s <= rest.end_s + SETTING_OFF_S)
    return float((motion.bar_source[after] > 0).mean()) if after.any() else 0.0


def _begun(motion: Motion, zones: Zones) -> bool:
    """Whether the bar is off the floor in the first second: the film starts in mid-attempt."""
    first = zones.time_s < (zones.time_s[0] if len(zones.time_s) else 0.0) + 1.0
    lifted = np.isin(zones.path[first], (HANG, RACK, OVERHEAD))
    seen = np.isfinite(motion.bar_st[: round(motion.rate_hz)])
    return bool(len(lifted) and lifted.mean() > 0.5 and seen.mean() > 0.5)


def _by_bar(motion: Motion, stroke: RawStroke) -> RawStroke:
    """The stroke, marked if the bar alone tells of it."""
    if motion.own_floor is None:
        return stroke
    first, last = np.searchsorted(motion.time_s, (stroke.low_s, stroke.top_s))
    if not motion.own_floor[first : last + 1].any():
        return stroke
    return replace(stroke, flags=(*stroke.flags, "by_bar"))


def _unread(motion: Motion, unread: list[tuple[float, float]]) -> list[Notice]:
    """That the bar went up where no rep was read, and when."""
    if not unread:
        return []
    unread = sorted(unread)
    when = ", ".join(f"{clock(begin)} to {clock(end)}" for begin, end in unread[:4])
    more = f" and {len(unread) - 4} times more" if len(unread) > 4 else ""
    cut = unread[-1][1] > motion.time_s[-1] - NEAR_END_S
    begin, end = (int(np.searchsorted(motion.time_s, second)) for second in unread[0])
    seen = (motion.bar_source[begin : end + 1] == 2).any()
    what = "the bar goes up" if seen else "hands go up as with a bar"
    ends = " The film ends in the last of them." if cut else ""
    return [
        Notice(
            code="rise-unread",
            text=f"{when}{more}: {what} and no rep was read there; reps may be missing.{ends}",
            start_s=unread[0][0],
            end_s=unread[-1][1],
        )
    ]


def _sight(strokes: Sequence[RawStroke], begun: bool) -> list[Notice]:
    """What the reader should know about what was in sight."""
    notices = []
    # what is only ever lifted from the shoulders waits on a stand at first, as most bars there do
    from_stand = all(stroke.begins == RACK and not stroke.lifted > 0 for stroke in strokes)
    mid_lift = any("begun_before" in stroke.flags for stroke in strokes)
    if begun and strokes and (mid_lift or not from_stand):
        notices.append(
            Notice(
                code="starts-late",
                text="The bar is already off the floor when the video starts; reps before it are "
                "not in it, and the numbers may be off. Check the first rounds.",
                start_s=0.0,
            )
        )
    by_hands = [stroke for stroke in strokes if "by_hands" in stroke.flags]
    if by_hands:
        notices.append(
            Notice(
                code="bar-unseen",
                text=f"The ends of the bar were not seen in {len(by_hands)} of {len(strokes)} "
                "lifts; those were read from the hands alone. Check them, and film with both "
                "ends in the frame.",
                start_s=by_hands[0].start_s,
                end_s=by_hands[-1].end_s,
            )
        )
    return notices


def _video(motion: Motion) -> Video:
    known = {key: motion.video[key] for key in Video.model_fields if key in motion.video}
    unknown = {
        "file_name": "",
        "sha256": "",
        "duration_s": float(motion.time_s[-1]) if len(motion.time_s) else 0.0,
        "width": 0,
        "height": 0,
        "mean_rate_hz": 0.0,
    }
    return Video(**{**unknown, **known})


def _kept_ids(
    letter: str, times: Sequence[float], earlier: Sequence[tuple[float, str]]
) -> list[str]:
    """Ids made from times; kept from an earlier reading where the same is found again."""
    taken: set[str] = set()
    ids = []
    for at in times:
        near = sorted((abs(time - at), key) for time, key in earlier if key not in taken)
        if near and near[0][0] <= SAME_REP_S:
            key = near[0][1]
        else:
            key = f"{letter}{round(at * 1000):08d}"
            while key in taken:
                key += "x"
        taken.add(key)
        ids.append(key)
    return ids


def _first_lift(strokes: Sequence[RawStroke], rests: Sequence[RawRest], index: int) -> float:
    """Lift-off before a stroke: the end of the last floor rest before it, or its own start."""
    start = strokes[index].start_s
    before = [rest.end_s for rest in rests if rest.end_s <= start + 0.05]
    earlier = strokes[index - 1].top_s if index else -np.inf
    return max(before) if before and max(before) > earlier else start


def _start_and_pairs(
    motion: Motion,
    strokes: list[RawStroke],
    rests: list[RawRest],
    workout: Workout | None,
    start_s: float | None,
    begun: bool,
) -> tuple[list[StartSignal], list[Pairing], list[Notice]]:
    """Choose the start signal and pair strokes with the workout from there on."""
    items = expand(workout) if workout else []
    groups = signal_onsets(Tone(**tone) for tone in motion.sounds)
    notices: list[Notice] = []

    def pairs(start: float | None) -> tuple[list[Pairing], float]:
        if workout:
            found, price = align(strokes, rests, items, start_s=start, begun=begun)
            if workout.to_max:  # how many are due is not known
                found = [replace(pair, exact=1.0) for pair in found]
            return found, price
        return [
            Pairing(
                None,
                "unplanned" if start is not None and stroke.top_s < start else "counted",
                1.0,
            )
            for stroke in strokes
        ], 0.0

    if start_s is not None:
        return [StartSignal(at_s=start_s, source="given")], pairs(start_s)[0], notices

    first = strokes[0].start_s if strokes else np.inf
    tried: list[tuple[float, float, list[Pairing]]] = []
    for at in groups:
        if workout and strokes and at < strokes[-1].top_s:
            found, price = pairs(at)
            if any(pair.kind == "counted" for pair in found):
                tried.append((price, at, found))
        elif not workout and at < first:
            tried.append((0.0, at, pairs(at)[0]))
    if tried:
        least = min(price for price, *_ in tried)
        # of equally good ones the last before the first lift-off: the definition's own words
        good = sorted((at, found) for price, at, found in tried if price <= least + 1e-6)
        at, found = good[-1]
        others = [other for _, other, _ in tried if other != at and other < first + GROUP_S]
        if others:
            notices.append(
                Notice(
                    code="start-ambiguous",
                    text=(
                        f"More than one signal could have started the clock; the one at {at:.2f} s"
                        " was taken. Give the right one with --start."
                    ),
                    start_s=min([*others, at]),
                    end_s=max([*others, at]),
                )
            )
        signals = [StartSignal(at_s=at, source="sound")]
        signals += [StartSignal(at_s=other, source="sound") for other in sorted(others)]
        return signals, found, notices

    found, _ = pairs(None)
    counted = [k for k, pair in enumerate(found) if pair.kind == "counted"]
    if not counted:
        return [], found, notices
    lift = _first_lift(strokes, rests, counted[0])
    return [StartSignal(at_s=lift, source="first lift-off")], found, notices


def _measures(stroke: RawStroke) -> list[Measure]:
    named = (
        ("hip_depth", stroke.depth, "share of standing to hip level with knee", 0.1),
        ("dip", stroke.dip_st, "stature", 0.012),
        ("re_bend", stroke.rebend_st, "stature", 0.012),
        ("shoulders_below_standing", stroke.erect_st, "stature", 0.012),
        ("bar_rise", stroke.rise_st, "stature", 0.01),
        ("rise_speed", stroke.speed_st_s, "stature/s", 0.05 * abs(stroke.speed_st_s)),
        ("low_turn", stroke.turn_s if stroke.begins == HANG else np.nan, "s", 0.03),
        ("lockout_angle", *lockout(stroke)),
    )
    return [
        Measure(name=name, value=round(value, 4), unit=unit, uncertainty=uncertainty)
        for name, value, unit, uncertainty in named
        if np.isfinite(value)
    ]


# Upper arm, and forearm with half a hand, in body heights: the elbow between shoulder and bar.
UPPER_ST, FORE_ST = 0.186, 0.201
# Twice the noise of a posture's height.
SHORT_ST = 0.04


def lockout(stroke: RawStroke) -> tuple[float, str, float]:
    """The elbow's angle overhead, told by the bar's height (law of cosines), and its uncertainty.

    Near straight arms a height says little: 0.01 body heights are some 30 degrees there.
    """

    def angle(short: float) -> float:
        reach = min(UPPER_ST + FORE_ST - max(short, 0.0), UPPER_ST + FORE_ST)
        cosine = (UPPER_ST**2 + FORE_ST**2 - reach**2) / (2 * UPPER_ST * FORE_ST)
        return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))

    if stroke.ends != OVERHEAD or not np.isfinite(stroke.short_st):
        return np.nan, "deg", 0.0
    value = angle(stroke.short_st)
    return value, "deg", max(value - angle(max(stroke.short_st, 0.0) + 0.012), 1.0)


def standards(stroke: RawStroke, entry: Movement) -> list[Flag]:
    """Flags for what may miss a movement's standard: the measures say by how much, no verdict.

    Erect at the finish of a lift to the hang, arms locked overhead, hip below knee in a squat (IPF
    and IWF rules, see the catalogue): only beyond what the measure may be off.
    """
    flags: list[Flag] = []
    if entry.ends == "hang" and stroke.erect_st > 0.05:
        flags.append("not_erect")
    if entry.ends == "overhead" and stroke.short_st > SHORT_ST:
        flags.append("not_locked_out")
    if entry.by_hip and entry.via is None and stroke.depth < 1 - 0.1:
        flags.append("not_deep")
    return flags


def _stroke_record(stroke: RawStroke, looks: dict[str, float], key: str) -> Stroke:
    return Stroke(
        id=key,
        path=[STATES[stroke.begins], STATES[stroke.ends]],
        start_s=stroke.start_s,
        top_s=stroke.top_s,
        end_s=stroke.end_s,
        likelihoods=looks,
        confidence=_certainty(stroke),
        flags=list(stroke.flags),
        measures=_measures(stroke),
    )


def _certainty(stroke: RawStroke) -> float:
    """How sure it is that this stroke happened as read: zones known, bar and body seen."""
    body = min(stroke.body_share / 0.5, 1.0)
    seen = (0.5 + 0.5 * stroke.seen_share) * (UNSEEN_BODY + (1 - UNSEEN_BODY) * body)
    return float(np.clip(stroke.zone_confidence * seen, 0, 1))


def _times(stroke: RawStroke, movement: str) -> tuple[float, float, float]:
    """Start, top and end by the movement's definition: from the bar, or from the hip."""
    entry = CATALOGUE.get(movement)
    if entry is None or not entry.by_hip or stroke.hip_times is None:
        return stroke.start_s, stroke.top_s, stroke.end_s
    start, top, end = stroke.hip_times
    if entry.begins == entry.ends:
        return start, top, max(end, top)
    # out of a squat with the bar: from the hip's lowest point, top and end from the bar
    return min(start, stroke.top_s), stroke.top_s, stroke.end_s


def _reps(
    strokes: list[RawStroke],
    likely_names: list[dict[str, float]],
    ids: list[str],
    pairings: list[Pairing],
    workout: Workout | None,
) -> tuple[list[Rep], list[FailedStroke]]:
    """Reps with round, movement, status and confidence; failed strokes apart."""
    reps: list[Rep] = []
    failed: list[FailedStroke] = []
    current = 1
    last_movement: str | None = None
    for stroke, looks, key, pair in zip(strokes, likely_names, ids, pairings, strict=True):
        likely = next(iter(looks), "bar movement")
        if pair.item is None and pair.kind != "handling" and _fell_short(stroke, workout):
            movement = _intended(stroke, workout, last_movement, likely)
            failed.append(_failed(stroke, key, movement))
            continue
        if pair.kind == "handling":
            continue
        place: int | None
        if pair.item is not None:
            last_movement = movement = pair.item.movement
            place = current = pair.item.round
            evidence = _certainty(stroke) * min(2 * fits(stroke, CATALOGUE[movement]), 1.0)
        else:
            movement = _intended(stroke, workout, last_movement, likely)
            place = None if pair.kind == "unplanned" else current
            evidence = _certainty(stroke) * looks.get(likely, 0.5)
        alone = _by_source(stroke, _stated(evidence))
        sure = min(pair.confidence, pair.exact) if pair.item is not None else 1.0
        flags = _flags(stroke, CATALOGUE[movement], counted=pair.item is not None)
        if alone * pair.exact < CHECK_BELOW:
            flags.append("check")
            if pair.exact < alone:
                flags.append("count_short" if pair.short else "count_unsure")
        if stroke.top_off_s > TOP_UNSURE_S:
            flags += [flag for flag in ("check", "top_unsure") if flag not in flags]
        start, top, end = _times(stroke, movement)
        way, share = _style_of(stroke, movement)
        reps.append(
            Rep(
                id=key,
                round=place,
                movement=movement,
                number=pair.item.number if pair.item else None,
                status=_STATUS[pair.kind] if pair.item is None else "counted",
                start_s=start,
                top_s=top,
                end_s=end,
                confidence=min(max(alone * sure, 0.0), 1.0),
                flags=flags,
                measures=_measures(stroke),
                style=way,
                style_confidence=share,
            )
        )
    return _in_order(reps), failed


def _failed(stroke: RawStroke, key: str, movement: str) -> FailedStroke:
    return FailedStroke(
        id=key,
        movement=movement,
        start_s=stroke.start_s,
        peak_s=stroke.top_s,
        end_s=stroke.end_s,
        reached=STATES[stroke.ends],
        confidence=_certainty(stroke),
    )


def _by_source(stroke: RawStroke, confidence: float) -> float:
    """What of a confidence is left where the hands or the bar alone tell of the stroke."""
    if "by_hands" in stroke.flags:
        confidence *= HANDS_ALONE
    if "by_bar" in stroke.flags:
        # no other evidence says which zones these are
        confidence = min(confidence, BAR_ALONE * stroke.zone_confidence)
    elif stroke.body_share == 0.0:
        # the body was away all the while, and the zones are again the bar's alone
        confidence = min(confidence, BAR_ALONE)
    return confidence


def _flags(stroke: RawStroke, entry: Movement, *, counted: bool) -> list[Flag]:
    """What is said of a rep besides its confidence."""
    flags: list[Flag] = list(stroke.flags)
    if counted and entry.knees is not None and style(stroke, entry) < 0.2:
        flags.append("style_differs")
    return flags + standards(stroke, entry)


def _style_of(stroke: RawStroke, movement: str) -> tuple[str | None, float | None]:
    """The style of a stroke as a movement and its probability; None where it has none."""
    told = styles(stroke, CATALOGUE[movement]) if movement in CATALOGUE else {}
    if not told:
        return None, None
    name, share = next(iter(told.items()))
    return name if share >= STYLE_SURE else "unsure", share


def _stated(evidence: float) -> float:
    """How often a rep is right whose evidence multiplies to so much."""
    return float(np.interp(evidence, *np.array(STATED).T))


_STATUS: dict[str, RepStatus] = {
    "counted": "counted",
    "extra": "extra",
    "unplanned": "unplanned",
}


def _in_order(reps: list[Rep]) -> list[Rep]:
    """An end read at the hip may fall behind the next start: the rep ends there at the latest."""
    for rep, following in itertools.pairwise(reps):
        if following.start_s < rep.end_s and following.start_s >= rep.top_s:
            rep.end_s = following.start_s
    return reps


# Shoulders this far below standing: the lift was given up, not finished badly.
SUNK_SHOULDERS_ST = 0.10


def _fell_short(stroke: RawStroke, workout: Workout | None) -> bool:
    """Whether a stroke outside the count never came to its finish.

    A deep bend in the rack that only comes back to the rack is a squat of its own, unless the
    workout asks for none that ends there but for one that goes on overhead.
    """
    if not stroke.finished:
        return True
    if stroke.ends == HANG and stroke.begins == FLOOR:
        return stroke.erect_st > SUNK_SHOULDERS_ST
    if workout is None or stroke.begins != RACK or stroke.ends != RACK:
        return False
    asked = [CATALOGUE[part.movement] for parts in workout.rounds for part in parts]
    higher = replace(stroke, ends=OVERHEAD)
    return not any(fits(stroke, entry) > 0.1 for entry in asked) and any(
        fits(higher, entry) > 0.1 for entry in asked
    )


def _intended(stroke: RawStroke, workout: Workout | None, last: str | None, likely: str) -> str:
    """A name for a stroke outside the count: the workout's own word where it fits."""
    if workout is None:
        return likely
    names = [part.movement for parts in workout.rounds for part in parts]
    if last in names:
        names.insert(0, last)
    whole = replace(stroke, finished=True, ends=_goal(stroke), erect_st=0.0)

    def fit(name: str) -> float:
        return max(fits(stroke, CATALOGUE[name]), fits(whole, CATALOGUE[name]))

    best = max(names, key=fit)
    return best if fit(best) > 0.1 else likely


def _goal(stroke: RawStroke) -> int:
    """The zone a stroke was on its way to: where it ended, or one higher if it fell short."""
    if stroke.begins == stroke.ends == RACK:
        return OVERHEAD
    return stroke.ends if stroke.finished else RACK


def _phases(motion: Motion, zones: Zones) -> list[Phase]:
    """Zones as stretches of time; where nothing was seen for longer, `unseen`."""
    state = zones.path.copy()
    step = max(len(motion.time_s) // max(len(state), 1), 1)
    missing = ~np.isfinite(motion.bar_st[::step][: len(state)])
    names: list[Zone] = [STATES[k] for k in state]
    for a, b in runs(missing & (state != FLOOR)):
        if b - a > 10:
            names[a:b] = ["unseen"] * (b - a)
    phases = []
    a = 0
    for b in range(1, len(names) + 1):
        if b == len(names) or names[b] != names[a]:
            share = zones.probability[a:b].max(1).mean() if names[a] != "unseen" else 0.0
            phases.append(
                Phase(
                    zone=names[a],
                    start_s=zones.time_s[a],
                    end_s=zones.time_s[min(b, len(names) - 1)],
                    probability=float(np.clip(share, 0, 1)),
                )
            )
            a = b
    return phases


_PLACES: dict[int, HoldPlace] = {HANG: "hang", RACK: "rack", OVERHEAD: "overhead"}


def _holds(motion: Motion, zones: Zones, strokes: list[RawStroke]) -> list[Hold]:
    """Where the bar stays in the hands, within the crossing level of its plateau, 1.5 s or more."""
    bar, time = motion.bar_st, motion.time_s
    if len(time) < 30:
        return []
    at = np.clip(np.searchsorted(zones.time_s, time), 0, len(zones.path) - 1)
    state = zones.path[at]
    reach = int(0.15 * motion.rate_hz)
    still = np.zeros(len(bar), bool)
    still[reach:-reach] = np.abs(bar[2 * reach :] - bar[: -2 * reach]) < LEVEL_ST
    held = still & np.isfinite(bar) & (state != FLOOR) & (state != FREE)
    merged: list[tuple[int, int]] = []
    for a, b in runs(held):
        # a tremor does not end a hold: same plateau again within a quarter of a second
        if merged and time[a] - time[merged[-1][1] - 1] < 0.25:
            one = np.median(bar[merged[-1][0] : merged[-1][1]])
            if abs(np.median(bar[a:b]) - one) < 2 * LEVEL_ST:
                merged[-1] = (merged[-1][0], b)
                continue
        merged.append((a, b))
    holds = []
    for a, b in merged:
        level = float(np.nanmedian(bar[a:b]))
        while a > 0 and abs(bar[a - 1] - level) < LEVEL_ST:
            a -= 1
        while b < len(bar) and abs(bar[b] - level) < LEVEL_ST:
            b += 1
        start, end = float(time[a]), float(time[b - 1])
        # a rep inside (a squat returns to the same height) ends the hold before it
        for stroke in strokes:
            if start < stroke.start_s < end and stroke.top_s < end:
                end = min(end, stroke.start_s)
        if end - start >= HOLD_S:
            place = int(np.bincount(state[a:b], minlength=len(STATES)).argmax())
            where = _PLACES.get(place)
            if where is not None:
                holds.append(Hold(start_s=start, end_s=end, where=where))
    return holds


def _trace(motion: Motion) -> Trace:
    """Heights for charts at ten a second."""
    step = max(round(motion.rate_hz / TRACE_HZ), 1)

    def thin(values: np.ndarray) -> list[float | None]:
        return [round(float(v), 3) if np.isfinite(v) else None for v in values[::step]]

    return Trace(
        time_s=[float(t) for t in motion.time_s[::step]],
        bar_st=thin(motion.bar_st),
        hip_st=thin(motion.hip_st),
    )
