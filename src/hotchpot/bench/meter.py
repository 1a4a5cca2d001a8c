r"""
What the meters add: the doubt of one reading, and of the difference of two by the same meter.

A maker prints a limit of error as a fraction of the reading plus a number of counts of the last digit. Both are
limits, so each is rectangular with :math:`u = a/\sqrt 3` (JCGM 100:2008, 4.3.7). The fraction is the meter's gain: it
is common to all readings of one meter and mostly leaves their difference alone; the counts are each reading's own.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from hotchpot.errors import InputError, nearest

DEFAULT = "hand"


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error of one range of a meter: ± `gain_frac` of the reading ± `counts` of its last digit `count`."""

    gain_frac: float
    counts: float
    count: float
    offset: float = 0.0

    def own_limit(self, count: float | None = None) -> float:
        """Return the limit of what each reading has for itself: counts of the last digit. [the reading's unit]"""
        return self.counts * (self.count if count is None else count)

    def own_sd(self, count: float | None = None) -> float:
        """Return the standard deviation of what each reading has for itself."""
        return self.own_limit(count) / math.sqrt(3.0)

    def offset_sd(self) -> float:
        """Return the standard deviation of the zero, common to all readings of one session."""
        return self.offset / math.sqrt(3.0)

    def gain_sd_frac(self) -> float:
        """Return the standard deviation of the gain, as a fraction, common to all readings of the meter."""
        return self.gain_frac / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Meter:
    """One instrument, or the pair of instruments that volts and amps are read with."""

    key: str
    name: str
    volts: Accuracy
    amps: Accuracy
    source: str


def meter(key: str | None = None) -> Meter:
    """
    Return the meter with this key; None is the usual hand meter with a clamp.

    Raises
    ------
    InputError
        If there is no such meter; names the nearest.
    """
    known = meters()
    wanted = DEFAULT if key is None else key
    if wanted not in known:
        raise InputError.one(f"meter {wanted!r}", "no such meter", nearest(wanted, known))
    return known[wanted]


@cache
def meters() -> Mapping[str, Meter]:
    """Return every meter of the data file by its key."""
    rows = tomllib.loads(resources.files(__package__).joinpath("data", "meters.toml").read_text("utf-8"))
    return {
        key: Meter(key, row["name"], Accuracy(**row["volts"]), Accuracy(**row["amps"]), row["source"])
        for key, row in rows.items()
    }
