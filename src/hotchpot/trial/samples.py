r"""
One draw of what a bank may truly be, run through a scenario, and what is kept of it: few plain numbers, easy to send.

The draws are those of `bank.truths`, one truth a sample, seeded by NumPy's SeedSequence from the seed of the study and
the number of the sample: a sample is the same whoever runs it, when, and however many others there are.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.bank.truths import CURVE_REACH_SD, truths
from hotchpot.bench.standing.curve import OwnCurve
from hotchpot.bench.state import State
from hotchpot.circuit.record import Record
from hotchpot.errors import InputError
from hotchpot.trial.passed import (
    below_empty,
    charge_limits,
    depths,
    internal_short,
    live_cells,
    off_spans,
    over_voltage,
    possible,
    too_hot,
    volts_of_max,
)
from hotchpot.trial.scenario import Scenario

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

VOLTS_KEPT = 201  # moments of the bank's voltage, evenly from the start of a run to its end
LASTING_S = 30.0  # what a unit carries longer counts as lasting: the chemistry data's peak rates hold for 30 s
FLOWING_FRAC = 0.01  # of the bank's largest current; below, a unit's part of it says nothing
CURVE_STEP_V = 1e-4  # curves are moved by whole steps of this, so that units moved alike still share one table
DRAWN = ("capacity_ah", "resistance_mohm", "soc_frac", "self_discharge_frac_month")
PER_UNIT = (
    "most_a", "most_share", "of_lasting", "of_peak", "of_charge", "least_v", "most_v_of_max", "least_soc", "under_frac",
    "hottest_c",
)  # fmt: skip
HARMS = ("over-voltage", "below-empty", "internal-short", "hot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """
    What came of one draw; tuples run over the units in the order of `ids`.

    Attributes
    ----------
    index : int
        Which draw of the study.
    ended : str
        Why the run ended: a kind of `circuit.record.Event`.
    happened : tuple of (str, str)
        Each kind of event with its unit, once; the unit is empty where the event has none.
    hours, given_ah, given_wh : float
        How long it ran, and what left the bank's terminals, without what came in. [h], [Ah], [Wh]
    first_empty : str
        The unit that was empty first, or nothing.
    drawn : Mapping[str, tuple of float]
        The draw: capacity [Ah], resistance [mΩ], charge and self-discharge by month, by their names.
    most_a : tuple of float
        Largest current either way. [A]
    most_share : tuple of float
        Largest part of the bank's current, while that is above a hundredth of its largest.
    of_lasting, of_peak, of_charge : tuple of float
        Largest discharge current held for 30 s, at any moment, and largest charge current held for 30 s, each over the
        unit's own limit as drawn; that of charge as warm as the unit then is. A charge where none is allowed is
        infinite.
    unmet_wh, off_h, first_off_h : float
        What the loads of a day did without, for how long they were off, and when that began first: infinite where they
        never were. [Wh], [h]
    least_v, hottest_c : tuple of float
        Lowest voltage [V] and highest temperature [°C].
    most_v_of_max : tuple of float
        Highest voltage over what the unit's live cells may have.
    least_soc, under_frac : tuple of float
        Lowest charge, and how far it was driven below empty as a part of the capacity.
    harmed : Mapping[str, tuple of bool]
        Which units were over their voltage, below empty, so far below that lithium shorts inside, or too hot: by code,
        and by the tests of a trial's own findings.
    bank_v : tuple of float
        The bank's voltage at `VOLTS_KEPT` moments, evenly from the start to the end of this run. [V]
    charge_error_frac, energy_error_frac : float
        How far charge and energy fail to add up.
    """

    index: int
    ended: str
    happened: tuple[tuple[str, str], ...]
    hours: float
    given_ah: float
    given_wh: float
    unmet_wh: float
    off_h: float
    first_off_h: float
    first_empty: str
    ids: tuple[str, ...]
    drawn: Mapping[str, tuple[float, ...]]
    most_a: tuple[float, ...]
    most_share: tuple[float, ...]
    of_lasting: tuple[float, ...]
    of_peak: tuple[float, ...]
    of_charge: tuple[float, ...]
    least_v: tuple[float, ...]
    most_v_of_max: tuple[float, ...]
    least_soc: tuple[float, ...]
    under_frac: tuple[float, ...]
    harmed: Mapping[str, tuple[bool, ...]]
    hottest_c: tuple[float, ...]
    bank_v: tuple[float, ...]
    charge_error_frac: float
    energy_error_frac: float


def drawn_bank(bank: Bank, *, seed: int, index: int) -> Bank:
    """
    Return the bank as one draw has it: every unit's capacity, resistance, charge and leakage known and without doubt.

    Parameters
    ----------
    bank : Bank
        The bank as it is known, each quantity with its doubt.
    seed : int
        Of the study, nought or more.
    index : int
        Which draw, nought or more.

    Raises
    ------
    InputError
        If `seed` or `index` is below nought.

    Notes
    -----
    A unit's draw depends on the seed, the index and its id, not on what else is in the bank. The distributions are
    those of `bank.truths`: capacity and resistance normal and cut off near zero, leakage lognormal, charge through the
    curve and between empty and full. Each unit's curve is moved so that the drawn charge rests at the drawn voltage, as
    far as its state did not stand beside the curve already. What readings share, such as one meter's gain, is not in a
    state and is drawn for each unit by itself: totals then seem known a little too well, differences too badly.
    """
    import numpy as np

    for name, value in (("seed", seed), ("index", index)):
        if value < 0:
            raise InputError.one(name, f"it is {value}", "give nought or more")
    words = np.random.SeedSequence(seed, spawn_key=(index,)).generate_state(2, np.uint64)
    own_seed = int(words[0]) << 64 | int(words[1])
    return replace(bank, states={name: _drawn(state, own_seed) for name, state in bank.states.items()})


def _drawn(state: State, seed: int) -> State:
    true = truths(state, seed=seed, samples=1).state_at(0)
    grown = true.resistance_mohm.value / state.resistance_mohm.value
    at_25 = None if state.resistance_25_mohm is None else state.resistance_25_mohm * grown
    moved_v = round((_beside_v(true) - _beside_v(state)) / CURVE_STEP_V) * CURVE_STEP_V
    reach = CURVE_REACH_SD * state.chem.num("ocv_curve_sd")
    moved_v = max(-reach, min(reach, moved_v))
    if moved_v == 0.0:
        return replace(true, resistance_25_mohm=at_25)
    curve = replace(true.ocv_curve, volt=tuple(volt + moved_v for volt in true.ocv_curve.volt))
    own = OwnCurve(curve=curve, sd_v=0.0, gap_v=0.0, measured=True)
    return replace(true, resistance_25_mohm=at_25, curve=own)


def _beside_v(state: State) -> float:
    """Return how far a unit's voltage lies beside its curve; nought where voltage or charge is unknown. [V a cell]"""
    if state.ocv_v is None or state.soc_frac is None:
        return 0.0
    return state.ocv_v.value / state.unit.cells - state.ocv_curve.volts(state.soc_frac.value)


