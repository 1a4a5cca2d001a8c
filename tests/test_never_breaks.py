"""
Whatever lies within the columns' and keys' own ranges is answered or refused, never a traceback, never a NaN.

Random piles and plans from fixed seeds; a failure prints its seed.
"""

from __future__ import annotations

import json
import random
from dataclasses import fields
from typing import Any

import pytest

from hotchpot import desk
from hotchpot.bank.plan import QUESTIONS, SECTIONS, Plan, Tap, Wiring
from hotchpot.chemistry import KEYS, chemistry
from hotchpot.errors import HotchpotError
from hotchpot.pile import FLAGS, Unit

CASES_A_SEED = 80


def some(chance: random.Random, *values: Any) -> Any:
    """Return one of the values, or None half of the time."""
    return None if chance.random() < 0.5 else chance.choice(values)


def any_unit(chance: random.Random, name: str, key: str) -> Unit:
    """Return a unit of a chemistry with anything that a pile file may say of it."""
    chem, ah = chemistry(key), chance.choice([2.5, 20, 100, 280])
    cells = chance.choice([1, 2, 3, 4, 6, 8, 10, 12, 16])
    return Unit(
        id=name,
        chemistry=key,
        cells=cells,
        rated_ah=ah,
        rated_hours=chance.choice([1, 5, 20]),
        capacity_ah=some(chance, 0.3 * ah, 0.8 * ah, 1.2 * ah),
        resistance_mohm=some(chance, *(factor * chem.typical_mohm(cells, ah) for factor in (0.01, 0.5, 1, 1.4, 3))),
        rest_v=some(chance, 0.0, -12.0, *(cells * chance.choice(chem.ocv.volt) for _ in range(4))),
        rest_hours=some(chance, 0, 5, 24),
        soc_frac=some(chance, 0, 0.3, 1.0),
        temperature_c=some(chance, -60, -30, -5, 0, 3, 20, 48, 120),
        made=some(chance, "2019"),
        self_discharge_frac_month=some(chance, 0, 0.03, 0.2, 1.0),
        gravity=some(chance, (1.2, 1.26), (1.265,)) or (),
        flags=some(chance, (chance.choice(FLAGS),)) or (),
        rest_rise_k=some(chance, 0, 0.5, 3),
        bms=some(chance, True, False),
        bms_max_a=some(chance, 0.001, 50),
        bms_max_v=some(chance, 20),
        max_in_series=some(chance, 1, 4),
        max_in_parallel=some(chance, 1, 2),
        max_charge_a=some(chance, 0.001, 10),
        max_discharge_a=some(chance, 0.001, 50),
    )


def any_value(chance: random.Random, spec: Any) -> Any:
    """Return anything a plan's key may hold, its ends included."""
    meta, kind = spec.metadata, str(spec.type)
    if "bool" in kind:
        return some(chance, True, False)
    if "str" in kind:
        return some(chance, *meta["choices"]) if meta["choices"] else None
    low, high = meta["low"], meta["high"]
    return some(chance, low, high, chance.uniform(low, min(high, max(low, 1) * 30)))


def any_plan(chance: random.Random, names: list[str]) -> Plan:
    """Return a plan with anything that a plan file may say."""
    sections = {
        name: kind(**{spec.name: any_value(chance, spec) for spec in fields(kind) if spec.name != "taps"})
        for name, kind in SECTIONS.items()
        if kind is not Wiring
    }
    wiring = {spec.name: any_value(chance, spec) for spec in fields(Wiring) if spec.name != "taps"}
    taps = some(chance, (Tap(below=chance.choice(names), amps=2.0), Tap(amps=0.0, hours_per_day=0.0))) or ()
    asked = tuple(chance.sample(QUESTIONS, chance.randint(0, 3)))
    return Plan(question=asked, wiring=Wiring(**wiring, taps=taps), **sections)


def any_expression(chance: random.Random, names: list[str]) -> str:
    """Return any series-parallel expression over the names."""
    if len(names) == 1:
        return names[0]
    cut = chance.randint(1, len(names) - 1)
    left, right = any_expression(chance, names[:cut]), any_expression(chance, names[cut:])
    return f"({left} {chance.choice(['//', '+'])} {right})"


@pytest.mark.parametrize("seed", range(8))
def test_any_pile_and_plan_is_answered(seed: int) -> None:
    """The judge, the joining plan and the search give valid JSON or one clear refusal."""
    chance = random.Random(seed)
    for _ in range(CASES_A_SEED):
        family = chance.choice(KEYS)
        keys = [family if chance.random() < 0.8 else chance.choice(KEYS) for _ in range(chance.randint(1, 6))]
        units = [any_unit(chance, f"U{i}", key) for i, key in enumerate(keys)]
        names = [unit.id for unit in units]
        chance.shuffle(names)
        names = names[: chance.randint(1, len(names))]
        plan, expression = any_plan(chance, names), any_expression(chance, names)
        json.dumps(desk.judge_wire(desk.judge_bank(expression, units, plan)), allow_nan=False)
        try:
            json.dumps(desk.join_wire(desk.join_bank(expression, units, plan)), allow_nan=False)
            system_v = plan.duty.system_v or 12.0
            found = desk.arrange_pile(units, plan, system_v=system_v, seconds=1.0)
            json.dumps(desk.arrange_wire(found), allow_nan=False)
            said = "answered"
        except HotchpotError as refusal:
            said = str(refusal)
        assert said.strip()
