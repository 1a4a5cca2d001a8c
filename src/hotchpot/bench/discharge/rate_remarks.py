"""What is said of a rate exponent that is refused or doubted, and what the runs' own figures show to be mixed in."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hotchpot.bench.estimate import Estimate
from hotchpot.bench.remark import Remark, Weight
from hotchpot.pile.unit import Unit

SOURCE = "Peukert's law; the order of runs and full charge before each are common practice, no source"
LEAST_SPAN = 2.0
MOST_LIKELY = 1.6
COLDER_K = 1.0
OF_ORDER = 0.7
NEAR_FULL = 0.98  # of the charge that the chemistry's usual efficiency asks for


def one_rate_only(unit: Unit, runs: int) -> Remark:
    """Return the refusal of an exponent where there are no two rates."""
    return Remark(
        code="one-rate-only",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"{runs} usable run{'' if runs == 1 else 's'}, all at one current" if runs else "no usable run",
        why="how capacity depends on the current can only be told from runs at different currents",
        do="Run the unit once more from full, at a quarter or at four times the current; till then the usual exponent "
        "of its chemistry is used.",
        source=SOURCE,
    )


def exponent_below_one(unit: Unit, exponent: float, sd: float, mixed: Sequence[str]) -> Remark:
    """Return the refusal of an exponent below one, naming what is mixed with the rate."""
    found = "; ".join(mixed) or "the runs' own figures name no cause"
    return Remark(
        code="exponent-below-one",
        weight=Weight.REFUSED,
        subject=unit.id,
        says=f"the runs give an exponent of {exponent:.3f} ± {sd:.3f}, as if faster runs delivered more",
        why=f"no battery delivers more for being drained faster, so something else is mixed with the rate: {found}",
        do="Charge fully before each run, keep one temperature, mix fast and slow runs in time, span at least four "
        "times in current, and run again; till then the usual exponent of its chemistry is used.",
        source=SOURCE,
        value=exponent,
        limit=1.0,
        unit="1",
    )


def doubts_of_exponent(unit: Unit, exponent: float, runs: Sequence[Estimate]) -> tuple[Remark, ...]:
    """Return what is doubtful of an exponent that is given."""
    mixed = confounders(runs, unit, order_known=all(run.when for run in runs))
    high = exponent > MOST_LIKELY
    if not mixed and not high:
        return ()
    return (
        Remark(
            code="exponent-mixed",
            weight=Weight.DOUBTFUL if high else Weight.NOTED,
            subject=unit.id,
            says=f"the runs give an exponent of {exponent:.3f}",
            why="; ".join((*mixed, *([f"printed exponents end at {MOST_LIKELY:g}"] if high else []))),
            do="Run again with full charges before, at one temperature, fast and slow runs in mixed order.",
            source=SOURCE,
            value=exponent,
            limit=MOST_LIKELY if high else None,
            unit="1",
        ),
    )


def confounders(runs: Sequence[Estimate], unit: Unit, *, order_known: bool = True) -> list[str]:
    """
    Return, in words with figures, what changes along with the rate in these runs, or hides its effect.

    Runs without dates are taken in the order given, unless `order_known` is false.
    """
    order = _in_order(runs) if order_known else ""
    found = (_colder(runs), order, _not_full(runs, unit), _narrow(runs), _cutoffs(runs, unit))
    return [one for one in found if one]


def _colder(runs: Sequence[Estimate]) -> str:
    known = [(math.log(r.facts["mean_a"]), r.facts["temperature_c"]) for r in runs if "temperature_c" in r.facts]
    slope, tied = _trend(known)
    span = slope * (max(x for x, _ in known) - min(x for x, _ in known)) if known else 0.0
    if abs(span) < COLDER_K or abs(tied) < 0.5:
        return ""
    return f"the slowest runs were {abs(span):.1f} K {'colder' if span > 0 else 'warmer'} than the fastest"


def _in_order(runs: Sequence[Estimate]) -> str:
    dated = all(run.when for run in runs)
    ordered = sorted(runs, key=lambda r: r.when or "") if dated else list(runs)
    amps = [run.facts["mean_a"] for run in ordered]
    rank = {a: k for k, a in enumerate(sorted(set(amps)))}
    _, tied = _trend([(float(k), float(rank[a])) for k, a in enumerate(amps)])
    if len(runs) < 3 or abs(tied) < OF_ORDER:
        return ""
    first, last = ("fast", "slow") if tied < 0 else ("slow", "fast")
    when = "in time" if dated else "in the order given"
    return (
        f"the {first} ones came first and the {last} ones last {when} (from {amps[0]:.3g} to {amps[-1]:.3g} A), "
        "so ageing and fading are mixed with the rate"
    )


def _not_full(runs: Sequence[Estimate], unit: Unit) -> str:
    needed = NEAR_FULL / unit.chem.num("coulombic_eff")
    known = [run.facts["charged_frac"] for run in runs if "charged_frac" in run.facts]
    short = [one for one in known if one < needed]
    if not short:
        return ""
    return (
        f"before {len(short)} of {len(known)} runs only {min(short):.2f} to {max(short):.2f} of the charge drawn "
        f"before was put back, where {needed:.2f} is needed to be full again"
    )


def _narrow(runs: Sequence[Estimate]) -> str:
    amps = [run.facts["mean_a"] for run in runs]
    span = max(amps) / min(amps)
    return f"the currents span only {span:.2f} times, little against the scatter of runs" if span < LEAST_SPAN else ""


def _cutoffs(runs: Sequence[Estimate], unit: Unit) -> str:
    ends = [run.facts["cutoff_v"] for run in runs if "cutoff_v" in run.facts]
    if not ends or max(ends) - min(ends) < 0.02 * unit.cells:
        return ""
    return f"the runs went to different cut-offs, {min(ends):.4g} to {max(ends):.4g} V"


def _trend(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return slope and correlation of y on x; zero where there is no spread."""
    if len(points) < 2:
        return 0.0, 0.0
    x, y = (sum(column) / len(points) for column in zip(*points, strict=True))
    xx, yy = sum((a - x) ** 2 for a, _ in points), sum((b - y) ** 2 for _, b in points)
    xy = sum((a - x) * (b - y) for a, b in points)
    return (xy / xx, xy / math.sqrt(xx * yy)) if xx > 0 and yy > 0 else (0.0, 0.0)
