"""Strokes → the workout: an optimal alignment with priced omissions and additions.

Part 2 of the reading. Strokes and the workout's sequence of repetitions are both ordered; the
alignment pairs them at least cost, leaving out repetitions that were not done and strokes that
belong to nothing. The plan's breaks are not known here.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repcount.attempt.corrected import BREAK_S
from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import Workout
from repcount.reading.decode import FLOOR, HANG, RACK
from repcount.reading.label import fits, not_erect, style
from repcount.reading.rests import RawRest
from repcount.reading.strokes import RawStroke

# Prices are log odds: how many times rarer the event is than a repetition as prescribed.
MISSING = 3.0  # a prescribed repetition not done
# To leave out the rest of a movement is one event, not so many: from the third repetition on each
# costs half, which is still more than a lift after the end, so that of two movements done in the
# wrong order the one with more repetitions counts.
LEFT_OUT = MISSING / 2
# Nor is a whole movement forgotten rep by rep: one in 150 is.
FORGOTTEN = 5.0
EXTRA = 3.0  # a stroke beyond what is asked for
# A movement done before its turn, or too late, is one event as well: each further stroke of a row
# beyond what is asked for costs half.
ONE_MORE_EXTRA = EXTRA / 2
# One too many is one more of what was just done, but for one in eight.
OUT_OF_TURN = 2.0
HANDLING = 0.7  # picking the bar up to go on with a movement that starts higher
OUTSIDE = 0.5  # a stroke before the start or after the last repetition
STOPPED = 1.6  # an attempt that stops before its end: one in five
UNFINISHED = 0.1  # and each repetition left undone by that
# A round tends to begin after the longest of the bar's rests: going on without putting it down is
# one round in five.
STRAIGHT_ON = 1.6
FITS_WELL = 0.3  # a stroke that fits at least so well costs nothing, so ties go to order alone
# A lift that is due and fits counts, by the definitions, however many come after it: that it was
# none is as likely as that a rep of the best evidence is wrong (`STATED` in `read.py`).
NO_REP = 5.8
# But the last of all, alone after a break: one in twenty of those is a lift after the end (an
# assumption), and one before it was not counted.
AFTER_END = 3.0
WELL = 1.0  # a stroke whose price as a repetition is lower fits it, where a definition decides
RULED_OUT = 1e6  # what the start signal rules out
# Of the movements that come out short so many were done in full, and a lift was not read.
UNREAD = 0.02


@dataclass(frozen=True)
class Item:
    """One prescribed repetition."""

    round: int
    movement: str
    number: int


@dataclass(frozen=True)
class Pairing:
    """What one stroke is in the workout: an item, or none with a reason, and how sure that is.

    `exact` is the probability that the count of its movement in its round is as read, told of one
    stroke of them, and `short` whether that or what should follow it came out short; 1 and False
    for all others.
    """

    item: Item | None
    kind: str  # "counted", "handling", "extra" or "unplanned"
    confidence: float
    exact: float = 1.0
    short: bool = False


def expand(workout: Workout) -> list[Item]:
    """The workout's repetitions in order."""
    return [
        Item(place, part.movement, number)
        for place, parts in enumerate(workout.rounds, 1)
        for part in parts
        for number in range(1, part.reps + 1)
    ]


def is_pick_up(strokes: list[RawStroke], rests: list[RawRest], index: int) -> bool:
    """Whether a stroke from the floor (or on from such a one) leads into a higher start.

    True when the next stroke follows without the bar on the floor between and starts where this
    one ended or higher.
    """
    stroke = strokes[index]
    if index + 1 >= len(strokes):
        return False
    if stroke.begins != FLOOR:
        # the second half of a pick-up to the rack: floor to hang, hang to rack
        before = strokes[index - 1] if index > 0 else stroke
        halves = before.begins == FLOOR and before.ends == stroke.begins == HANG
        if not halves or stroke.ends != RACK or _floor_between(strokes, rests, index - 1):
            return False
    following = strokes[index + 1]
    if _floor_between(strokes, rests, index):
        return False
    return following.begins >= stroke.ends and following.begins != FLOOR


