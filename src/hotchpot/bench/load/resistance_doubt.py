r"""
What every resistance is doubted by, however its step was made: the meters' gains, contact and timing, temperature.

The 10 s value is a convention. The longer the load has been on, the more of the slow part a reading holds; how much
more is set here by what open data show, not by a model.
"""

from __future__ import annotations

import math

from hotchpot.bench.estimate import Line, Shape
from hotchpot.bench.meter import Meter
from hotchpot.pile.unit import Unit

STANDARD_S = 10.0
# Contact and timing of one step, as a fraction: clips on clean posts, read within about two seconds of the moment
# meant (common practice, no source).
REPEATABILITY_FRAC = 0.03
TEMPERATURE_LIMIT_K = 3.0
# A step that the counts could have made by themselves shows nothing: it must be this many times their doubt.
LEAST_STEP_SD = 2.5
# Where even a good unit of its kind would not show in the counts, those that seem to show are mostly chance, and taking
# them would take the errors for the unit: there the step must be this many times the counts' doubt.
UNEXPECTED_STEP_SD, EXPECTED_SD = 4.0, 1.5
# Growth of the resistance for each factor e in time, as a fraction: 1.57, 2.05 and 2.55 mΩ at 0.5, 10 and 30 s.
GROWTH_BEFORE, GROWTH_AFTER = 0.10, 0.20
GROWTH_SOURCE = (
    "medians over ten pulses of a 33 Ah cell: Wiggins, Allu, Wang, Battery cell data from a 2013 Nissan Leaf, "
    "doi 10.5281/zenodo.2580327"
)
NEAR_S = (5.0, 20.0)
EARLY_GROWTH = 0.08  # of the 10 s value, for each factor e in time from 0.5 to 10 s: (2.05 - 1.57) / 2.05 / ln 20
MOMENT_DOUBT_FRAC = 0.5  # of what is corrected, one standard deviation; guess, see to_standard


def common_lines(mohm: float, *, unit: Unit, meter: Meter, temperature_c: float | None) -> list[Line]:
    r"""
    Return the lines of a resistance that are the same fraction of it, whatever the step was. [mΩ]

    Parameters
    ----------
    mohm : float
        The resistance. [mΩ]
    unit : Unit
        For its chemistry's table of resistance against temperature.
    meter : Meter
        Volts and amps; each gain scales the resistance and is common to all readings of the meter.
    temperature_c : float, optional
        Of the unit; None adds no line, as the resistance then stands for the temperature it was read at. [°C]
    """
    lines = [
        Line("gain of the voltmeter", mohm * meter.volts.gain_sd_frac(), Shape.RECTANGULAR, common=True),
        Line("gain of the ammeter", mohm * meter.amps.gain_sd_frac(), Shape.RECTANGULAR, common=True),
    ]
    if temperature_c is not None:
        lines.append(temperature_line(mohm, unit=unit, temperature_c=temperature_c))
    return lines


def temperature_line(mohm: float, *, unit: Unit, temperature_c: float, limit_k: float = TEMPERATURE_LIMIT_K) -> Line:
    r"""
    Return the doubt of a resistance from that of the temperature it was read at. [mΩ]

    Notes
    -----
    .. math:: u^2 = R^2\,\tfrac16\Bigl[\Bigl(\tfrac{f(T+a)}{f(T)}-1\Bigr)^2 + \Bigl(\tfrac{f(T-a)}{f(T)}-1\Bigr)^2\Bigr]

    with *f* the chemistry's factor of resistance and ±\ *a* the limit of the thermometer and of the difference between
    case and plates: the mean square of a deviation that runs straight from the middle to each end (JCGM 100:2008,
    4.3.7). The table bends at 25 °C, so the two sides differ.
    """
    there = unit.chem.at_temperature("r_temp_mult", temperature_c)
    sides = [unit.chem.at_temperature("r_temp_mult", temperature_c + k) / there - 1.0 for k in (-limit_k, limit_k)]
    return Line("temperature", mohm * math.sqrt(sum(side**2 for side in sides) / 6.0), Shape.RECTANGULAR)


def repeatability_line(mohm: float) -> Line:
    """Return the doubt from contact and timing of one step. [mΩ]"""
    return Line("contact and timing", mohm * REPEATABILITY_FRAC)


def least_step_sd(unit: Unit, counts_mohm: float) -> float:
    """Return how many times the counts' doubt a resistance must be to be taken; more where none is expected."""
    typical = unit.chem.typical_mohm(unit.cells, unit.rated_ah)
    return LEAST_STEP_SD if typical >= EXPECTED_SD * counts_mohm else UNEXPECTED_STEP_SD


def to_standard(unit: Unit, seconds: float) -> tuple[float, float]:
    r"""
    Return the factor that brings a resistance read at a moment to that of 10 s, and its standard deviation.

    Notes
    -----
    .. math::
        \frac{R_{10}}{R(t)} = \Bigl[1 - g \ln\tfrac{10}{t}\Bigr]^{-1}, \; t < 10; \qquad
        \Bigl[1 + \sum_j \tfrac{r_j}{r_{10}} \bigl(e^{-10/\tau_j} - e^{-t/\tau_j}\bigr)\Bigr]^{-1}, \; t > 10

    with the chemistry's two slow pairs :math:`r_j, \tau_j` beside its :math:`r_{10}` (guesses, most of them). Under
    10 s the pairs leave out what is faster than they are: there *g* = 0.08, as one 33 Ah cell shows from 0.5 to 10 s;
    three batches of retired cells show 0.04 to 0.08 up to 5 s. Half of the correction is its doubt: at 30 s the pairs
    of that cell's kind give 19 % where 24 % were read.

    Examples
    --------
    >>> agm = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
    >>> [round(to_standard(agm, seconds)[0], 2) for seconds in (2, 10, 40)]
    [1.15, 1.0, 0.86]
    """
    if seconds < STANDARD_S:
        factor = 1.0 / (1.0 - EARLY_GROWTH * math.log(STANDARD_S / seconds))
    else:
        chem = unit.chem
        grown = sum(
            chem.num(r) * (math.exp(-STANDARD_S / chem.num(tau)) - math.exp(-seconds / chem.num(tau)))
            for r, tau in (("r1_q", "tau1"), ("r2_q", "tau2"))
        )
        factor = 1.0 / (1.0 + grown / chem.num("r10s_q"))
    return factor, MOMENT_DOUBT_FRAC * abs(factor - 1.0)


def growth_frac(from_s: float, to_s: float) -> float:
    r"""
    Return by what fraction a resistance grows between two moments after a step, about 10 s.

    Notes
    -----
    .. math:: g\,\ln(t_2/t_1), \quad g = 0.10 \text{ up to } 10\,\text{s}, \; 0.20 \text{ beyond}

    Source: medians of one open data set; its reach is the size of a doubt, not a correction.

    Examples
    --------
    >>> round(growth_frac(10, 30), 2)
    0.22
    """

    def since_standard(seconds: float) -> float:
        rate = GROWTH_BEFORE if seconds < STANDARD_S else GROWTH_AFTER
        return rate * math.log(seconds / STANDARD_S)

    return since_standard(to_s) - since_standard(from_s)
