"""A trial as plain dictionaries: every number of the record, what ended it, what to look at, and its doubt."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from hotchpot.desk.plain import clean, finding_wire, num
from hotchpot.desk.trying import Draws, TrialReport
from hotchpot.trial.passed import off_spans

if TYPE_CHECKING:
    import numpy as np

DIGITS = 9  # enough that sums over units still add up


def trial_wire(report: TrialReport) -> dict[str, Any]:
    """Return a trial in its JSON shape (docs/commands.md); numbers that are none are null."""
    trial, record, rows = report.trial, report.trial.record, report.telling.moments
    decisive, off = report.judgement.decisive, off_spans(record)
    return {
        "arrangement": report.arrangement,
        "verdict": str(report.verdict),
        "judged": {
            "verdict": str(report.judgement.verdict),
            "decided_by": None if decisive is None else decisive.code,
            "says": None if decisive is None else decisive.says,
            "do": None if decisive is None else decisive.do,
            "more": report.more_judged,
            "not_judged": len(report.judgement.unasked),
        },
        "scenario": {"kind": report.wish.kind, "name": trial.scenario.name, "says": trial.scenario.says},
        "plain": list(report.telling.sentences),
        "time_s": column(record.time_s[:rows]),
        "bank": {"voltage_v": column(record.volts[:rows]), "current_a": column(record.amps[:rows])},
        "units": {
            name: {
                "current_a": column(record.unit_amps[:rows, k]),
                "voltage_v": column(record.unit_volts[:rows, k]),
                "soc_frac": column(record.soc_frac[:rows, k]),
                "temperature_c": column(record.temperature_c[:rows, k]),
            }
            for k, name in enumerate(record.ids)
        },
        "ended": {
            "reason": record.ended.kind,
            "time_s": fine(record.ended.time_s),
            "unit": record.ended.unit,
            "value": num(record.ended.value),
            "says": report.telling.ends,
        },
        "events": [
            {
                "kind": one.kind,
                "time_s": fine(one.time_s),
                "unit": one.unit,
                "value": num(one.value),
                "amps": num(one.amps),
            }
            for one in record.events
        ],
        "balance": {
            "charge_error_frac": float(f"{record.balance.charge_error_frac:.3g}"),
            "energy_error_frac": float(f"{record.balance.energy_error_frac:.3g}"),
        },
        "loads_off": {
            "first_s": None if not off else fine(off[0][0]),
            "off_s": fine(sum(end - begin for begin, end in off)),
            "times": len(off),
            "unmet_wh": num(record.unmet_wh),
        },
        "given": {"ah": num(trial.given_ah), "wh": num(trial.given_wh)},
        "taken": {"ah": num(record.bank_in_ah), "wh": num(record.bank_in_wh)},
        "labels": {"ah": num(trial.label_ah), "wh": num(trial.label_wh)},
        "shares": [{"name": share.name, "wh": num(share.wh)} for share in trial.shares],
        "notable": [finding_wire(finding) for finding in trial.notable],
        "bases": record.marks,
        "doubt": None if report.draws is None else draws_wire(report.draws),
        "next": report.next_step,
        "cautions": list(report.cautions),
    }


def draws_wire(draws: Draws) -> dict[str, Any]:
    """Return a study of many draws as JSON; `volts` has a list of each percentile."""
    doubt = draws.doubt
    return {
        "draws": doubt.draws,
        "wanted": draws.wanted,
        "seed": draws.seed,
        "enough": doubt.enough,
        "draws_needed": doubt.draws_needed,
        "bands": {name: clean(asdict(band)) for name, band in doubt.bands.items()},
        "units": {
            unit: {name: clean(asdict(bands[unit])) for name, bands in doubt.unit_bands.items()} for unit in doubt.ids
        },
        "volts": {
            "time_s": column(3600.0 * doubt.volts.time_h),
            **{
                name: column(row)
                for name, row in zip(("p05", "p25", "p50", "p75", "p95"), doubt.volts.volts, strict=True)
            },
            "running_frac": column(doubt.volts.running_frac),
        },
        "chances": [
            {
                "code": chance.code,
                "unit": chance.unit or None,
                "frac": num(chance.frac),
                "low": num(chance.interval()[0]),
                "high": num(chance.interval()[1]),
                "happened": chance.happened,
            }
            for chance in doubt.chances
        ],
        "drivers": [clean(asdict(driver)) for driver in doubt.drivers],
        "charge_error_frac": float(f"{doubt.charge_error_frac:.3g}"),
        "energy_error_frac": float(f"{doubt.energy_error_frac:.3g}"),
    }


def column(values: np.ndarray) -> list[float | None]:
    """Return an array as a list of numbers of nine digits."""
    return [fine(value) for value in values.tolist()]


def fine(value: float) -> float | None:
    """Return a number of nine digits; what is no number is null."""
    if value - value != 0.0:  # infinite, or none at all
        return None
    return float(f"{value:.{DIGITS}g}")
