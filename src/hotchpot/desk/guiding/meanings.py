"""What a reading means for its unit in a line or two: the grade it would give by itself, and what it does not say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from hotchpot.bench.estimate import Estimate, Quantity
from hotchpot.bench.grade import A_RATIO, B_RATIO, C_RATIO, grade_of, rejection
from hotchpot.bench.procedure.figures import settings
from hotchpot.bench.state import State
from hotchpot.pile.reading import Reading, ReadingKind

_SLACK = 1e-9
_USUAL, _FAST = 1.0, 2.0  # times a good unit's self-discharge, as the judge's rule unit-self-discharge has it


def meanings(reading: Reading, state: State, estimates: Sequence[Estimate]) -> tuple[str, ...]:
    """Return what one reading means, given the unit's state by that reading alone and the estimates made of it."""
    return tuple(_MEANS[reading.kind](_Found(reading, state, tuple(estimates))))


@dataclass(frozen=True, slots=True)
class _Found:
    """One reading and what was made of it."""

    reading: Reading
    state: State
    estimates: tuple[Estimate, ...]

    def of(self, quantity: Quantity) -> float | None:
        """Return the value of the last estimate of a quantity that has one."""
        told = [e.value for e in self.estimates if e.quantity is quantity and e.value is not None]
        return told[-1] if told else None


def _rest(found: _Found) -> Iterator[str]:
    settled, charge = found.of(Quantity.REST_V), found.of(Quantity.CHARGE)
    volts = found.reading.volts[-1] if settled is None else settled
    reason = rejection(replace(found.state.unit, rest_v=volts))
    if volts < 0:
        yield f"Grade: reject; {volts:.2f} V is below zero: leads changed over, or reversed. Do not charge or load it."
    elif reason:
        yield f"Grade: reject; {reason}. Do not charge or load it; set it aside outdoors."
    else:
        if charge is not None:
            yield f"It is about {100 * charge:.0f} % charged."
        yield "This rejects nothing; whether it still holds its capacity, only a run tells."


def _loads(found: _Found) -> Iterator[str]:
    if found.of(Quantity.RESISTANCE) is None:
        return
    ratio = found.state.resistance_ratio
    limits = (("A", A_RATIO), ("B", B_RATIO), ("C", C_RATIO))
    letter = next((name for name, most in limits if ratio <= most + _SLACK), "reject")
    yield f"Grade by resistance: {letter}; {ratio:.1f} times a typical good unit of its size."
    yield "Resistance says nothing of the capacity."


def _run(found: _Found) -> Iterator[str]:
    if found.of(Quantity.CAPACITY) is not None:
        letter, because = grade_of(found.state)
        yield f"Grade: {letter}; {because}."


def _gravity(found: _Found) -> Iterator[str]:
    charge, cells = found.of(Quantity.CHARGE), found.reading.gravity
    if charge is not None:
        yield f"It is about {100 * charge:.0f} % charged."
    spread, (some, much) = max(cells) - min(cells), settings("gravity_spread")
    if spread > much + _SLACK:
        yield f"The cells differ by {spread:.3f}: charge and equalise once, watched; if it stays, reject it."
    elif spread > some + _SLACK:
        yield f"The cells differ by {spread:.3f}: one stands apart; charge it long, and read again."
    else:
        yield f"The cells differ by {spread:.3f}: they agree."


def _leak(found: _Found) -> Iterator[str]:
    leak = found.of(Quantity.LEAKAGE)
    if leak is None:
        return
    ratio = max(0.0, leak * 100.0 / found.state.chem.num("self_discharge"))
    told = "as a good one" if ratio <= _USUAL else "somewhat fast" if ratio <= _FAST else "leaky: keep it out of a bank"
    yield f"{100 * leak:.1f} % a month, {ratio:.1f} times what is usual for it: {told}."


def _look(found: _Found) -> Iterator[str]:
    if reason := rejection(replace(found.state.unit, rest_v=None)):
        yield f"Grade: reject; {reason}. Do not charge, load or join it; set it aside outdoors, apart."
    else:
        yield "Nothing seen that rejects it. It may be tested."


_MEANS = {
    ReadingKind.REST: _rest,
    ReadingKind.LOADS: _loads,
    ReadingKind.RUN: _run,
    ReadingKind.GRAVITY: _gravity,
    ReadingKind.LEAK: _leak,
    ReadingKind.LOOK: _look,
}
