"""A joining with a shorted cell does not come to rest: physics notes 2.3, the exception that does not decay."""

from __future__ import annotations

import sys
from pathlib import Path

from hotchpot.bank.plan import Plan
from hotchpot.trial.scenarios import joining, stuck
from hotchpot.trial.trying import try_out

sys.path.insert(0, str(Path(__file__).parents[1] / "bank"))

from referee import bank, unit


def test_a_shorted_unit_gasses_until_the_good_one_is_flat() -> None:
    """
    The good unit holds the shorted one's five cells at 2.5 V: they are full in hours, and the rest of it all is gas.

    By hand: nothing that is lead-acid stores a third more than its capacity, so of the charge that the good unit loses
    only some hundredths can be stored in the other.
    """
    two = bank("A // B", unit("A", "lead_agm", 6, 100, temperature_c=25.0), unit("B", "lead_agm", 6, 100))
    record = try_out(two, Plan(), stuck(joining(two, Plan()), ["B"])).record
    lost = 1.0 - float(record.soc_frac[-1, 0])
    assert record.ended.time_s > 48 * 3600.0
    assert float(record.soc_frac[:, 1].max()) < 1.06
    assert lost > 0.2
    assert float(record.gas_ah[1]) > 0.7 * 100 * lost
