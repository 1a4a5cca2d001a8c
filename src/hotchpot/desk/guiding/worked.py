"""What comes of a guide: the reading as a fact, the bench's estimates of it, and what they mean in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from hotchpot.bench.estimate import Estimate, Line
from hotchpot.bench.remark import Remark
from hotchpot.desk.guiding.answers import Answers
from hotchpot.desk.guiding.guide import Guide
from hotchpot.desk.guiding.meanings import meanings
from hotchpot.desk.guiding.noted import reading_of
from hotchpot.pile.reading import Reading

# A face takes the type of an estimate from here: it may not reach into the bench itself.
__all__ = [
    "Estimate",
    "Worked",
    "budget_of",
    "procedures_wire",
    "refused_wire",
    "unfinished_wire",
    "work_out",
    "worked_wire",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """The reading that a guide made, its estimates with their budgets, what it means, and what was said on the way."""

    guide: Guide
    reading: Reading
    estimates: tuple[Estimate, ...]
    remarks: tuple[Remark, ...]
    means: tuple[str, ...]


def work_out(guide: Guide, answers: Answers, *, when: datetime | None = None) -> Worked:
    """
    Return what the answers of a guide give, by the same study of readings that the whole pile goes through.

    Parameters
    ----------
    guide : Guide
        The procedure on its unit.
    answers : mapping
        An answer to every step, by its key, as `guide.take` gave it.
    when : datetime, optional
        When it was read, local time.
    """
    from hotchpot.bench.state import state_of
    from hotchpot.bench.study import study

    reading = reading_of(guide, answers, when=when)
    # What the pile file says already of the same quantity must not mix with what this reading says.
    unit = replace(guide.unit, capacity_ah=None, resistance_mohm=None, self_discharge_frac_month=None)
    found = study(unit, (reading,))
    return Worked(
        guide=guide,
        reading=reading,
        estimates=found.estimates,
        remarks=tuple(dict.fromkeys((*guide.remarks, *found.remarks))),
        means=meanings(reading, state_of(unit, study=found), found.estimates),
    )


def budget_of(estimate: Estimate) -> tuple[tuple[Line, float], ...]:
    """Return the lines of an estimate's budget, largest first, each with its share of the variance."""
    variance = estimate.sd**2
    lines = sorted(estimate.budget, key=lambda line: -line.sd)
    return tuple((line, line.sd**2 / variance) for line in lines if line.sd > 0.0)


def worked_wire(worked: Worked) -> dict[str, Any]:
    """Return a guide's outcome as JSON."""
    from hotchpot.desk.wire_bench import estimate_wire, remark_wire
    from hotchpot.pile.readingfile import write_readings

    return {
        "procedure": worked.guide.procedure.key,
        "unit": worked.guide.unit.id,
        "reading": write_readings([worked.reading]),
        "estimates": [estimate_wire(estimate) for estimate in worked.estimates],
        "means": list(worked.means),
        "remarks": [remark_wire(remark) for remark in worked.remarks],
        "cautions": list(worked.guide.cautions),
    }


def refused_wire(guide: Guide, remarks: tuple[Remark, ...]) -> dict[str, Any]:
    """Return a refused guide as JSON."""
    from hotchpot.desk.wire_bench import remark_wire

    return {
        "procedure": guide.procedure.key,
        "unit": guide.unit.id,
        "refused": True,
        "remarks": [remark_wire(remark) for remark in remarks],
        "cautions": list(guide.cautions),
    }


def unfinished_wire(guide: Guide, answers: Answers) -> dict[str, Any]:
    """Return a guide that was broken off as JSON, with its answers so far."""
    return {
        "procedure": guide.procedure.key,
        "unit": guide.unit.id,
        "unfinished": True,
        "answers": dict(answers),
        "cautions": list(guide.cautions),
    }


def procedures_wire() -> dict[str, Any]:
    """Return the list of the procedures as JSON."""
    from hotchpot.desk.guiding.guide import procedures

    return {
        "procedures": [
            {
                "key": one.key,
                "title": one.title,
                "reading": str(one.reading),
                "gives": one.gives,
                "suits": one.suits,
                "needs": list(one.needs),
                "hands_on_min": one.hands_on_min,
            }
            for one in procedures()
        ]
    }