def sample(bank: Bank, plan: Plan, scenario: Scenario, *, seed: int, index: int) -> Sample:
    """
    Draw a bank, run the scenario on it, and return what is kept.

    Parameters
    ----------
    bank, plan, scenario
        As for a trial without doubt.
    seed, index : int
        Of the study, and which draw of it; see `drawn_bank`.

    Raises
    ------
    InputError
        Where the trial itself would: a fuse that names no branch, a unit that is not there.

    Notes
    -----
    Largest and least values are the run's own peaks, also between two records; only what is held for 30 s is worked out
    from the records. A stated charge of the scenario stands above the drawn one.
    """
    from hotchpot.trial.wired import circuit_of, cut_out

    bank = drawn_bank(bank, seed=seed, index=index)
    record = circuit_of(bank, plan, scenario).run(
        scenario.drive,
        stop=scenario.stop,
        step_s=scenario.step_s,
        record_s=scenario.record_s,
        ambient_c=scenario.ambient_c,
        fine=scenario.fine,
    )
    gone = cut_out(bank.root, scenario.lost)
    states = [bank.states[name] for name in record.ids]
    compensated = bool(plan.charger.compensated)
    return kept(record, states, index=index, shorted=scenario.shorted, gone=gone, compensated=compensated)


@dataclass(frozen=True, slots=True)
class Study:
    """
    A bank, a plan, a scenario and a seed: called with a number it gives that sample. It can be sent to other machines.

    `sample` says what it does.
    """

    bank: Bank
    plan: Plan
    scenario: Scenario
    seed: int = 1

    def __call__(self, index: int) -> Sample:
        """Return one sample of the study."""
        return sample(self.bank, self.plan, self.scenario, seed=self.seed, index=index)


