"""Checks on warmth and cold: heat, charge in the cold, cold discharge, acid that may freeze, lead that stands empty."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from hotchpot.bank.rules.charge_temperature import FREEZING_MARGIN_K, acid_density, freezing_c
from hotchpot.bank.verdict import Verdict
from hotchpot.bench.state import State
from hotchpot.measure import Basis, Measure
from hotchpot.trial.allowed import FLOWS_C, hottest
from hotchpot.trial.look import Figure, Look, Said, after, few, span
from hotchpot.trial.passed import charged_cold_ah

if TYPE_CHECKING:
    import numpy as np

RISE_K = 10.0  # project rule
COLDER_K = 1.0  # the coldest is told where it is so much below the warmest that is told; project rule
COLD_FRAC = 1e-3  # charge taken in the cold below this part of the capacity is not told of; project rule
EMPTY_SOC, EMPTY_S = 0.2, 86_400.0  # lead that ends below so much charge, and stood so for so long; project rules
FREEZE_STEPS = 100  # of charge, from empty to full, between which a freezing point lies on a line
COLD_WHY = {
    "lithium": "Cold lithium plates metal instead of storing it: lost capacity, and a short later that can burn.",
    "lead": "Cold lead takes little charge and gasses, and acid that is ice bursts cells.",
    "nickel": "Cold nickel cells take little charge, gas, and vent where they are sealed.",
}


def _heat(look: Look) -> Iterator[Said]:
    """Tell of the unit nearest its highest temperature, giving or taking, and how cold the coldest was."""
    import numpy as np

    record, there = look.record, list(look.there)
    most = hottest(record, look.states)
    k = there[int((most.value - most.limit)[there].argmax())]
    value, limit, chem = float(most.value[k]), float(most.limit[k]), look.states[k].chem
    name = "discharge_t" if limit == float(chem.row("discharge_t")[1]) else "charge_t"
    rise = value - float(record.temperature_c[0, k])
    verdict = Verdict.FORBID if value > limit else Verdict.CAUTION if rise > RISE_K else Verdict.FINE
    row, column = np.unravel_index(record.temperature_c[:, there].argmin(), (len(record.time_s), len(there)))
    cold_c, name_c = float(record.temperature_c[row, there[column]]), record.ids[there[column]]
    told = f" The coldest: {name_c}, {Figure(cold_c):.2g} °C {after(float(record.time_s[row]))}."
    coldest = told if cold_c < value - COLDER_K else ""
    yield Said(
        code="trial-heat", verdict=verdict, subject=(record.ids[k],), value=value, limit=limit,
        facts={"when": after(float(most.time_s[k])), "rise": rise, "coldest": coldest},
        source=chem.cite(name),
    )  # fmt: skip


def _cold_discharge(look: Look) -> Iterator[Said]:
    """Tell of the unit that gives current furthest below the lowest temperature of its discharge."""
    import numpy as np

    record, found = look.record, []
    for k in look.there:
        state = look.states[k]
        low = float(state.chem.row("discharge_t")[0])
        gives = record.unit_amps[:, k] >= FLOWS_C * state.capacity_ah.value
        warmth = np.where(gives, record.temperature_c[:, k], np.inf)
        row = int(warmth.argmin())
        if warmth[row] < low:
            found.append((float(warmth[row]) - low, k, row))
    if found:
        _, k, row = min(found)
        low = float(look.states[k].chem.row("discharge_t")[0])
        yield Said(
            code="trial-cold", verdict=Verdict.FORBID, subject=(record.ids[k],),
            value=float(record.temperature_c[row, k]), limit=low,
            facts={"when": after(float(record.time_s[row]))}, source=look.states[k].chem.cite("discharge_t"),
        )  # fmt: skip


def _charged_cold(look: Look) -> Iterator[Said]:
    """
    Tell how much charge each unit took below the temperature that its chemistry may be charged at.

    No protection of the model stops a charge in the cold; a real one may, and that is said.
    """
    import numpy as np

    record, found = look.record, []
    taken, rows = charged_cold_ah(record, look.states)
    for k in look.there:
        state, ah = look.states[k], float(taken[k])
        if ah < COLD_FRAC * state.capacity_ah.value:
            continue
        first = int(np.argmax(rows[:, k])) if rows[:, k].any() else int(record.temperature_c[:, k].argmin())
        lowest = float(record.temperature_c[rows[:, k], k].min()) if rows[:, k].any() else None
        facts = {
            "when": after(float(record.time_s[first])), "first_c": float(record.temperature_c[first, k]),
            "lowest": "" if lowest is None else f", {Figure(lowest):.2g} °C at the coldest",
            "why": COLD_WHY[state.chem.kind],
            "bms": " Whether its own protection stops that nobody says; here it does not." if state.unit.bms else "",
        }  # fmt: skip
        said = Said(
            code="trial-charge-cold", verdict=Verdict.FORBID if state.chem.kind == "lithium" else Verdict.ONLY_IF,
            subject=(state.unit.id,), facts=facts, value=ah, limit=float(state.chem.row("charge_t")[0]),
            source=state.chem.cite("charge_t"),
        )  # fmt: skip
        found.append((ah / state.capacity_ah.value, said))
    yield from _together(found)


def _together(found: list[tuple[float, Said]]) -> Iterator[Said]:
    """Yield the worst of each verdict, by the number before each, and name the others in it."""
    for verdict in dict.fromkeys(said.verdict for _, said in found):
        alike = sorted((row for row in found if row[1].verdict is verdict), key=lambda row: -row[0])
        worst, rest = alike[0][1], [said.subject[0] for _, said in alike[1:]]
        others = f" The same, if less, of {few(rest)}." if rest else ""
        yield replace(worst, subject=(*worst.subject, *rest), facts={**worst.facts, "own": worst.subject[0],
                                                                     "others": others})  # fmt: skip


def _freezing(look: Look) -> Iterator[Said]:
    """Tell of lead whose acid, at the charge of that moment, comes near its freezing point, and if it is charged so."""
    import numpy as np

    record, found = look.record, []
    for k in look.there:
        state = look.states[k]
        if state.chem.kind != "lead" or not look.cells[k]:
            continue
        soc = np.clip(record.soc_frac[:, k], 0.0, 1.0)
        densities, points = _acid(state.chem.key)
        freezes = np.interp(soc, np.linspace(0.0, 1.0, FREEZE_STEPS + 1), points)
        above_k = record.temperature_c[:, k] - freezes
        row = int(above_k.argmin())
        if above_k[row] >= FREEZING_MARGIN_K:
            continue
        near = above_k < FREEZING_MARGIN_K
        charged = bool((near & (-record.unit_amps[:, k] >= FLOWS_C * state.capacity_ah.value)).any())
        ice = float(above_k[row]) <= 0.0
        first = int(np.argmax(above_k <= 0.0 if ice else near))
        facts = {
            "percent": 100.0 * float(soc[row]), "density": f"{_at(densities, soc[row]):.3f}",
            "freezes": float(freezes[row]), "when": after(float(record.time_s[first])), "is": "may be ice" if ice else
            "comes near freezing", "charged": ", and it is charged so" if charged else "",
        }  # fmt: skip
        verdict = Verdict.FORBID if charged else Verdict.ONLY_IF if ice else Verdict.CAUTION
        said = Said(
            code="trial-freezing", verdict=verdict, subject=(state.unit.id,), facts=facts,
            value=float(record.temperature_c[row, k]), limit=float(freezes[row]) + FREEZING_MARGIN_K,
            source=state.chem.cite("freeze_sg_t"),
        )  # fmt: skip
        found.append((-float(above_k[row]), said))
    yield from _together(found)


@cache
def _acid(key: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return density and freezing point of a lead chemistry's acid from empty to full, as the judge's rule has them."""
    state = _any_state(key)
    states = [
        replace(state, soc_frac=Measure(step / FREEZE_STEPS, 0.0, Basis.MEASURED)) for step in range(FREEZE_STEPS + 1)
    ]
    densities = tuple(acid_density(one) for one in states)
    return densities, tuple(freezing_c(state, density) for density in densities)


