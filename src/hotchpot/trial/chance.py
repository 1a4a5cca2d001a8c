r"""
A chance found by drawing: how often something happened, how well that is known, and how many draws it takes.

A chance that k of n draws passed has the standard error and the interval (Wilson 1927, J. Am. Stat. Assoc. 22, 209)

.. math::
    \hat p = \frac{k}{n} \qquad u = \sqrt{\frac{\hat p (1 - \hat p)}{n}} \qquad
    \frac{\hat p + z^2/2n \pm z \sqrt{\hat p (1 - \hat p)/n + z^2/4n^2}}{1 + z^2/n}

which, unlike :math:`\hat p \pm z u`, says of "none in a hundred" how much it may still be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from hotchpot.errors import InputError

WITHIN = 0.05  # how near a chance should be known; 381 draws do for any
_NORMAL = NormalDist()
_Z95 = _NORMAL.inv_cdf(0.975)


@dataclass(frozen=True, slots=True)
class Chance:
    """
    How often something happened: in `happened` of `draws`.

    `code` is ended-early, lasting-amps, peak-amps, charge-amps, hot, over-voltage, below-empty, internal-short,
    reversed, electronics, fuse, collapse, loads-off, empty-first, or ended-... with the kind of end; `unit` names the
    unit, or nothing where any unit counts.
    """

    code: str
    unit: str
    happened: int
    draws: int

    @property
    def frac(self) -> float:
        """The chance: the part of the draws."""
        return self.happened / self.draws

    @property
    def sd(self) -> float:
        """Its Monte Carlo standard error; nought for none or all, where only the interval tells."""
        return math.sqrt(self.frac * (1.0 - self.frac) / self.draws)

    def interval(self, sure: float = 0.95) -> tuple[float, float]:
        """
        Return Wilson's interval of the chance.

        >>> low, high = Chance("fuse", "", 0, 100).interval()
        >>> low, high
        (0.0, 0.037)
        """
        z, n, p = _NORMAL.inv_cdf(0.5 + sure / 2.0), self.draws, self.frac
        middle, scale = p + z * z / (2.0 * n), 1.0 + z * z / n
        half = z * math.sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n))
        low = 0.0 if self.happened == 0 else (middle - half) / scale
        return low, 1.0 if self.happened == n else (middle + half) / scale

    def draws_needed(self, within: float = WITHIN) -> int:
        """
        Return how many draws bring Wilson's 95 % interval to ± `within`, if the chance is what it seems now.

        >>> Chance("fuse", "", 50, 100).draws_needed(), Chance("fuse", "", 0, 100).draws_needed()
        (381, 35)

        Raises
        ------
        InputError
            If `within` is not between nought and a half.
        """
        if not 0.0 < within < 0.5:
            raise InputError.one("within", f"it is {within:g}", "give a fraction between 0 and 0.5")
        # Half the interval: z sqrt(p(1-p)/n + z²/4n²) / (1 + z²/n) = w, a quadratic in n/z².
        spread, w2 = self.frac * (1.0 - self.frac), within * within
        b = spread - 2.0 * w2
        n = (b + math.sqrt(b * b + w2 * (1.0 - 4.0 * w2))) / (2.0 * w2)
        return math.ceil(_Z95 * _Z95 * n - 1e-9)
