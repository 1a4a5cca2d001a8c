"""
How sure a trial is: bands of every number, chances that limits are passed, how many draws that takes, what drives it.

All is said of samples that were drawn elsewhere (`samples`) and ran anywhere: their order does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

from hotchpot.errors import InputError
from hotchpot.trial.chance import Chance
from hotchpot.trial.samples import DRAWN, HARMS, PER_UNIT, VOLTS_KEPT, Sample

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PERCENTILES = (5.0, 25.0, 50.0, 75.0, 95.0)
OF_BANK = ("hours", "given_ah", "given_wh", "unmet_wh", "off_h", "first_off_h")
OUTCOMES = ("hours", "given_wh", "unmet_wh", "most_of_lasting", "hottest_c")  # what drivers are looked for
LEAST_FOR_BANDS = 59  # draws of which, 95 times in 100, at least one lies beyond the 5th (or 95th) percentile
MOST_DRIVERS = 8  # told of each outcome
MOST_NAMED = 3
ALIKE = 0.5  # charges whose ranks go together by more were drawn together; project rule
ALL = "all units alike"
_NOT_EARLY = ("time", "charged", "settled", "full")  # ends that are what was wanted


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """
    What a study holds its draws against, beside each unit's own limits.

    `wanted_h` is how long the bank should last (None: nobody says, and no chance of an early end is told).
    `set_charge` names the units whose charge the scenario states: what was drawn for it moves nothing.
    """

    wanted_h: float | None = None
    set_charge: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Band:
    """Percentiles of one number over the draws: the 5th, 25th, 50th, 75th and 95th."""

    p05: float
    p25: float
    p50: float
    p75: float
    p95: float


@dataclass(frozen=True, slots=True)
class VoltsBand:
    """
    The bank's voltage over time.

    `time_h` has shape (t,), `volts` (5, t): the percentiles of the draws that still ran by then, `running_frac` (t,)
    what part of all draws those are.
    """

    time_h: Floats
    volts: Floats
    running_frac: Floats


@dataclass(frozen=True, slots=True)
class Driver:
    """
    One unit's quantity that moves an outcome; charges that go together, by one curve's error, are told as one.

    `rank_correlation` is Spearman's, -1 to 1; its square is about the part of the spread (of ranks) that it explains.
    `told` says whether it stands out of what chance alone shows somewhere among all that were looked at 5 times in 100.
    """

    outcome: str
    unit: str
    quantity: str
    rank_correlation: float
    told: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """
    What a study of many draws says.

    `bands` are those of the bank's numbers, `unit_bands` those of each unit's, by figure and unit. `chances` begin with
    those of the whole bank, then come those of units that ever happened, likeliest first. `drivers` come outcome by
    outcome, strongest first. `draws_needed` is how many tell every chance within 0.05, and the bands' edges at all. The
    errors are the worst of any draw.
    """

    draws: int
    ids: tuple[str, ...]
    bands: Mapping[str, Band]
    unit_bands: Mapping[str, Mapping[str, Band]]
    volts: VoltsBand
    chances: tuple[Chance, ...]
    drivers: tuple[Driver, ...]
    draws_needed: int
    charge_error_frac: float
    energy_error_frac: float

    @property
    def enough(self) -> bool:
        """Whether there are as many draws as are needed."""
        return self.draws >= self.draws_needed

    def chance(self, code: str, unit: str = "") -> Chance:
        """Return a chance by its code; one that never happened is nought of all draws."""
        found = (one for one in self.chances if (one.code, one.unit) == (code, unit))
        return next(found, Chance(code, unit, 0, self.draws))


def summary(samples: Sequence[Sample], limits: Limits | None = None) -> Doubt:
    """
    Return what a study says.

    Parameters
    ----------
    samples : sequence of Sample
        Of one bank and one scenario, in any order; the answer does not depend on it.
    limits : Limits, optional
        None holds the draws against the units' own currents alone.

    Raises
    ------
    InputError
        If there are no samples, or they are not of the same units.

    Notes
    -----
    Percentiles are interpolated between the draws in order (type 7 of Hyndman and Fan 1996, from memory). A driver is
    told where its rank correlation passes :math:`z/\\sqrt{n - 1}`, with z the normal quantile at 5 % over all
    correlations of that outcome (Bonferroni).
    """
    limits = limits or Limits()
    if not samples:
        raise InputError.one("samples", "there are none", "run at least one draw")
    samples = sorted(samples, key=lambda one: one.index)
    ids = samples[0].ids
    if any(one.ids != ids for one in samples):
        raise InputError.one("samples", "they are not all of the same units", "take one bank and scenario at a time")
    figures = {name: _column(samples, name) for name in (*OF_BANK, *PER_UNIT)}
    chances = tuple(_chances(samples, ids, limits, figures))
    return Doubt(
        draws=len(samples),
        ids=ids,
        bands={name: _bands(figures[name])[0] for name in OF_BANK},
        unit_bands={name: dict(zip(ids, _bands(figures[name]), strict=True)) for name in PER_UNIT},
        volts=_volts(samples, figures["hours"][:, 0]),
        chances=chances,
        drivers=tuple(_drivers(samples, ids, figures, limits.set_charge)),
        draws_needed=max(LEAST_FOR_BANDS, *(chance.draws_needed() for chance in chances)),
        charge_error_frac=max(one.charge_error_frac for one in samples),
        energy_error_frac=max(one.energy_error_frac for one in samples),
    )


def _column(samples: Sequence[Sample], name: str) -> Floats:
    """Return a figure as an array of shape (draws, 1) for the bank's, (draws, units) for the units'."""
    import numpy as np

    return np.array([getattr(one, name) for one in samples], dtype=float).reshape(len(samples), -1)


def _bands(values: Floats) -> list[Band]:
    import numpy as np

    if np.isinf(values).any():  # between a number and infinity there is nothing to interpolate
        rows = np.percentile(values, PERCENTILES, axis=0, method="higher")
    else:
        rows = np.percentile(values, PERCENTILES, axis=0)
    return [Band(*column) for column in rows.T.tolist()]


def _volts(samples: Sequence[Sample], hours: Floats) -> VoltsBand:
    """Bring the draws' voltages to one time grid, as long as the longest run."""
    import numpy as np

    time_h = np.linspace(0.0, float(hours.max()), VOLTS_KEPT)
    own = np.linspace(0.0, 1.0, VOLTS_KEPT)
    volts = np.full((len(samples), VOLTS_KEPT), np.nan)
    for row, one in zip(volts, samples, strict=True):
        inside = time_h <= one.hours * (1.0 + 1e-12)
        row[inside] = np.interp(time_h[inside], own * one.hours, one.bank_v)
    running = np.isfinite(volts)
    bands = np.full((len(PERCENTILES), VOLTS_KEPT), np.nan)
    for j in np.flatnonzero(running.any(axis=0)):
        bands[:, j] = np.percentile(volts[running[:, j], j], PERCENTILES)
    return VoltsBand(time_h, bands, running.mean(axis=0))


