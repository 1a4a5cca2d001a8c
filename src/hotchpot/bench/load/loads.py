r"""
Readings of one unit under several loads, the straight line of volts on amps through them, and what moves that line.

Least squares with all the error in the voltage; an error of a current enters as *R* times itself, which is exact for
two readings and to first order for more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotchpot.bench.estimate import Line, Shape
from hotchpot.bench.load.resistance_doubt import LEAST_STEP_SD, REPEATABILITY_FRAC
from hotchpot.bench.meter import Meter

_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Loads:
    """
    Voltages with their currents (positive on discharge), and the meter they were read with.

    A current of exactly 0 is no load: nothing was connected, so nothing was read and it has no error.
    """

    volts: tuple[float, ...]
    amps: tuple[float, ...]
    meter: Meter
    count_v: float

    @property
    def step_a(self) -> float:
        """The largest difference between two of the currents. [A]"""
        return max(self.amps) - min(self.amps)

    @property
    def spread_a2(self) -> float:
        """Sum of the squares of the currents about their mean. [A²]"""
        mean = sum(self.amps) / len(self.amps)
        return sum((a - mean) ** 2 for a in self.amps)

    @property
    def weights(self) -> tuple[float, ...]:
        """By how much the slope changes for a change of each voltage. [1/A]"""
        mean = sum(self.amps) / len(self.amps)
        return tuple((a - mean) / self.spread_a2 for a in self.amps)

    @property
    def ohm(self) -> float:
        """The fall of the line; for two readings (V1 - V2)/(I2 - I1). [Ω]"""
        return -sum(weight * v for weight, v in zip(self.weights, self.volts, strict=True))

    @property
    def intercept_v(self) -> float:
        """Where the line meets no current. [V]"""
        return sum(self.volts) / len(self.volts) + self.ohm * sum(self.amps) / len(self.amps)

    @property
    def counts_ohm(self) -> float:
        """Standard deviation of the slope from the voltmeter's counts. [Ω]"""
        return self.meter.volts.own_sd(self.count_v) / math.sqrt(self.spread_a2)

    @property
    def amps_told_apart(self) -> bool:
        """Whether the ammeter's counts let the currents be told apart."""
        return math.sqrt(self.spread_a2) > max(_NOTHING, LEAST_STEP_SD * self.meter.amps.own_sd())

    @property
    def off_the_line_v(self) -> float:
        """Standard deviation of the voltages about the line; two always lie on it. [V]"""
        if len(self.volts) < 3:
            return 0.0
        pairs = zip(self.volts, self.amps, strict=True)
        left = sum((v - self.intercept_v + self.ohm * a) ** 2 for v, a in pairs)
        return math.sqrt(left / (len(self.volts) - 2))

    @property
    def expected_v(self) -> float:
        """What counts, contact and timing would scatter the voltages by. [V]"""
        counts = math.hypot(self.meter.volts.own_sd(self.count_v), self.ohm * self.meter.amps.own_sd())
        return math.hypot(counts, REPEATABILITY_FRAC * self.ohm * self.step_a)

    def own_lines(self) -> list[Line]:
        """Return a line for each reading's counts, and one for the ammeter's zero where it does not cancel. [mΩ]"""
        volt, amp, mohm = self.meter.volts.own_sd(self.count_v), self.meter.amps, 1000.0 * self.ohm
        lines = []
        for k, (weight, a) in enumerate(zip(self.weights, self.amps, strict=True), 1):
            lines.append(Line(f"counts of the voltmeter, reading {k}", 1000.0 * abs(weight) * volt, Shape.RECTANGULAR))
            if a != 0.0:
                own = mohm * abs(weight) * amp.own_sd()
                lines.append(Line(f"counts of the ammeter, reading {k}", own, Shape.RECTANGULAR))
        uneven = abs(sum(weight for weight, a in zip(self.weights, self.amps, strict=True) if a != 0.0))
        zero = mohm * amp.offset_sd() * uneven
        if zero > _NOTHING * mohm:
            lines.append(Line("zero of the ammeter", zero, Shape.RECTANGULAR, common=True))
        return lines
