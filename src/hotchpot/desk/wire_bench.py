"""The bench's reports as plain dictionaries: states with their doubt, estimates with their budget, remarks, worth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.remark import Remark
from hotchpot.desk.benching import BenchCard, BenchReport
from hotchpot.desk.plain import num, unit_wire
from hotchpot.measure import Measure

if TYPE_CHECKING:
    from hotchpot.bank.settling import Settling


def bench_wire(report: BenchReport) -> dict[str, Any]:
    """Return a bench report in its JSON shape (docs/commands.md)."""
    return {
        "arrangement": report.arrangement,
        "readings": len(report.evidence.readings),
        "units": {card.id: _card(card) for card in report.units},
        "remarks": [remark_wire(remark) for remark in report.remarks],
        "settling": None if report.settling is None else _settling(report.settling),
        "cautions": list(report.cautions),
    }


def _card(card: BenchCard) -> dict[str, Any]:
    state = card.state
    told = {} if card.study is None else card.study.told
    capacity = _bounds(told.get(Quantity.CAPACITY), state.capacity_ah)
    charge = told.get(Quantity.CHARGE) or _last(card, Quantity.CHARGE)
    leak = state.self_discharge_frac_month
    return {
        **unit_wire(card.card),
        "because": card.because,
        "capacity_low_ah": num(capacity[0]),
        "capacity_high_ah": num(capacity[1]),
        "resistance_sd_mohm": num(state.resistance_mohm.sd),
        "soc_sd_frac": None if state.soc_frac is None else num(state.soc_frac.sd),
        "soc_low_frac": None if charge is None else num(_ends(charge)[0]),
        "soc_high_frac": None if charge is None else num(_ends(charge)[1]),
        "rest_v": num(state.unit.rest_v),
        "self_discharge_frac_month": num(leak.value),
        "self_discharge_sd_frac_month": num(leak.sd),
        "self_discharge_basis": str(leak.basis),
        "estimates": [] if card.study is None else [estimate_wire(estimate) for estimate in card.study.estimates],
    }


def estimate_wire(estimate: Estimate) -> dict[str, Any]:
    """Return one estimate as JSON: value, doubt, 95 % interval, budget, circumstances and remarks."""
    low, high = _ends(estimate)
    return {
        "quantity": str(estimate.quantity),
        "value": num(estimate.value),
        "sd": None if estimate.refused else num(estimate.sd),
        "low": num(low),
        "high": num(high),
        "when": estimate.when,
        "instrument": estimate.instrument,
        "budget": [
            {"cause": line.cause, "sd": num(line.sd), "shape": str(line.shape), "common": line.common}
            for line in estimate.budget
        ],
        "facts": {name: num(value) for name, value in estimate.facts.items()},
        "remarks": [remark_wire(remark) for remark in estimate.remarks],
    }


def remark_wire(remark: Remark) -> dict[str, Any]:
    """Return a remark as JSON."""
    return {
        "code": remark.code,
        "weight": str(remark.weight),
        "subject": remark.subject,
        "value": num(remark.value),
        "limit": num(remark.limit),
        "unit": remark.unit,
        "says": remark.says,
        "why": remark.why,
        "do": remark.do,
        "source": remark.source,
    }


def _last(card: BenchCard, quantity: Quantity) -> Estimate | None:
    """Return the newest estimate of a quantity, even a refused one: its bounds may be known."""
    found = [] if card.study is None else [e for e in card.study.estimates if e.quantity is quantity]
    return max(found, key=lambda e: e.when or "", default=None)


def _ends(estimate: Estimate) -> tuple[float | None, float | None]:
    low, high = (estimate.low, estimate.high) if estimate.refused else estimate.interval()
    if estimate.quantity is Quantity.CHARGE and low is not None and high is not None:
        return max(0.0, low), min(1.0, high)
    return low, high


def _bounds(estimate: Estimate | None, measure: Measure) -> tuple[float, float]:
    if estimate is not None and not estimate.refused:
        return estimate.interval()
    return measure.value - 1.96 * measure.sd, measure.value + 1.96 * measure.sd


def _settling(settling: Settling) -> dict[str, Any]:
    return {
        "verdict_now": str(settling.verdict_now),
        "odds": {str(verdict): num(odds) for verdict, odds in settling.odds.items()},
        "sure_frac": num(settling.sure_frac),
        "entropy_bits": num(settling.doubt_bits),
        "readings": [
            {
                "unit": worth.unit,
                "procedure": worth.procedure,
                "sure_after_frac": num(worth.sure_after_frac),
                "gain_frac": num(worth.gain_frac),
                "information_bits": num(worth.bits),
                "hours": num(worth.hours),
                "says": worth.says,
            }
            for worth in settling.readings
        ],
    }