def _any_state(key: str) -> State:
    from hotchpot.bench.state import state_of
    from hotchpot.pile.unit import Unit

    return state_of(Unit(id="any", chemistry=key, cells=1, rated_ah=1.0, rated_hours=20.0))


def _at(values: tuple[float, ...], soc: float) -> float:
    import numpy as np

    return float(np.interp(soc, np.linspace(0.0, 1.0, FREEZE_STEPS + 1), values))


def _standing(look: Look) -> Iterator[Said]:
    """Tell of lead that ends nearly empty and has stood so for long."""
    record, found = look.record, []
    for k in look.there:
        state = look.states[k]
        if state.chem.kind != "lead" or not look.cells[k]:
            continue
        long_s = _stood_s(record.time_s, record.soc_frac[:, k])
        if long_s < EMPTY_S:
            continue
        facts = {"long": span(long_s), "percent": 100.0 * float(record.soc_frac[-1, k])}
        said = Said(
            code="trial-standing", verdict=Verdict.CAUTION, subject=(state.unit.id,), facts=facts,
            value=long_s / 3600.0, limit=EMPTY_S / 3600.0,
        )  # fmt: skip
        found.append((long_s, said))
    yield from _together(found)


def _stood_s(time_s: np.ndarray, soc: np.ndarray) -> float:
    """Return for how long, up to the end, the charge was below the mark. [s]"""
    import numpy as np

    held = np.flatnonzero(soc >= EMPTY_SOC)
    first = int(held[-1]) + 1 if held.size else 0
    return float(time_s[-1] - time_s[first]) if first < len(time_s) else 0.0


WARMTH = (_heat, _cold_discharge, _charged_cold, _freezing, _standing)