def _chances(
    samples: Sequence[Sample], ids: tuple[str, ...], limits: Limits, figures: Mapping[str, Floats]
) -> Iterator[Chance]:
    """Yield the bank's chances, then those of units that ever happened, the likeliest first."""
    import numpy as np

    n = len(samples)
    passed = {
        "lasting-amps": figures["of_lasting"] > 1.0,
        "peak-amps": figures["of_peak"] > 1.0,
        "charge-amps": figures["of_charge"] > 1.0,
        **{code: np.array([one.harmed[code] for one in samples]) for code in HARMS},
        "reversed": _units_that(samples, ids, lambda kind: kind == "reversed"),
        "electronics": _units_that(samples, ids, lambda kind: kind.startswith("electronics")),
    }
    if limits.wanted_h is not None:
        wanted_h = limits.wanted_h * (1.0 - 1e-9)
        early = sum(one.hours < wanted_h and one.ended not in _NOT_EARLY for one in samples)
        yield Chance("ended-early", "", early, n)
    for code, which in passed.items():
        yield Chance(code, "", int(which.any(axis=1).sum()), n)
    for code in ("fuse", "collapse", "loads-off"):
        yield Chance(code, "", sum(any(kind == code for kind, _ in one.happened) for one in samples), n)
    for kind in sorted({one.ended for one in samples}):
        yield Chance(f"ended-{kind}", "", sum(one.ended == kind for one in samples), n)
    passed["empty-first"] = np.array([[one.first_empty == name for name in ids] for one in samples])
    own = [(int(count), code, ids[k]) for code, which in passed.items() for k, count in enumerate(which.sum(axis=0))]
    for count, code, name in sorted((one for one in own if one[0]), key=lambda one: -one[0]):
        yield Chance(code, name, count, n)


