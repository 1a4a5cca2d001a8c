"""Sums of stretches of an array, each the quickest way: a running sum costs ten times as much as a sum."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def both_ways(values: Floats, cuts: NDArray[np.int64], *, sign: int, scratch: Floats) -> tuple[Floats, Floats]:
    """
    Return the sums out and in, part by part.

    `sign` is +1 where no value is negative, -1 where none is positive, else 0. `scratch` is as long as `values`, and is
    written over.
    """
    import numpy as np

    net = _sums(values, cuts)
    if sign > 0:
        return net, np.zeros_like(net)
    if sign < 0:
        return np.zeros_like(net), -net
    size = _sums(np.abs(values, out=scratch), cuts)
    return np.maximum(0.5 * (size + net), 0.0), np.maximum(0.5 * (size - net), 0.0)


def _sums(values: Floats, cuts: NDArray[np.int64]) -> Floats:
    """Return the sums of `values` from each cut to the next; the first cut is 0, and cuts may coincide."""
    import numpy as np

    if cuts.size == 1:
        return np.array([values.sum()])
    if cuts[-1] < values.size and np.diff(cuts).min() > 0:
        return np.asarray(np.add.reduceat(values, cuts))
    running = np.concatenate([[0.0], np.cumsum(values)])
    return np.diff(running[np.append(np.minimum(cuts, values.size), values.size)])


def running(values: Floats, counts: NDArray[np.int64]) -> Floats:
    """Return the sums of the first so many values, for each of the rising `counts`."""
    import numpy as np

    if not counts.size:
        return np.zeros(0)
    if 8 * counts.size > values.size:  # a running sum costs more, but only once
        return np.concatenate([[0.0], np.cumsum(values)])[counts]
    first = 1 if counts[0] == 0 else 0
    ends = counts[first:]
    if not ends.size:
        return np.zeros(1)
    sums = np.cumsum(np.add.reduceat(values[: ends[-1]], np.append(0, ends[:-1])))
    return np.concatenate([[0.0], sums]) if first else np.asarray(sums)
