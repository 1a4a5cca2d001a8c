"""What guards a bank: fuses in its branches, and the units' own protection electronics."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Fuse:
    r"""
    A fuse in a branch: the units below it name the branch; none names the whole bank.

    Its heat w follows the current, :math:`\tau\dot w = (I/I_n)^2 - w`, and it opens at `trip`. With the defaults it
    carries 1.25 times its rating for ever, opens at 1.6 times within half a minute and at ten times in an eighth of a
    second: near the gates of IEC 60269 for general fuses (from memory); a maker's own curve differs.
    """

    amps: float
    below: tuple[str, ...] = ()
    trip: float = 2.1
    tau_s: float = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Electronics:
    """
    A unit's own protection: it opens below `low_v` and above `high_v` of the unit, or beyond `most_a`, and stays open.

    `bears_v` is what its switch can block.
    """

    low_v: float = -math.inf
    high_v: float = math.inf
    most_a: float = math.inf
    bears_v: float | None = None
