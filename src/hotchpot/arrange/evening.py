"""
Evening a second sum between groups that are equal in the first: conductance, once capacity is shared out.

Cells side by side share a current by their conductances, so groups of equal conductance drop and warm alike. Among the
gaps between two groups, sorted by capacity, those near zero are many; of these the one is taken that carries the
wanted conductance across.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import fsum, isfinite
from typing import TYPE_CHECKING

from hotchpot.arrange.exchanges import Step, exchange, thinned
from hotchpot.arrange.partition import Counts, Partition, balanced
from hotchpot.errors import InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

EVEN_FRAC = 0.001
_AIM = 0.5  # of the spread allowed: where exchanges stop
_NEIGHBOURS = 12  # of each gap, in the order of capacity, looked at as its partner
_LEAST_PART = 0.01  # of the wanted conductance: exchanges that carry less are not worth their time


@dataclass(frozen=True)
class Evened:
    """A partition, the conductance of each group, and their spread over their mean; `even` tells whether it is met."""

    partition: Partition
    conductances: tuple[float, ...]
    spread_frac: float
    even: bool


def evened(
    sizes: Sequence[float],
    conductances: Sequence[float],
    groups: int,
    *,
    close: float = 0.001,
    even_frac: float = EVEN_FRAC,
    counts: Counts = "equal",
    seed: int = 1,
    over: Callable[[], bool] = lambda: False,
) -> Evened:
    r"""
    Return groups of equal sum whose conductances are even too.

    Parameters
    ----------
    sizes, conductances : sequence of float, shape (n,)
        What each cell holds and one over its resistance, above zero. [Ah], [S]
    groups : int
        How many groups.
    close : float, default 0.001
        How wide the groups' sums may lie, half to each side of the mean; where sharing out alone leaves a wider
        spread, that one is kept. [Ah]
    even_frac : float, default 0.001
        Spread of the groups' conductances over their mean that is wanted.
    counts, seed, over
        As in `balanced`, which shares out first; exchanges after it keep the counts.

    Returns
    -------
    Evened
        The partition of both; its value is within `close`/2 of the one of capacity alone.

    Raises
    ------
    InputError
        If the two lists differ in length, a conductance is not above zero, or as in `balanced`.

    Notes
    -----
    .. math:: \frac{\max_j G_j - \min_j G_j}{\bar G} \le \epsilon, \qquad G_j = \sum_{i \in j} \frac{1}{R_i}

    A heuristic: the group furthest from the mean conductance exchanges one or two cells with the one furthest on the
    other side. Each exchange lowers the sum of squares of G, so it ends; nothing is proven of G.

    Examples
    --------
    >>> found = evened([2.0, 2.0, 3.0, 3.0], [10, 20, 10, 20], 2)
    >>> found.partition.sums, found.conductances, found.even
    ((5.0, 5.0), (30.0, 30.0), True)
    """
    import numpy as np

    _check(sizes, conductances)
    made = balanced(sizes, groups, counts=counts, seed=seed, over=over)
    held, led = np.asarray(sizes, dtype=float), np.asarray(conductances, dtype=float)
    work = _Evening(held, led, [list(group) for group in made.groups], close)
    mean = float(led.sum()) / groups
    while work.spread() > _AIM * even_frac * mean and not over() and work.step(mean):
        pass
    order = sorted(range(groups), key=lambda k: -work.sums[k])
    found = tuple(fsum(conductances[i] for i in work.groups[k]) for k in order)
    spread = (max(found) - min(found)) / mean
    partition = replace(
        made,
        groups=tuple(tuple(sorted(work.groups[k])) for k in order),
        sums=tuple(fsum(sizes[i] for i in work.groups[k]) for k in order),
    )
    proven = made.proven and min(partition.sums) >= min(made.sums)
    return Evened(replace(partition, proven=proven), found, spread, spread <= even_frac)


class _Evening:
    """Groups with both sums while they are being evened."""

    def __init__(self, held: Floats, led: Floats, groups: list[list[int]], close: float) -> None:
        self.held, self.led, self.groups = held, led, groups
        self.sums = [float(held[group].sum()) for group in groups]
        self.flows = [float(led[group].sum()) for group in groups]
        mean = fsum(self.sums) / len(groups)
        self.floor = min(mean - close / 2, *self.sums)
        self.top = max(mean + close / 2, *self.sums)

    def spread(self) -> float:
        """Return the largest conductance less the smallest."""
        return max(self.flows) - min(self.flows)

    def step(self, mean: float) -> bool:
        """Carry out the best exchange of the first pair of groups that has one; tell whether there was one."""
        order = sorted(range(len(self.groups)), key=self.flows.__getitem__)
        low, high = order[0], order[-1]
        pairs = [(other, low) for other in reversed(order[1:])] + [(high, other) for other in order[1:-1]]
        for one, two in pairs:
            step = self._best(one, two, mean)
            if step is not None:
                exchange(self.groups, one, two, step)
                for k in (one, two):
                    self.sums[k] = float(self.held[self.groups[k]].sum())
                    self.flows[k] = float(self.led[self.groups[k]].sum())
                return True
        return False

    def _best(self, one: int, two: int, mean: float) -> Step | None:
        """Return the exchange that keeps both sums in bounds and carries nearest to the wanted conductance."""
        import numpy as np

        span = self.flows[one] - self.flows[two]
        want = min(self.flows[one] - mean, mean - self.flows[two])
        want = want if want > 0 else span / 2
        low = max(self.sums[one] - self.top, self.floor - self.sums[two])
        high = min(self.sums[one] - self.floor, self.top - self.sums[two])
        gives, takes = (thinned(np.sort(np.asarray(self.groups[k], dtype=np.intp))) for k in (one, two))
        gaps = (self.held[gives][:, None] - self.held[takes][None, :]).ravel()
        leads = (self.led[gives][:, None] - self.led[takes][None, :]).ravel()
        order = np.argsort(gaps, kind="stable")
        gaps, leads = gaps[order], leads[order]
        give, take = np.divmod(order, len(takes))
        at = np.searchsorted(gaps, (low + high) / 2 - gaps)
        best, best_off = None, min(want, span - want) * (1 - _LEAST_PART)
        for shift in (None, *range(-_NEIGHBOURS, _NEIGHBOURS)):
            other = np.clip(at + (shift or 0), 0, len(gaps) - 1)
            moved = gaps if shift is None else gaps + gaps[other]
            flow = leads if shift is None else leads + leads[other]
            apart = True if shift is None else (give != give[other]) & (take != take[other])
            off = np.where(apart & (moved >= low) & (moved <= high), np.abs(flow - want), np.inf)
            i = int(np.argmin(off))
            if off[i] < best_off:
                js = [i] if shift is None else [i, int(other[i])]
                best, best_off = ([int(gives[give[j]]) for j in js], [int(takes[take[j]]) for j in js]), float(off[i])
        return best


def _check(sizes: Sequence[float], conductances: Sequence[float]) -> None:
    if len(sizes) != len(conductances):
        says = f"it has {len(conductances)} values for {len(sizes)} cells"
        raise InputError.one("conductances", says, "give one for each cell")
    wrong = next((i for i, one in enumerate(conductances) if not (isfinite(one) and one > 0)), None)
    if wrong is not None:
        raise InputError.one(f"conductances[{wrong}]", f"it is {conductances[wrong]}", "give one over the resistance")