def kept(
    record: Record,
    states: list[State],
    *,
    index: int,
    shorted: Collection[str] = (),
    gone: Collection[str] = (),
    compensated: bool = False,
) -> Sample:
    """
    Return what a study keeps of a run.

    `states` are those of `record.ids`, as drawn; `shorted` lack a cell each, and those `gone` are cut out: no harm can
    be told of them. `compensated` says whether the charger's volts follow the temperature.
    """
    import numpy as np

    record = possible(record)
    peaks, cells = record.peaks, [live_cells(state, shorted, gone) for state in states]
    live = {state.unit.id for state, count in zip(states, cells, strict=True) if count}
    empty = next((event for event in record.events if event.kind == "empty" and event.unit in live), None)
    out, of_charge = _held(record, states)
    off = off_spans(record)
    figures = {
        "most_a": np.maximum(peaks.out_a, peaks.in_a),
        "most_share": _shares(record),
        "of_lasting": _over(out, [state.discharge_limit_a() for state in states]),
        "of_peak": _over(peaks.out_a, [state.peak_limit_a() for state in states]),
        "of_charge": of_charge,
        "least_v": peaks.low_v,
        "most_v_of_max": volts_of_max(record, states, cells, compensated=compensated),
        "least_soc": record.soc_frac.min(axis=0),
        "under_frac": depths(record, states),
        "hottest_c": peaks.hot_c,
    }
    there = np.array([state.unit.id not in gone for state in states])
    harmed = {
        "over-voltage": over_voltage(record, states, cells, compensated=compensated),
        "below-empty": below_empty(record, states, cells),
        "internal-short": internal_short(record, states, cells),
        "hot": too_hot(record, states) & there,
    }
    moments = np.linspace(0.0, record.time_s[-1], VOLTS_KEPT)
    drawn = {name: tuple(_value(state, name) for state in states) for name in DRAWN}
    return Sample(
        index=index,
        ended=record.ended.kind,
        happened=tuple(dict.fromkeys((event.kind, event.unit or "") for event in record.events)),
        hours=float(record.ended.time_s) / 3600.0,
        given_ah=record.bank_out_ah,
        given_wh=record.bank_out_wh,
        unmet_wh=record.unmet_wh,
        off_h=sum(end - begin for begin, end in off) / 3600.0,
        first_off_h=off[0][0] / 3600.0 if off else math.inf,
        first_empty=(empty.unit or "") if empty is not None else "",
        ids=record.ids,
        drawn=drawn,
        harmed={code: tuple(which.tolist()) for code, which in harmed.items()},
        bank_v=tuple(np.interp(moments, record.time_s, record.volts).tolist()),
        charge_error_frac=record.balance.charge_error_frac,
        energy_error_frac=record.balance.energy_error_frac,
        **{name: tuple(values.tolist()) for name, values in figures.items()},
    )


def _value(state: State, name: str) -> float:
    measure = getattr(state, name)
    return 1.0 if measure is None else float(measure.value)


def _held(record: Record, states: list[State]) -> tuple[Floats, Floats]:
    """
    Return what each unit carries for `LASTING_S`, or a shorter run: largest mean discharge, and part of a charge limit.

    The first in amps; the second is the mean charge current over the lower of the unit's limits at both ends, as warm
    as it is there.
    """
    import numpy as np

    time_s, amps = record.time_s, record.unit_amps
    limits = charge_limits(record, states)
    steps = np.diff(time_s)[:, None]
    moved = np.concatenate([np.zeros((1, amps.shape[1])), np.cumsum(0.5 * (amps[1:] + amps[:-1]) * steps, axis=0)])
    window = min(LASTING_S, float(time_s[-1] - time_s[0]))
    if window <= 0.0:
        return np.maximum(amps[0], 0.0), _over(np.maximum(-amps[0], 0.0), limits[0])
    first = np.flatnonzero(time_s <= time_s[-1] - window * (1.0 - 1e-9))
    until = np.minimum(np.searchsorted(time_s, time_s[first] + window * (1.0 - 1e-9)), time_s.size - 1)
    mean = (moved[until] - moved[first]) / (time_s[until] - time_s[first])[:, None]
    into = _over(np.maximum(-mean, 0.0), np.minimum(limits[first], limits[until]))
    return np.maximum(mean.max(axis=0), 0.0), into.max(axis=0)


def _shares(record: Record) -> Floats:
    import numpy as np

    bank = np.abs(record.amps)
    flowing = bank > FLOWING_FRAC * bank.max()
    if not flowing.any():
        return np.zeros(len(record.ids))
    return np.asarray((np.abs(record.unit_amps[flowing]) / bank[flowing, None]).max(axis=0))


def _over(amps: Floats, limits_a: list[float] | Floats) -> Floats:
    """Return currents over their limits; nought over nought is nought."""
    import numpy as np

    limits = np.asarray(limits_a)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(amps > 0.0, amps / limits, 0.0)