def _floor_between(strokes: list[RawStroke], rests: list[RawRest], index: int) -> bool:
    first, second = strokes[index].top_s, strokes[index + 1].top_s
    return any(first < rest.end_s and rest.first_contact_s < second for rest in rests)


def _costs(strokes: list[RawStroke], items: list[Item]) -> np.ndarray:
    """Price (n strokes, m items) of calling a stroke an item."""
    cost = np.zeros((len(strokes), len(items)))
    for i, stroke in enumerate(strokes):
        price: dict[str, float] = {}
        for j, item in enumerate(items):
            if item.movement not in price:
                movement = CATALOGUE[item.movement]
                fit = fits(stroke, movement)
                # a style that differs is a uncertain label, not another repetition
                fit *= 0.4 + 0.6 * style(stroke, movement)
                price[item.movement] = max(-math.log(fit / FITS_WELL), 0.0)
            cost[i, j] = price[item.movement]
    return cost


def _round_starts(strokes: list[RawStroke], rests: list[RawRest], items: list[Item]) -> np.ndarray:
    """Price (n, m) of beginning a round with a stroke: none after the longest rests of the bar.

    Only the order of their lengths counts, never what a plan says. The rest before a pick-up is
    that of the stroke it leads to as well.
    """
    cost = np.zeros((len(strokes), len(items)))
    firsts = [j for j in range(1, len(items)) if items[j].round != items[j - 1].round]
    if not firsts or not strokes:
        return cost
    length = np.zeros(len(strokes))
    for i in range(1, len(strokes)):
        between = [
            rest.end_s - rest.start_s
            for rest in rests
            if strokes[i - 1].top_s <= rest.start_s and rest.end_s <= strokes[i].top_s
        ]
        length[i] = max(between, default=0.0)
    led = length.copy()
    for i in range(1, len(strokes)):
        if is_pick_up(strokes, rests, i - 1):
            led[i] = max(led[i], led[i - 1])
    least = float(np.sort(length)[::-1][: len(firsts)][-1])
    with np.errstate(divide="ignore"):
        price = np.clip(np.log(max(least, 1e-3) / np.maximum(led, 1e-3)), 0.0, STRAIGHT_ON)
    cost[:, firsts] = price[:, None]
    return cost


def align(
    strokes: list[RawStroke],
    rests: list[RawRest],
    items: list[Item],
    *,
    start_s: float | None = None,
    begun: bool = False,
) -> tuple[list[Pairing], float]:
    """Pair strokes with the workout's items; returns one Pairing a stroke and the total price.

    Strokes with a `top_s` before `start_s` are never counted. Among equally good alignments the
    earlier strokes are counted and the later ones are extra; missing repetitions are the last of
    their movement. With `begun` the film starts when the attempt has begun: repetitions before the
    first stroke may have been done unseen.
    """
    size = len(items)
    skip = np.full(size, MISSING)
    # leaving out a round's first repetition does not make its beginning cheaper
    skip[[j for j in range(1, size) if items[j].round != items[j - 1].round]] += STRAIGHT_ON
    match, alone, handled = _prices(strokes, rests, items, start_s)
    whole = np.array([stroke.finished for stroke in strokes], bool)
    first = alone.copy()
    first[:, :size] += OUT_OF_TURN * _out_of_turn(match, items, whole, handled)[:, :size]
    # to take the bar up, or a lift that fails, is no part of a row
    in_row = np.append(False, whole[:-1] & ~handled[:-1])[:, None] & (alone < RULED_OUT)
    add = np.array([first, np.where(in_row, np.minimum(alone, ONE_MORE_EXTRA), first)])
    tail = np.concatenate([STOPPED + np.cumsum(np.full(size, UNFINISHED))[::-1], [0.0]])
    least = skips(skip, _omissions(items, skip))
    lead = _lead(least[0], begun)
    chosen, done, price = cheapest(match, add, least, tail, lead)
    early = sum(start_s is not None and stroke.top_s < start_s for stroke in strokes)
    _most_counted(chosen, items, match, alone, early)
    posterior = pair_probabilities(
        match,
        _by_definition(match, add, items, whole, _after_break(strokes, rests)),
        _ends_left_out(least, items),
        tail,
        _lead(np.where(np.arange(size + 1) > 0, np.inf, 0.0), begun),
    )
    last_top = max(
        (one.top_s for one, place in zip(strokes, chosen, strict=True) if place is not None),
        default=None,
    )
    if done < size:
        last_top = None  # unfinished: nothing comes after its end
    pairings = []
    sure = _sure(chosen, posterior, items)
    for i, (stroke, place) in enumerate(zip(strokes, chosen, strict=True)):
        if place is not None:
            pairings.append(Pairing(items[place], "counted", *sure[i]))
            continue
        none = float(max(1 - posterior[i].sum(), 0.0))
        if handled[i]:
            pairings.append(Pairing(None, "handling", none))
            continue
        outside = (start_s is not None and stroke.top_s < start_s) or (
            last_top is not None and stroke.top_s > last_top and _apart(strokes, rests, i)
        )
        known = any(fits(stroke, CATALOGUE[item.movement]) > 0.1 for item in items)
        pairings.append(Pairing(None, "unplanned" if outside or not known else "extra", none))
    return pairings, price


