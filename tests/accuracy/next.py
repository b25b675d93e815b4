"""What `next` says of attempts that went badly: `python -m tests.accuracy.next --athletes 200`.

Each invented athlete fails for one known reason (`tests/failing_athletes.py`): sets too long,
breaks too short, a start too fast, a load too heavy, in equal numbers. Printed: how often the true
reason is the first, and among the first two, that `next` would change; and how often a change that
it offers makes the same athlete slower, by the mean of the same tries with and without it. Where it
sees no failure, the changes that it makes by the model of slowing are judged as one.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

from repcount.analysis.next_plan import changes_for, decide_next
from repcount.analysis.reasons import trouble
from tests.failing_athletes import REASONS, Case, case

SLOWER_S = 0.5  # no less can be told apart


@dataclass
class Tally:
    """Counts by reason."""

    cases: Counter[str] = field(default_factory=Counter)
    first: Counter[str] = field(default_factory=Counter)
    two: Counter[str] = field(default_factory=Counter)
    offered: Counter[str] = field(default_factory=Counter)
    slower: Counter[str] = field(default_factory=Counter)
    saved: Counter[str] = field(default_factory=Counter)

    def add(self, one: Case) -> None:
        """Judge one attempt."""
        self.cases[one.reason] += 1
        found = trouble(one.filmed, one.plan)
        before = one.mean_s(one.plan)
        if found is None:
            answer = decide_next([one.filmed])
            if answer.suggestions:
                self._judge("by model", before, one.mean_s(answer.plan))
            return
        made = changes_for(one.filmed.attempt, one.plan, found)
        kinds = [change.kind for _, change in made[:2]]
        self.first[one.reason] += kinds[:1] == [one.reason]
        self.two[one.reason] += one.reason in kinds
        for _, change in made:
            self._judge(change.kind, before, one.after_s(change.plan))

    def _judge(self, kind: str, before: float, after: float) -> None:
        self.offered[kind] += 1
        self.slower[kind] += after > before + SLOWER_S
        self.saved[kind] += round(before - after)

    def lines(self) -> list[str]:
        """The tables."""
        found = [f"{'reason':<8}{'athletes':>9}{'first':>8}{'first two':>11}"]
        for name in (*REASONS, ""):
            many = self.cases[name] if name else self.cases.total()
            first = self.first[name] if name else self.first.total()
            two = self.two[name] if name else self.two.total()
            if many:
                found.append(f"{name or 'all':<8}{many:>9}{first / many:>8.0%}{two / many:>11.0%}")
        found.append(f"{'change':<8}{'offered':>9}{'slower':>8}{'saves, s':>11}")
        for name in (*REASONS, "by model", ""):
            many = self.offered[name] if name else self.offered.total()
            slower = self.slower[name] if name else self.slower.total()
            saved = self.saved[name] if name else self.saved.total()
            if many:
                share = f"{slower / many:.0%}"
                found.append(f"{name or 'all':<8}{many:>9}{share:>8}{saved / many:>11.1f}")
        return found


def tally(athletes: int, first_seed: int = 0) -> Tally:
    """Judge so many athletes, as many for each reason."""
    found = Tally()
    for reason in REASONS:
        seed = first_seed
        while found.cases[reason] < athletes // len(REASONS):
            one = case(seed, reason)
            seed += 1
            if one is not None:
                found.add(one)
    return found


def main() -> None:
    """Simulate the athletes asked for and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--athletes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    print("\n".join(tally(given.athletes, given.seed).lines()))


if __name__ == "__main__":
    main()
