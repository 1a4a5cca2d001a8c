"""The unit of a log's column: as its heading says, and as its values bear out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from hotchpot.bench.logs.logtimes import epoch_unit

# No battery that a person handles by itself is above these; numbers beyond are thousandths.
_MOST_V, _MOST_A = 1000.0, 2000.0
_MOST_C = 85.0
_TICKS_MS = (50.0, 100.0, 200.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its name, factor and offset to ours, why it was taken, and what else it might be."""

    name: str
    factor: float
    offset: float
    why: str
    doubt: str = ""


def volts_unit(values: Sequence[float], said: Unit | None, *, trusted: bool = False) -> Unit:
    """
    Return the unit of a column of volts from what is said and from its values.

    >>> volts_unit([12870.0, 12868.0], None).name
    'mV'
    """
    size = _middle(values)
    if said is not None and (trusted or size * said.factor <= _MOST_V):
        return said
    if size > _MOST_V:
        name, factor = ("mV", 1e-3) if size <= 1e3 * _MOST_V else ("µV", 1e-6)
        doubt = (
            f"the heading says {said.name}, but {size:.5g} {said.name} is no battery; read as {name}" if said else ""
        )
        return Unit(name, factor, 0.0, f"values near {size:.5g} can only be {name}", doubt)
    return Unit("V", 1.0, 0.0, "no unit is given: V by its values" if size else "no unit is given: V")


def amps_unit(values: Sequence[float], said: Unit | None, *, small: bool = False) -> Unit:
    """Return the unit of a column of amps; `small` says that the volts beside it are in thousandths."""
    if said is not None:
        return said
    most = max((abs(value) for value in values), default=0.0)
    whole = all(value == int(value) for value in values)
    if most > _MOST_A:
        return Unit("mA", 1e-3, 0.0, f"no unit is given: values up to {most:.5g} can only be mA")
    if whole and most >= 20 and small:
        doubt = f"whole numbers up to {most:.5g} without a unit are read as mA, as the volts are in mV"
        return Unit("mA", 1e-3, 0.0, "no unit is given: whole numbers beside mV are mA", doubt)
    if whole and most >= 100:
        return Unit(
            "A", 1.0, 0.0, "no unit is given: A", f"whole numbers up to {most:.5g} without a unit are read as A"
        )
    return Unit("A", 1.0, 0.0, "no unit is given: A")


def temperature_unit(values: Sequence[float], said: Unit | None) -> Unit:
    """Return the unit of a column of temperature."""
    if said is not None:
        return said
    size = _middle(values)
    if size > 200:
        return Unit("K", 1.0, -273.15, f"no unit is given: values near {size:.4g} can only be K")
    if size > _MOST_C:
        return Unit("°F", 5 / 9, -160 / 9, f"no unit is given: values near {size:.3g} can only be °F")
    doubt = f"values near {size:.3g} without a unit are read as °C" if size > 45 else ""
    return Unit("°C", 1.0, 0.0, "no unit is given: °C by its values", doubt)


def time_unit(values: Sequence[float], said: Unit | None, *, bare: bool) -> Unit:
    """
    Return the unit of a column of time that holds numbers; `bare` says that its heading gives no unit.

    >>> time_unit([1700000000.0, 1700000001.0], None, bare=True).why
    'counts s since 1970'
    """
    epoch = epoch_unit(values) if values else None
    if epoch and (bare or said is None or said.factor == epoch[1]):
        return Unit(epoch[0], epoch[1], 0.0, f"counts {epoch[0]} since 1970")
    if said is not None:
        return said
    steps = sorted(b - a for a, b in pairwise(values))
    tick = steps[len(steps) // 2] if steps else 1.0
    whole = all(value == int(value) for value in values)
    if values and 20_000 < values[0] < 80_000 and not whole and 0 < tick < 0.5:
        return Unit("days", 86400.0, 0.0, "counts days, as spreadsheets do")
    if whole and any(abs(tick - known) <= 0.03 * known for known in _TICKS_MS):
        doubt = f"steps of {tick:g} without a unit are read as ms; if they are seconds, state time=... [s]"
        return Unit("ms", 1e-3, 0.0, f"no unit is given: whole steps of {tick:g} are ms", doubt)
    doubt = f"steps of {tick:.3g} without a unit are read as seconds" if tick < 0.02 or tick > 3600 else ""
    return Unit("s", 1.0, 0.0, "no unit is given: s", doubt)


def _middle(values: Sequence[float]) -> float:
    ordered = sorted(abs(value) for value in values)
    return ordered[len(ordered) // 2] if ordered else 0.0
