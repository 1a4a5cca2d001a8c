"""
Running a bank: the compiled march, and between its stretches what fuses, electronics, chargers and cut-offs do.

>>> from hotchpot.bank.notation import parse
>>> from hotchpot.circuit.model import UnitModel, own_curve
>>> curve = own_curve([0, 1], [3.0, 4.2])
>>> units = [UnitModel(id=name, capacity_ah=ah, curve=curve, ohm=ohm)
...          for name, ah, ohm in (("A1", 100, 0.010), ("A2", 100, 0.015))]
>>> bank = Circuit(parse("A1 // A2", known=["A1", "A2"]), units)
>>> record = bank.run(drive_of([Stretch(seconds=3600, load_a=30)]), step_s=10)
>>> [round(float(amps), 2) for amps in record.unit_amps[0]], round(float(record.unit_amps[-1, 0]), 2)
([18.0, 12.0], 16.15)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from hotchpot.bank.arrangement import Block
from hotchpot.circuit import incidents
from hotchpot.circuit import layout as at
from hotchpot.circuit.arrays import units_of
from hotchpot.circuit.drive import ChargePlan, Drive, Stop, Stretch, drive_of, profile
from hotchpot.circuit.going import Going, begin
from hotchpot.circuit.guards import Electronics, Fuse
from hotchpot.circuit.model import UnitModel
from hotchpot.circuit.net import Leads, net_of
from hotchpot.circuit.record import Event, Peaks, Record, balance_of
from hotchpot.errors import InputError

__all__ = [
    "ChargePlan", "Circuit", "Drive", "Electronics", "Fuse", "Leads", "Record", "Stop", "Stretch", "drive_of",
    "profile",
]  # fmt: skip

MOST_EVENTS = 20_000
RECORDS = 2000
_STEPS = ((7200.0, 1.0), (86_400.0, 10.0))  # up to so long a run, steps of so many seconds; beyond, a minute
_LONG_STEP_S = 60.0


class Circuit:
    """
    A wired bank, ready to be run any number of times.

    Parameters
    ----------
    block : Block
        The arrangement.
    models : sequence of UnitModel
        One for each unit of it, in any order.
    leads : Leads
        Its links.
    fuses : sequence of Fuse
    electronics : Mapping[str, Electronics]
        By unit.
    warming : bool
        Whether the units warm up; off, they stay as warm as they begin.

    Raises
    ------
    InputError
        If a unit has no model, or a fuse names no branch.
    """

    def __init__(
        self,
        block: Block,
        models: Sequence[UnitModel],
        leads: Leads | None = None,
        *,
        fuses: Sequence[Fuse] = (),
        electronics: Mapping[str, Electronics] | None = None,
        warming: bool = True,
    ) -> None:
        self.leads = leads or Leads()
        self.net = net_of(block, self.leads)
        by_id = {model.id: model for model in models}
        missing = [name for name in self.net.ids if name not in by_id]
        if missing:
            raise InputError.one("models", f"there is none for {', '.join(missing[:6])}", "give one for every unit")
        self.models = [by_id[name] for name in self.net.ids]
        self.units = units_of(self.models, warming=warming)
        self.fuses = tuple(fuses)
        self.electronics = dict(electronics or {})
        self._fuse_nodes = [self._node_of(fuse) for fuse in self.fuses]

    def _node_of(self, fuse: Fuse) -> int:
        if not fuse.below:
            return self.net.root
        places = {name: k for k, name in enumerate(self.net.ids)}
        wanted = sorted(places.get(name, -1) for name in fuse.below)
        for node, below in enumerate(self.net.below):
            if sorted(below) == wanted:
                return node
        raise InputError.one("fuse", f"no branch is made of {', '.join(fuse.below)}", "name all units of one branch")

    def run(
        self,
        drive: Drive,
        *,
        stop: Stop | None = None,
        step_s: float | None = None,
        record_s: float | None = None,
        ambient_c: float = 25.0,
        fine: bool = False,
        fall: float = 0.01,
        progress: Callable[[float], None] | None = None,
    ) -> Record:
        """
        Run the bank from its first state.

        Parameters
        ----------
        drive : Drive
        stop : Stop
            When to end before the drive does.
        step_s : float, optional
            The longest step; by the length of the run when None. Steps are shorter where charge moves fast. [s]
        record_s : float, optional
            Time between records; 0 records every step; about 2,000 of them when None. [s]
        ambient_c : float
            Of the surroundings. [°C]
        fine : bool
            Begin with very short steps, for a joining.
        fall : float
            The most charge that a step may move in any unit, as a fraction.
        progress : callable, optional
            Called with the fraction done, at each chunk of records and each event.

        Raises
        ------
        InputError
            If a step or time is not above nought.
        """
        step_s, record_s = _cadence(drive.seconds, step_s, record_s)
        going = begin(
            self.units,
            self.net,
            drive,
            stop or Stop(),
            fuses=self.fuses,
            fuse_nodes=self._fuse_nodes,
            electronics=self.electronics,
            how=(ambient_c, step_s, fall, record_s),
        )
        if fine:
            going.clock[at.C_LEVEL] = incidents.FINE_LEVEL
        if drive.charge is not None:
            incidents.enter(going, "absorb")
        ended: Event | None = None
        while ended is None:
            ended = _next(going)
            if progress is not None:
                progress(min(1.0, going.now_s / drive.seconds))
        return self._record(going, ended)

    def _record(self, going: Going, ended: Event) -> Record:
        import numpy as np

        times, both, each = going.recorded()
        state, sums = going.state, going.sums[going.side]
        balance, ledger = balance_of(self.units, self.net, state, sums)
        return Record(
            ids=self.net.ids,
            time_s=times,
            volts=both[0],
            amps=both[1],
            unit_amps=each[0],
            unit_volts=each[1],
            soc_frac=each[2],
            temperature_c=each[3] if len(each) > at.RECORD_COLD else np.broadcast_to(state[at.TEMP], each[0].shape),
            ended=ended,
            events=tuple(going.events),
            balance=balance,
            ledger=ledger,
            out_ah=state[at.OUT_C] / 3600.0,
            in_ah=state[at.IN_C] / 3600.0,
            gas_ah=state[at.GAS_C] / 3600.0,
            under_ah=state[at.UNDER_C] / 3600.0,
            bank_out_ah=float(sums[at.S_CHARGE] + sums[at.S_IN_CHARGE]) / 3600.0,
            bank_in_ah=float(sums[at.S_IN_CHARGE]) / 3600.0,
            bank_out_wh=float(sums[at.S_ENERGY] + sums[at.S_IN_ENERGY]) / 3600.0,
            bank_in_wh=float(sums[at.S_IN_ENERGY]) / 3600.0,
            peaks=Peaks(*going.extremes),
            unmet_wh=(going.unmet_ws + incidents.unmet_ws(going)) / 3600.0,
            marks={model.id: dict(model.marks) for model in self.models},
        )


def _next(going: Going) -> Event | None:
    """March on, and deal with what stopped the march; return the end of the run, or None where it goes on."""
    code = going.march()
    if not math.isfinite(going.bank[1]):
        return going.tell("diverged")
    if code == at.TIME_OVER:
        return incidents.time_over(going)
    if code == at.COLLAPSED:
        return incidents.collapsed(going)
    if code == at.EVENT:
        ended = incidents.happened(going)
        return going.tell("too-many-events") if ended is None and len(going.events) > MOST_EVENTS else ended
    return None


def _cadence(seconds: float, step_s: float | None, record_s: float | None) -> tuple[float, float]:
    if step_s is None:
        step_s = next((step for most, step in _STEPS if seconds <= most), _LONG_STEP_S)
    if not (math.isfinite(step_s) and step_s > 0.0):
        raise InputError.one("step_s", f"it is {step_s:g}", "give a time above nought, in seconds")
    if record_s is None:
        record_s = step_s * math.ceil(max(1.0, seconds / step_s / RECORDS))
    if not (math.isfinite(record_s) and record_s >= 0.0):
        raise InputError.one("record_s", f"it is {record_s:g}", "give nought or more, in seconds")
    return step_s, record_s
