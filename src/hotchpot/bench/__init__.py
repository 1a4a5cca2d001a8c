"""
From what was read on a unit to what it is: capacity, resistance, charge, each with its doubt.

The doors of the room. `state_of` and `study` make a unit's state of all its readings; the estimators below them can be
called by themselves: each takes what was read, and returns an `Estimate` with its budget, or refuses with a `Remark`.
"""

from hotchpot.bench.combine import combine
from hotchpot.bench.discharge.capacity import accuracy_through, capacity_of_run, to_rated, trace_through
from hotchpot.bench.discharge.kinetic import Kinetic
from hotchpot.bench.discharge.kinetic_fit import fit_kinetic
from hotchpot.bench.discharge.rate import exponent_of_runs, exponent_of_two, time_rated_h, time_textbook_h
from hotchpot.bench.discharge.rated import rated_by_fit
from hotchpot.bench.discharge.temperature import capacity_factor
from hotchpot.bench.efficiency import efficiencies_of_log
from hotchpot.bench.estimate import Estimate, Line, Quantity, Shape
from hotchpot.bench.load.pulse import PulseFit, fit_pulse
from hotchpot.bench.load.resistance import (
    capacity_from_resistance,
    resistance_at,
    resistance_of_loads,
    resistance_of_log,
    resistance_of_steps,
)
from hotchpot.bench.logs.logfold import LogFold
from hotchpot.bench.meter import Meter, meter, meters
from hotchpot.bench.remark import Remark, Weight
from hotchpot.bench.standing.charge import charge_of_rest
from hotchpot.bench.standing.curve import OwnCurve, curve_of_points, curve_of_run
from hotchpot.bench.standing.gravity import charge_of_gravity
from hotchpot.bench.standing.leakage import leakage_of_ah, leakage_of_volts
from hotchpot.bench.standing.relaxation import settled_v
from hotchpot.bench.state import State, state_of
from hotchpot.bench.study import Study, study
from hotchpot.bench.trace import Jump, Log, Piece, Trace, trace_of

__all__ = [
    "Estimate",
    "Jump",
    "Kinetic",
    "Line",
    "Log",
    "LogFold",
    "Meter",
    "OwnCurve",
    "Piece",
    "PulseFit",
    "Quantity",
    "Remark",
    "Shape",
    "State",
    "Study",
    "Trace",
    "Weight",
    "accuracy_through",
    "capacity_factor",
    "capacity_from_resistance",
    "capacity_of_run",
    "charge_of_gravity",
    "charge_of_rest",
    "combine",
    "curve_of_points",
    "curve_of_run",
    "efficiencies_of_log",
    "exponent_of_runs",
    "exponent_of_two",
    "fit_kinetic",
    "fit_pulse",
    "leakage_of_ah",
    "leakage_of_volts",
    "meter",
    "meters",
    "rated_by_fit",
    "resistance_at",
    "resistance_of_loads",
    "resistance_of_log",
    "resistance_of_steps",
    "settled_v",
    "state_of",
    "study",
    "time_rated_h",
    "time_textbook_h",
    "to_rated",
    "trace_of",
    "trace_through",
]