def _prices(
    strokes: list[RawStroke], rests: list[RawRest], items: list[Item], start_s: float | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Prices of calling a stroke an item (n, m) and of calling it none with so many items done
    (n, m + 1), and whether it only takes the bar up (n,)."""
    count, size = len(strokes), len(items)
    match = _costs(strokes, items) if count and size else np.zeros((count, size))
    match += _round_starts(strokes, rests, items)
    add = np.full((count, size + 1), EXTRA)
    handled = np.zeros(count, bool)
    # standing up in the hang is a repetition only where a hinge is asked for
    hinges = any(
        CATALOGUE[item.movement].begins == CATALOGUE[item.movement].ends == "hang" for item in items
    )
    # two halves of a pick-up, but where the second is a repetition asked for
    pulls = any(
        (CATALOGUE[item.movement].begins, CATALOGUE[item.movement].ends) == ("hang", "rack")
        for item in items
    )
    for i, stroke in enumerate(strokes):
        stood_up = stroke.begins == stroke.ends == HANG and stroke.finished and not hinges
        stood_up &= not stroke.bent_over
        picked_up = is_pick_up(strokes, rests, i) and not (pulls and stroke.begins == HANG)
        if picked_up or stood_up:
            handled[i] = True
            # it is handling if the one that began in the hang did so, which may be unsure
            sure = (strokes[i + 1] if picked_up else stroke).hung
            add[i] = HANDLING + _either(sure, 0.0, EXTRA)
        if (picked_up and stroke.begins == FLOOR) or stood_up:
            # by definition a pick-up counts as what begins on the floor, and only if it stands
            from_floor = np.array([CATALOGUE[item.movement].begins == "floor" for item in items])
            bent = EXTRA * max(2 * not_erect(stroke) - 1, 0)
            match[i] += np.where(from_floor, _either(sure, bent, 0.0), _either(sure, EXTRA, 0.0))
        if not stroke.finished:
            add[i] = np.minimum(add[i], OUTSIDE)
        add[i, size] = min(add[i, size], 2 * OUTSIDE)
        if start_s is not None and stroke.top_s < start_s:
            match[i] = RULED_OUT
            add[i] = RULED_OUT
            add[i, 0] = OUTSIDE
    return match, add, handled


def _either(sure: float, price: float, otherwise: float) -> float:
    """The price of what is worth `price` if something holds, which is so `sure`, and `otherwise` if
    not."""
    return -math.log(sure * math.exp(-price) + (1 - sure) * math.exp(-otherwise))


def _omissions(items: list[Item], skip: np.ndarray) -> list[tuple[int, int, float]]:
    """What `skips` takes for leaving out the rest of a movement, or all of it, at once."""
    # what comes last is not left out, it is not come to
    groups = _groups(items)[:-1]
    jumps = [
        (a, b, float(skip[a : a + 2].sum()) + LEFT_OUT * (b - a - 2))
        for first, b in groups
        for a in range(first + 1, b - 2)
    ]
    jumps += [(a, b, FORGOTTEN + float(skip[a]) - MISSING) for a, b in groups]
    return sorted(jumps, key=lambda jump: jump[1])


def _by_definition(
    match: np.ndarray,
    add: np.ndarray,
    items: list[Item],
    whole: np.ndarray,
    after_break: np.ndarray,
) -> np.ndarray:
    """Prices `add` (2, n, m + 1) with that of leaving out a `whole` stroke (n,) which fits what is
    due: a movement that is begun, or another than the one before. One `after_break` (n,) may be
    none of the workout, where only the last is due."""
    add = add.copy()
    last_due = add[:, :, -2].copy()
    for a, b in _groups(items):
        due = a + 1 if a and items[a - 1].movement == items[a].movement else a
        if due < b:
            fit = whole & (match[:, b - 1] < WELL)
            add[:, fit, due:b] = np.maximum(add[:, fit, due:b], NO_REP)
    alone = after_break & (add[:, :, -2] == NO_REP)
    add[:, :, -2] = np.where(alone, np.maximum(last_due, AFTER_END), add[:, :, -2])
    return add


def _after_break(strokes: list[RawStroke], rests: list[RawRest]) -> np.ndarray:
    """(n,) whether the bar lay for a break's length between a stroke and the one before."""
    tops = [stroke.top_s for stroke in strokes]
    return np.array(
        [
            any(
                before < rest.start_s and rest.end_s < top and rest.end_s - rest.start_s >= BREAK_S
                for rest in rests
            )
            for before, top in zip([-np.inf, *tops], tops, strict=False)
        ],
        bool,
    )


def _ends_left_out(least: np.ndarray, items: list[Item]) -> np.ndarray:
    """Log weights (m + 1, m + 1) of leaving items out as the definitions have it: of a movement
    that comes out short the last are missing. So each count of a movement is told in one way."""
    with np.errstate(divide="ignore"):
        ways = np.log(np.eye(len(least)))
    for a, b in _groups(items):
        for first in range(a, b):
            ways[:, b] = np.logaddexp(ways[:, b], ways[:, first] - least[first, b])
    return ways


def _sure(
    chosen: list[int | None], posterior: np.ndarray, items: list[Item]
) -> dict[int, tuple[float, float, bool]]:
    """How sure each counted stroke is of its movement in its round, and, told of one stroke of
    each, how sure their count is and whether it is short.

    As repetitions are done in order, the probability that so many were done is that of the last
    of them less that of the next. It is told of the stroke that may belong elsewhere, if that is
    the doubt; else of the last. Where none was counted it is told of the last one before.
    """
    counted = [(i, place) for i, place in enumerate(chosen) if place is not None]
    groups = _groups(items) if counted else []
    inside = {
        i: min(float(posterior[i, a:b].sum()), 1.0)
        for a, b in groups
        for i, place in counted
        if a <= place < b
    }
    found = {i: (sure, 1.0, False) for i, sure in inside.items()}
    done = posterior.sum(0)
    for a, b in groups:
        mine = [(i, place) for i, place in counted if a <= place < b]
        more = done[mine[-1][1] + 1 if mine else a : b]
        exact = (done[mine[-1][1]] if mine else 1.0) - (more[0] if len(more) else 0.0)
        exact = float(np.clip(exact, 0.0, 1.0))
        short = len(more) > 0 and counted[-1][1] >= a
        if short:
            exact *= 1 - UNREAD
        if mine:
            one = min((i for i, _ in mine), key=lambda i: inside[i])
            one = one if 1 - inside[one] > (1 - exact) / 2 else mine[-1][0]
        else:
            one = max((i for i, place in counted if place < a), default=counted[0][0])
        sure, before, missing = found[one]
        found[one] = sure, before * exact, missing or short
    return found


def _out_of_turn(
    match: np.ndarray, items: list[Item], whole: np.ndarray, handled: np.ndarray
) -> np.ndarray:
    """Whether (n, m + 1) a stroke, with so many items done, is not one more of what was just done.

    Only `whole` strokes (n,) that are not `handled` (n,). So many in a row that they are the
    movement of two rounds may be one round's done too late, and are no mistake in counting.
    """
    found = np.zeros((len(match), len(items) + 1), bool)
    if not found.size or not items:
        return found
    asked = Counter((item.round, item.movement) for item in items)
    names = np.array([item.movement for item in items])
    before = np.array(["", *names])
    likely = [str(names[place]) for place in match.argmin(axis=1)]
    run: list[int] = []
    for i in [*np.flatnonzero(whole & (match.min(axis=1) < EXTRA)).tolist(), None]:
        last = likely[run[0]] if run else ""
        if i is not None and (not run or likely[i] == last):
            run.append(i)
        elif i is None or not handled[i]:
            most = max((count for (_, name), count in asked.items() if name == last), default=0)
            if len(run) < 2 * most:
                found[[k for k in run if not handled[k]]] = before != last
            run = [] if i is None else [i]
    found[:, 0] = False
    return found


def _most_counted(
    chosen: list[int | None], items: list[Item], match: np.ndarray, add: np.ndarray, early: int
) -> None:
    """Where a movement was left out for another that was done before its turn, count as many of
    the round's strokes as the order allows, the earlier ones where that is the same, in place:
    which round a stroke is of is settled, what counts in it is a definition. `add` (n, m + 1) is
    the price of leaving a stroke out; the first `early` strokes lie before the start.
    """
    rounds = [item.round for item in items]
    for number in dict.fromkeys(rounds):
        first, last = rounds.index(number), len(rounds) - rounds[::-1].index(number)
        taken = [(i, place) for i, place in enumerate(chosen) if place is not None]
        done = {items[place].movement for _, place in taken if first <= place < last}
        if not done or done == {item.movement for item in items[first:last]}:
            continue
        begin = max((i + 1 for i, place in taken if place < first), default=early)
        end = min((i for i, place in taken if place >= last), default=len(chosen))
        here = match[begin:end, first:last]
        fits = here.min(axis=1, keepdims=True) < WELL
        out = np.where(fits, EXTRA, np.maximum(add, add[:, :1])[begin:end, first : last + 1])
        least = skips(np.full(last - first, MISSING))
        to_the_end = np.append(np.full(last - first, np.inf), 0.0)
        inside, _, _ = cheapest(
            np.where(here < WELL, 0.0, here), np.array([out, out]), least, to_the_end, least[0]
        )
        before = sum(place is not None for place in chosen[begin:end])
        if sum(place is not None for place in inside) >= before:
            chosen[begin:end] = [None if place is None else first + place for place in inside]


def _groups(items: list[Item]) -> list[tuple[int, int]]:
    """First and end of each movement of each round among the items."""
    keys = [(item.round, item.movement) for item in items]
    edges = [0, *[j for j in range(1, len(keys)) if keys[j] != keys[j - 1]], len(keys)]
    return list(itertools.pairwise(edges)) if keys else []


def skips(skip: np.ndarray, jumps: Sequence[tuple[int, int, float]] = ()) -> np.ndarray:
    """Leaving items out: the least price (m + 1, m + 1) of going from so many items done to so many
    more.

    `skip` (m,) is the price of leaving out each item; a jump (a, b, price) leaves out items a to
    b - 1 at once. Leaps come in the order of b, none before the end of one with a lower b.
    """
    size = len(skip)
    total = np.concatenate([[0.0], np.cumsum(skip)])
    least = total[None, :] - total[:, None]
    least[np.tril_indices(size + 1, -1)] = np.inf
    for a, b, price in jumps:
        on = total[b:] - total[b]
        least[:, b:] = np.minimum(least[:, b:], least[:, [a]] + price + on)
    return least


def cheapest(
    match: np.ndarray,
    add: np.ndarray,
    least: np.ndarray,
    tail: np.ndarray,
    lead: np.ndarray,
) -> tuple[list[int | None], int, float]:
    """The cheapest order-preserving pairing of n strokes with m items.

    Prices: `match` (n, m) of calling a stroke an item; `add` (2, n, m + 1) of leaving a stroke out
    when so many items are done, the first of a row and each after it; `least` (m + 1, m + 1) of
    leaving items out, see `skips`; `lead` and `tail` (m + 1,) of beginning and of stopping with so
    many items done. Returns each stroke's item or None, how many items are done, and the price. Of
    equal prices the earlier strokes are paired.
    """
    count, size = match.shape
    # best[i][1]: with stroke i - 1 left out; best[i][0]: with it paired, or none yet
    best = np.full((count + 1, 2, size + 1), np.inf)
    rows = np.full((count, 2, size + 1), np.inf)
    best[0, 0] = lead
    for i in range(count):
        rows[i, 0, 1:] = best[i, :, :-1].min(0) + match[i]
        rows[i, 1] = (best[i] + add[:, i]).min(0)
        best[i + 1] = (rows[i, :, :, None] + least).min(1)
    price = float((best[count] + tail).min())

    def last(prices: np.ndarray, least: float) -> int:
        return int(np.flatnonzero(np.isclose(prices, least, rtol=0, atol=1e-9))[-1])

    done = int(np.argmin((best[count] + tail).min(0)))
    chosen: list[int | None] = [None] * count
    j = done
    out = last(best[count, :, j], best[count, :, j].min())
    for i in range(count - 1, -1, -1):
        ways = np.isclose(rows[i, out] + least[:, j], best[i + 1, out, j], rtol=0, atol=1e-9)
        if out:
            j = int(np.flatnonzero(ways)[-1])
            before = best[i, :, j] + add[:, i, j]
        else:
            j = int(np.flatnonzero(ways)[0]) - 1
            chosen[i] = j
            before = best[i, :, j]
        out = last(before, before.min())
    return chosen, done, price


def _apart(strokes: list[RawStroke], rests: list[RawRest], index: int) -> bool:
    """Whether a stroke stands apart from the one before: the bar was down, or it went on higher."""
    return index == 0 or _floor_between(strokes, rests, index - 1)


def _lead(left_out: np.ndarray, begun: bool) -> np.ndarray:
    """Price (m + 1,) of beginning with each item."""
    if not begun:
        return left_out
    unseen = STOPPED + UNFINISHED * np.arange(len(left_out))
    unseen[0] = 0.0
    return np.minimum(left_out, unseen)


def pair_probabilities(
    match: np.ndarray,
    add: np.ndarray,
    ways: np.ndarray,
    tail: np.ndarray,
    lead: np.ndarray,
) -> np.ndarray:
    """Probability (n, m) that stroke i is item j, over all alignments (forward-backward).

    Prices as in `cheapest`; an alignment's weight is exp(-price). `ways` (m + 1, m + 1) is the log
    weight of going from so many items done to so many more by leaving items out, which happens
    before a stroke that is paired, and at the end.
    """
    count, size = match.shape
    if not count or not size:
        return np.zeros((count, size))
    weight = np.exp(ways)
    # forward[i][1]: with stroke i - 1 left out; forward[i][0]: with it paired, or none yet
    forward = np.full((count + 1, 2, size + 1), -np.inf)
    forward[0, 0] = -lead
    due = np.empty((count, size))
    for i in range(count):
        due[i] = _log_product(np.logaddexp(*forward[i]), weight)[:-1] - match[i]
        forward[i + 1, 0, 1:] = due[i]
        forward[i + 1, 1] = np.logaddexp(*(forward[i] - add[:, i]))
    # backward[j]: all ways to finish after i strokes and j items, by what became of the last
    end = _log_product(-tail, weight.T)
    backward = np.array([end, end])
    evidence = np.logaddexp.reduce((forward[count] + backward).ravel())
    pairs = np.empty((count, size))
    for i in range(count - 1, -1, -1):
        pairs[i] = due[i] + backward[0, 1:] - evidence
        paired = _log_product(np.append(backward[0, 1:] - match[i], -np.inf), weight.T)
        backward = np.logaddexp(backward[1] - add[:, i], paired)
    return np.exp(np.minimum(pairs, 0.0))


def _log_product(logs: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The log of exp(logs) @ weight, kept from under- and overflow."""
    most = float(logs.max())
    with np.errstate(divide="ignore"):
        return np.log(np.exp(logs - most) @ weight) + most
