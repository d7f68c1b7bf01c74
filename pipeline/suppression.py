"""Complementary suppression: which counts must be withheld so that no small one can be worked out.

The published counts are joined by sums (parts that add up to a total). A sum that holds a withheld
count is safe when at least two of its parts are withheld and rest together on the smallest count,
or when its total is withheld beside a part. Counts are withheld one by one, those first that make
the fewest other sums unsafe, then the smallest, until all sums are safe. As sums that are safe one by one can still give
a count away together, each small count is then bounded from all sums at once, and more are withheld
until nobody can show that it is small.

References
----------
Willenborg L, de Waal T (2001). Elements of statistical disclosure control. Springer, chapters 4 and 5
(from memory).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import linprog

REST = "~rest of "
"""What is missing from a sum to its total is no published count, but follows like one."""


@dataclass(frozen=True)
class Count:
    """One published count.

    Attributes
    ----------
    name : str
        Its name.
    value : int
        The count, 0 or more.
    n_patients : int
        Patients that it rests on.
    is_fixed : bool
        True where it is known to the reader anyway and can't be withheld.
    is_estimate : bool
        True where an estimate would be withheld with it: the smallest goes first, even if that
        makes more sums unsafe.
    """

    name: str
    value: int
    n_patients: int
    is_fixed: bool = False
    is_estimate: bool = False


@dataclass(frozen=True)
class Sum:
    """Counts that add up.

    Attributes
    ----------
    total : str
        Name of the total.
    parts : tuple of str
        Names of what adds up to it; a single part is the same count under another name.
    """

    total: str
    parts: tuple[str, ...]


def suppress(
    counts: tuple[Count, ...], sums: tuple[Sum, ...], smallest: int, withheld: frozenset[str]
) -> frozenset[str]:
    """Say which counts are to be withheld.

    Parameters
    ----------
    counts : tuple of Count
        All published counts.
    sums : tuple of Sum
        How they add up. Parts that are more than their total overlap, and are no sum; parts that
        are less leave a rest that is protected like a count.
    smallest : int
        Smallest number of patients that may be shown; 0 may.
    withheld : frozenset of str
        Counts that are withheld whatever they are.

    Returns
    -------
    frozenset of str
        Names of all that are withheld: the small ones, those given, and the complementary ones.
    """
    return _Search(counts, sums, smallest).run(withheld)


class _Search:
    def __init__(self, counts: tuple[Count, ...], sums: tuple[Sum, ...], smallest: int) -> None:
        self.counts = {count.name: count for count in counts}
        self.smallest = smallest
        self.sums = [self._with_rest(one) for one in sums if self._excess(one) >= 0]
        self.sums_of: dict[str, list[Sum]] = {}
        for one in self.sums:
            for name in (one.total, *one.parts):
                self.sums_of.setdefault(name, []).append(one)

    def run(self, withheld: frozenset[str]) -> frozenset[str]:
        hidden = set(withheld)
        hidden |= {n for n, c in self.counts.items() if n.startswith(REST) or self._is_small(c)}
        while True:
            self._make_sums_safe(hidden)
            exposed = self._exposed(hidden)
            more = next((n for e in exposed if (n := self._near(e, hidden))), None)
            if more is None:
                return frozenset(n for n in hidden if not n.startswith(REST))
            hidden.add(more)

    def _excess(self, one: Sum) -> int:
        return self.counts[one.total].value - sum(self.counts[p].value for p in one.parts)

    def _with_rest(self, one: Sum) -> Sum:
        excess = self._excess(one)
        if excess == 0:
            return one
        name = f"{REST}{one.total}, {', '.join(one.parts)}"
        self.counts[name] = Count(name, excess, excess)
        return replace(one, parts=(*one.parts, name))

    def _is_small(self, count: Count) -> bool:
        return not count.is_fixed and 0 < count.n_patients < self.smallest

    def _make_sums_safe(self, hidden: set[str]) -> None:
        while True:
            waiting = [
                (self._patients(one, hidden), place, chosen)
                for place, one in enumerate(self.sums)
                if not self._is_safe(one, hidden) and (chosen := self._complement(one, hidden))
            ]
            if not waiting:
                return
            hidden.add(min(waiting)[2])  # the most sensitive sum first

    def _is_safe(self, one: Sum, hidden: set[str]) -> bool:
        parts = [p for p in one.parts if p in hidden]
        if one.total in hidden:
            return bool(parts)
        if all(p.startswith(REST) and self.counts[p].value >= self.smallest for p in parts):
            return True  # nothing small is behind this sum
        return len(parts) > 1 and self._patients(one, hidden) >= self.smallest

    def _patients(self, one: Sum, hidden: set[str]) -> int:
        return sum(self.counts[p].n_patients for p in one.parts if p in hidden)

    def _complement(self, one: Sum, hidden: set[str]) -> str:
        """Choose what else to withhold of a sum; empty where all of it is withheld."""
        free = [n for n in (*one.parts, one.total) if n not in hidden]
        free = [n for n in free if not self.counts[n].is_fixed]
        return min(free, key=lambda name: self._cost(name, one, hidden), default="")

    def _cost(self, name: str, one: Sum, hidden: set[str]) -> tuple[bool, int, bool, int, str]:
        count = self.counts[name]
        others = [s for s in self.sums_of[name] if s is not one]
        unsafe = sum(not self._is_safe(other, {*hidden, name}) for other in others)
        unsafe = 0 if count.is_estimate else unsafe
        return (count.value == 0, unsafe, name == one.total, count.n_patients, name)

    def _exposed(self, hidden: set[str]) -> list[str]:
        """List small counts that can be shown to be small from all sums together."""
        names = sorted(n for n in hidden if n in self.sums_of)
        rows = [one for one in self.sums if hidden & {one.total, *one.parts}]
        if not names or not rows:
            return []
        place = {name: i for i, name in enumerate(names)}
        matrix, right = np.zeros((len(rows), len(names))), np.zeros(len(rows))
        for i, one in enumerate(rows):
            for name, sign in ((one.total, -1.0), *((part, 1.0) for part in one.parts)):
                if name in place:
                    matrix[i, place[name]] += sign
                else:
                    right[i] -= sign * self.counts[name].value
        small = [n for n in names if self._is_small(self.counts[n])]
        return [n for n in small if self._most(place[n], matrix, right) < self._cover(n)]

    def _cover(self, name: str) -> float:
        """Give the value that a small count must be able to have, for all that a reader knows."""
        return max(self.smallest, self.counts[name].value + 1) - 1e-6

    @staticmethod
    def _most(place: int, matrix: np.ndarray, right: np.ndarray) -> float:
        target = np.zeros(matrix.shape[1])
        target[place] = -1.0
        found = linprog(target, A_eq=matrix, b_eq=right, bounds=(0, None), method="highs")
        return float(-found.fun) if found.status == 0 else np.inf  # status 3: no upper bound

    def _near(self, name: str, hidden: set[str]) -> str:
        """Choose what else to withhold among the sums that are joined to a count."""
        reached, joined = {name}, list(self.sums_of[name])
        for one in joined:  # grows while it is walked: all sums that share a withheld count
            for other in (one.total, *one.parts):
                if other in hidden and other not in reached:
                    reached.add(other)
                    joined += [s for s in self.sums_of[other] if s not in joined]
        options = [(one, n) for one in joined if (n := self._complement(one, hidden))]
        if not options:
            return ""
        return min(options, key=lambda option: self._cost(option[1], option[0], hidden))[1]
