"""
What a reading tells of a verdict, from draws of both: how sure one would then be, and how many bits it gives.

A reading with a normal error is a blur of the truth. Over a grid of what may be read, every draw adds its likelihood to
its own verdict; the sums are the joint probabilities of reading and verdict. Few draws make any reading look as if it
told something: naming the verdict of each fold of draws from the other folds takes that away for certainty, and for
bits the mean of the plain figure, which is too high, and the cross-validated one, which is as much too low.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hotchpot.bank.verdict import Verdict

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FOLDS = 8
GRID = 256
REACH_SD = 3.0
# Of the spread of the truth, over the number of draws: a finer reading is blurred to this, so that some 30 draws speak
# at each value.
LEAST_BLUR = 24.0


def tells(ranks: NDArray[np.intp], others: Array, true: Array, sd: float, *, seed: int = 1) -> tuple[float, float]:
    r"""
    Return the probability of the likeliest verdict after a reading, and the bits that the reading tells of the verdict.

    Parameters
    ----------
    ranks : ndarray of int, shape (n,)
        Rank of the verdict on the part of the case that the reading is of, one a draw.
    others : ndarray, shape (4,)
        Probability that all other parts together come to each rank or a milder one; ones where there are no others.
    true : ndarray, shape (n,)
        What would be read if there were no error.
    sd : float
        Standard deviation of the reading's error, in the unit of `true`.
    seed : int, default 1
        How the draws fall into folds.

    Notes
    -----
    The worst part decides, so :math:`P(V \le v \mid y) = P(V_{part} \le v \mid y)\,P(V_{others} \le v)`. A reading
    finer than the draws can resolve counts as a blurred one: its worth is then a little too low, never too high.

    Examples
    --------
    Half of the truths, spread evenly over -1 to 1, lie above 0; by integration 0.920 and 0.739 bits:

    >>> import numpy as np
    >>> true = np.linspace(-1.0, 1.0, 400)
    >>> sure, bits = tells((true > 0.0).astype(int), np.ones(4), true, 0.2)
    >>> print(f"{sure:.2f} {bits:.2f}")
    0.92 0.74
    """
    import numpy as np

    joint = _joint(ranks, others, _likelihood(true, sd), _folds(ranks, seed))
    whole = joint.sum(axis=0)
    odds = whole.sum(axis=1)
    seen = whole.sum(axis=0)
    rest = whole - joint
    named = rest.argmax(axis=1)
    sure = float(np.take_along_axis(joint, named[:, None, :], axis=1).sum())
    plain = _entropy(odds) + _cross(whole, whole / np.maximum(seen, 1e-300))
    # Beside the other folds' draws stands one draw's weight of the odds: no verdict is ever held impossible.
    prior = seen.max() / len(ranks) * odds[:, None] + 1e-12
    held = (rest + prior) / (rest.sum(axis=1) + prior.sum(axis=0))[:, None, :]
    crossed = _entropy(odds) + _cross(joint, held)
    return sure, float(np.clip((plain + crossed) / 2, 0.0, _entropy(odds)))


def _likelihood(true: Array, sd: float) -> Array:
    """Return how likely each draw is read as each point of a grid, shape (n, GRID); each row sums to one."""
    import numpy as np

    spread, width = float(true.std()), float(np.ptp(true))
    blur = max(sd, LEAST_BLUR / len(true) * spread, width / GRID, 1e-12)
    grid = np.linspace(true.min() - REACH_SD * blur, true.max() + REACH_SD * blur, GRID)
    likelihood = np.exp(-0.5 * ((grid - true[:, None]) / blur) ** 2)
    return np.asarray(likelihood / likelihood.sum(axis=1, keepdims=True))


def _folds(ranks: NDArray[np.intp], seed: int) -> NDArray[np.intp]:
    """Return which fold each draw falls into, every fold with its part of every verdict."""
    import numpy as np

    order = np.lexsort((np.random.default_rng(seed).random(len(ranks)), ranks))
    fold = np.empty(len(ranks), dtype=np.intp)
    fold[order] = np.arange(len(ranks)) % FOLDS
    return fold


def _joint(ranks: NDArray[np.intp], others: Array, likelihood: Array, fold: NDArray[np.intp]) -> Array:
    """Return the probabilities of fold, verdict and reading together, shape (FOLDS, 4, GRID)."""
    import numpy as np

    count = len(ranks)
    member = np.zeros((FOLDS, len(Verdict), count))
    member[fold, ranks, np.arange(count)] = 1.0 / count
    part = (member.reshape(-1, count) @ likelihood).reshape(FOLDS, len(Verdict), -1)
    milder = np.cumsum(part, axis=1) * others[None, :, None]
    return np.maximum(np.diff(milder, axis=1, prepend=0.0), 0.0)


def _entropy(odds: Array) -> float:
    """Return the entropy of a distribution. [bit]"""
    return -_cross(odds, odds)


def _cross(joint: Array, held: Array) -> float:
    """Return the mean logarithm of what was held likely, over what came. [bit]"""
    import numpy as np

    return float(np.sum(joint * np.log2(np.where(joint > 0.0, held, 1.0))))