def _units_that(samples: Sequence[Sample], ids: tuple[str, ...], is_one: Callable[[str], bool]) -> NDArray[np.bool_]:
    """Return of which units an event of such a kind is told, shape (draws, units)."""
    import numpy as np

    place = {name: k for k, name in enumerate(ids)}
    which = np.zeros((len(samples), len(ids)), dtype=np.bool_)
    for row, one in zip(which, samples, strict=True):
        row[[place[name] for kind, name in one.happened if name in place and is_one(kind)]] = True
    return which


def _drivers(
    samples: Sequence[Sample], ids: tuple[str, ...], figures: Mapping[str, Floats], set_charge: Collection[str]
) -> Iterator[Driver]:
    """Yield the strongest rank correlations of each outcome with what was drawn."""
    import numpy as np

    n = len(samples)
    if n < 4:
        return
    columns, names = [], []
    for quantity in DRAWN:
        drawn = np.array([one.drawn[quantity] for one in samples])
        groups = [(unit, [k]) for k, unit in enumerate(ids)]
        if quantity == "soc_frac":
            groups = _charges_alike(_ranks(drawn), [k for k, unit in enumerate(ids) if unit not in set_charge], ids)
        for unit, places in groups:
            columns.append(drawn[:, places[0]] if len(places) == 1 else _ranks(drawn[:, places]).sum(axis=1))
            names.append((unit, quantity))
    ranks = _ranks(np.stack(columns, axis=1))
    moving = np.flatnonzero(ranks.any(axis=0))
    outcomes = {
        "hours": figures["hours"],
        "given_wh": figures["given_wh"],
        "unmet_wh": figures["unmet_wh"],
        "most_of_lasting": figures["of_lasting"].max(axis=1, keepdims=True),
        "hottest_c": figures["hottest_c"].max(axis=1, keepdims=True),
    }
    if not moving.size:
        return
    beyond = -NormalDist().inv_cdf(0.025 / moving.size) / math.sqrt(n - 1.0)
    for outcome in OUTCOMES:
        correlation = ranks[:, moving].T @ _ranks(outcomes[outcome])[:, 0]
        for j in np.argsort(-np.abs(correlation), kind="stable")[:MOST_DRIVERS]:
            if correlation[j] != 0.0:
                unit, quantity = names[moving[j]]
                yield Driver(outcome, unit, quantity, float(correlation[j]), bool(abs(correlation[j]) > beyond))


def _charges_alike(ranks: Floats, places: Sequence[int], ids: tuple[str, ...]) -> list[tuple[str, list[int]]]:
    """Return units with their places, those whose charges were drawn together (one curve's error) as one."""
    left, groups = list(places), []
    while left:
        leader = left[0]
        close = ranks[:, left].T @ ranks[:, leader]
        alike = [k for k, r in zip(left, close.tolist(), strict=True) if k == leader or r > ALIKE]
        left = [k for k in left if k not in set(alike)]
        named = ", ".join(ids[k] for k in alike[:MOST_NAMED])
        more = f" and {len(alike) - MOST_NAMED} more" if len(alike) > MOST_NAMED else ""
        groups.append((ALL if len(alike) == len(ids) > 1 else named + more, alike))
    return groups


def _ranks(columns: Floats) -> Floats:
    """Return the ranks of each column about their mean, scaled to length one; a column that stands still is nought."""
    import numpy as np
    from scipy.stats import rankdata  # type: ignore[import-untyped]

    ranks = np.asarray(rankdata(columns, axis=0), dtype=float)
    ranks -= ranks.mean(axis=0)
    length = np.sqrt((ranks**2).sum(axis=0))
    return np.asarray(ranks / np.where(length > 0.0, length, 1.0))
