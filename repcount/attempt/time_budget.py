"""Where the time went: the clock's run divided kind after kind, in whole milliseconds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

from repcount.units import Ms

K = TypeVar("K", bound=str)
Span = tuple[Ms, Ms]  # from, to (not with it)


def joined(spans: Iterable[Span]) -> list[Span]:
    """The time that any of the spans covers, as spans in order that do not touch."""
    found: list[Span] = []
    for begin, end in sorted(span for span in spans if span[1] > span[0]):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((begin, end))
    return found


def clipped(spans: Iterable[Span], within: Span) -> list[Span]:
    """The parts of spans that lie in another; empty parts fall away."""
    cut = [(max(begin, within[0]), min(end, within[1])) for begin, end in spans]
    return [span for span in cut if span[1] > span[0]]


def without(spans: Iterable[Span], taken: Iterable[Span]) -> list[Span]:
    """The time that spans cover and none of `taken` does."""
    left: list[Span] = []
    cuts, first = joined(taken), 0
    for begin, end in joined(spans):
        while first < len(cuts) and cuts[first][1] <= begin:
            first += 1
        since = begin
        for cut in cuts[first:]:
            if cut[0] >= end:
                break
            if cut[0] > since:
                left.append((since, cut[0]))
            since = max(since, cut[1])
        if since < end:
            left.append((since, end))
    return left


def length(spans: Iterable[Span]) -> Ms:
    """How much time spans cover together, each moment once."""
    return Ms(sum(end - begin for begin, end in joined(spans)))


def allot(run: Span, layers: Sequence[tuple[K, Sequence[Span]]], rest: K) -> dict[K, Ms]:
    """Time of `run` by kind: a later layer takes only what is still free, `rest` the rest.

    The values add up to the length of `run` exactly.
    """
    free = joined([run])
    spent: dict[K, Ms] = {}
    for kind, spans in layers:
        left = without(free, spans)
        spent[kind] = length(free) - length(left)
        free = left
    spent[rest] = length(free)
    return spent
