"""A test load out of vehicle bulbs: how many of which watts make up a current."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotchpot.bench.procedure.figures import setting, settings


@dataclass(frozen=True, slots=True)
class Bulbs:
    """Vehicle bulbs that make up a current: `rows` beside one another, each of `in_series` bulbs of `watt`."""

    rows: int
    in_series: int
    watt: float


def bulbs_for(volts: float, amps: float) -> Bulbs | None:
    """
    Return the fewest like 12 V bulbs that draw about `amps` at `volts`; None where bulbs do not fit.

    A filament's current goes as about the square root of its voltage (common practice, no source), so the count is a
    start; the clamp has the last word.

    >>> bulbs_for(12.0, 5.0), bulbs_for(3.2, 10.0)
    (Bulbs(rows=1, in_series=1, watt=55.0), None)
    """
    at_v, (least_v, most_v) = setting("bulb_v"), settings("bulb_reach_v")
    in_series = max(1, round(volts / at_v))
    each_v = volts / in_series
    if not least_v <= each_v <= most_v:
        return None
    fits = []
    for watt in settings("bulb_w"):
        one_a = watt / at_v * math.sqrt(each_v / at_v)
        rows = max(1, round(amps / one_a))
        if rows * in_series <= setting("most_bulbs"):
            fits.append((abs(rows * one_a / amps - 1.0), rows, Bulbs(rows, in_series, watt)))
    near = [fit for fit in fits if fit[0] <= 0.25]
    return min(near, key=lambda fit: fit[1])[2] if near else None
