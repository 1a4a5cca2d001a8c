"""Which cell counts make a system voltage, and which units a search may draw on."""

from __future__ import annotations

import pytest

from hotchpot.arrange.pool import cell_counts, makeable_v, pools
from hotchpot.bench.state import State, state_of
from hotchpot.chemistry import chemistry
from hotchpot.pile.unit import Unit

# Common practice, no source: what is sold for each voltage.
COUNTS = [
    ("lead_flooded", 6, (3,)),
    ("lead_agm", 12, (6,)),
    ("lead_gel", 24, (12,)),
    ("lead_agm", 18, (9,)),
    ("lead_agm", 48, (24,)),
    ("nicd", 12, (10,)),
    ("nicd", 24, (20,)),
    ("nife", 48, (40,)),
    ("lfp", 12, (4,)),
    ("lfp", 24, (8,)),
    ("lfp", 48, (15, 16)),
    ("nmc", 12, (3,)),
    ("nmc", 24, (7,)),
    ("nmc", 48, (13, 14)),
]


@pytest.mark.parametrize(("key", "volts", "counts"), COUNTS)
def test_cell_counts_are_those_of_the_trade(key: str, volts: float, counts: tuple[int, ...]) -> None:
    """Each chemistry makes a system voltage with the cell counts that the trade uses."""
    assert cell_counts(chemistry(key), volts) == counts


def test_no_count_is_forced_on_a_voltage_it_does_not_fit() -> None:
    """13 V is neither six nor seven lead cells; 1 V is no lithium cell."""
    assert cell_counts(chemistry("lead_agm"), 13) == ()
    assert cell_counts(chemistry("lfp"), 1) == ()


def units(chem: str, cells: list[int]) -> list[State]:
    """Return units of 100 Ah with these cell counts."""
    made = [Unit(id=f"{chem}{i}", chemistry=chem, cells=n, rated_ah=100, rated_hours=20) for i, n in enumerate(cells)]
    return [state_of(unit) for unit in made]


def test_a_pool_is_one_family_and_one_count() -> None:
    """Plate types of lead share a pool; lithium types of one voltage range share one; other families have their own."""
    pile = units("lead_agm", [6, 6]) + units("lead_gel", [6]) + units("lfp", [4])
    found = {(pool.family, pool.cells, len(pool.states)) for pool in pools(pile, 12)}
    assert found == {("lead", 6, 3), ("lfp", 4, 1)}


def test_units_too_tall_or_too_few_make_no_pool() -> None:
    """A 12 V unit is in no pool for 6 V; two 6 V units reach no 24 V; a type cannot borrow cells of another."""
    assert pools(units("lead_agm", [6]), 6) == ()
    assert pools(units("lead_agm", [3, 3]), 24) == ()
    assert pools(units("lead_agm", [6]) + units("lead_gel", [6]), 24) == ()


def test_the_voltages_of_a_pile_are_found_by_its_cells() -> None:
    """Units of 12, 6 and 6 V make 6, 12 and 24 V among the common voltages."""
    assert makeable_v(units("lead_agm", [6, 3, 3])) == (6.0, 12.0, 24.0)
