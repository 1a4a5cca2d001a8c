"""
What to charge before anything is joined: which units, alone, to what voltage, at what current, for how long.

A unit is charged when a parallel node above it would not join finely, or a series string above it has members at unlike
or unknown charge. First those that are not full; if the node would still not join finely, all of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

from hotchpot.bank.bank import Bank, Node
from hotchpot.bank.rules.registry import RULES, Case
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.bench.state import STATED_SOC_SD, State, meter_sd_v
from hotchpot.build.closing import Assembly, Closing, assemble
from hotchpot.build.resistor import joining_resistor
from hotchpot.build.step import Resistor
from hotchpot.measure import Basis, Measure

TIMED_C = 0.1
FULL_FRAC, FULL_DOUBT_FRAC = 0.95, 0.05
# Hours at the absorb voltage while the current tapers; common practice, no source.
TAIL_H = {"lead": 3.0, "lithium": 0.5, "nickel": 1.0}


@dataclass(frozen=True, slots=True)
class Charge:
    """
    One unit's charge, alone: to `charge_v`, at `limit_a` or less, in `hours` at `amps`; done when it takes `tail_a`.

    `hours` is None where its temperature forbids charging. `full_v` is what it reads after `rest_h`, give or take
    `full_sd_v`.
    """

    state: State
    charge_v: float
    limit_a: float
    amps: float
    hours: float | None
    tail_a: float
    rest_h: float
    full_v: float
    full_sd_v: float

    @property
    def id(self) -> str:
        """The unit's id."""
        return self.state.unit.id


@dataclass(frozen=True)
class Preparation:
    """A bank before and after its charge, with what may stand in for the charge and what is needed even after it."""

    case: Case
    charges: tuple[Charge, ...]

    @cached_property
    def before(self) -> Assembly:
        """How the bank would come together as it stands."""
        return assemble(self.case)

    @cached_property
    def charged(self) -> Case:
        """The case with its charged units full and rested."""
        return charged_case(self.case, [charge.id for charge in self.charges])

    @cached_property
    def after(self) -> Assembly:
        """How the bank comes together after the charge."""
        return assemble(self.charged)

    @cached_property
    def instead(self) -> tuple[tuple[Closing, Resistor], ...]:
        """Closings that a resistor may make fine without charging, where no string asks for the charge anyway."""
        # Two units side by side and nothing else: in a string the resistor would leave members at unlike charge, and
        # among three branches or strings not built yet there is no fuse holder for it to bridge. Nor before a rest.
        unrested = any(isinstance(f, Finding) for f in RULES["join-rest"].run(self.case))
        pair = [c for c in self.before.closings if len(c.node.children) == 2 and not c.branch.children]
        alone = self.case.bank is not None and len(self.case.bank.units) == 2 and not unrested
        return _through(pair) if alone and self.charges else ()

    @cached_property
    def still(self) -> dict[int, Resistor]:
        """Closings that need a resistor even after the charge, by identity."""
        return {id(closing): resistor for closing, resistor in _through(self.after.closings)}


def _through(closings: Iterable[Closing]) -> tuple[tuple[Closing, Resistor], ...]:
    pairs = ((closing, joining_resistor(closing)) for closing in closings if not closing.fine)
    return tuple((closing, resistor) for closing, resistor in pairs if resistor is not None)


def prepare(case: Case) -> Preparation:
    """Return what to charge before joining a bank, and the bank as it stands then."""
    assert case.bank is not None
    chosen: dict[str, State] = {}
    for node in [*unlevel_strings(case), *rough_nodes(case)]:
        chosen.update({s.unit.id: s for s in node.states if not is_full(s)})
    again = [node for node in rough_nodes(charged_case(case, chosen)) if set(node.ids) & set(chosen)]
    rough = {node.ids for node in [*again, *(n for n in rough_nodes(case) if not set(n.ids) & set(chosen))]}
    for node in case.bank.parallels:
        if node.ids in rough:
            chosen.update({s.unit.id: s for s in node.states})
    ceilings = _ceilings(case)
    charges = tuple(_charge(case, s, ceilings.get(s.unit.id)) for s in case.bank.units if s.unit.id in chosen)
    return Preparation(case, charges)


def unlevel_strings(case: Case) -> list[Node]:
    """Return the series strings whose members stand at unlike or unknown charge, by the judge's own rule."""
    found = []
    for node in case.strings:
        assert case.bank is not None
        unknown = any(state.soc_frac is None for state in node.states)
        alone = Case(case.plan, node.states, Bank(node.block, case.bank.states, case.bank.link_ohm))
        if unknown or any(True for _ in RULES["series-charge"].run(alone)):
            found.append(node)
    return found


def rough_nodes(case: Case) -> list[Node]:
    """Return the parallel nodes that would not join finely: the judge's rule, and every closing in its turn."""
    verdicts = {f.subject: f.verdict for f in RULES["join-surge"].run(case) if isinstance(f, Finding)}
    together = assemble(case)
    rough = {id(closing.node) for closing in together.closings if not closing.fine}
    return [n for n in case.parallels if verdicts.get(n.ids) is not Verdict.FINE or id(n) in rough]


def is_full(state: State) -> bool:
    """Tell whether a unit is known to be full."""
    soc = state.soc_frac
    return soc is not None and soc.value >= FULL_FRAC and soc.sd <= FULL_DOUBT_FRAC


def charged_case(case: Case, ids: Iterable[str]) -> Case:
    """Return the case with the units `ids` full, rested and read again."""
    assert case.bank is not None
    wanted, ceilings = set(ids), _ceilings(case)
    states = {
        name: _full(state, ceilings.get(name)) if name in wanted else state for name, state in case.bank.states.items()
    }
    bank = Bank(case.bank.arrangement, states, case.bank.link_ohm)
    return Case(case.plan, bank.units, bank)


def rested_cell_v(state: State, ceiling_v: float | None) -> float:
    """Return what a cell rests at after its charge: the full end of its curve, or the charge voltage if lower. [V]"""
    return min(state.ocv_curve.volts(1.0), absorb_cell_v(state, ceiling_v))


def _full(state: State, ceiling_v: float | None) -> State:
    # The curve's own doubt is common to units of one chemistry, and each is read again: the meter's doubt is left.
    cell_v = rested_cell_v(state, ceiling_v)
    full_v, soc = state.unit.cells * cell_v, state.ocv_curve.soc_at(cell_v)
    return replace(
        state,
        unit=replace(state.unit, rest_v=None, soc_frac=soc, rest_hours=state.chem.num("rest_h_good")),
        soc_frac=Measure(soc, STATED_SOC_SD, Basis.STATED),
        ocv_v=Measure(full_v, meter_sd_v(full_v), Basis.STATED),
    )


def absorb_cell_v(state: State, ceiling_v: float | None) -> float:
    """Return the top of a cell's absorb band at the unit's temperature, never above `ceiling_v` at 25 °C. [V]"""
    chem = state.chem
    band = chem.band("absorb_v")
    top = band[1] if band else chem.num("charge_max_v")
    top = top if ceiling_v is None else min(top, ceiling_v)
    return top + chem.num("temp_comp") * 1e-3 * (state.temperature_c - 25.0)


def _ceilings(case: Case) -> dict[str, float]:
    """The lowest charge limit per cell among plate types that share terminals, for each lead unit that shares them."""
    ceilings: dict[str, float] = {}
    for node in case.parallels:
        lead = [state for state in node.states if state.chem.kind == "lead"]
        if len({state.chem.key for state in lead}) < 2:
            continue
        lowest = min(state.chem.num("charge_max_v") for state in lead)
        for state in lead:
            ceilings[state.unit.id] = min(lowest, ceilings.get(state.unit.id, lowest))
    return ceilings


def _charge(case: Case, state: State, ceiling_v: float | None) -> Charge:
    chem, cells = state.chem, state.unit.cells
    limit = state.charge_limit_at(state.temperature_c)
    if chem.key == "nimh":
        limit = min(limit, TIMED_C * state.capacity_ah.value)  # slow enough to end by time
    amps = min(limit, case.plan.charger.amps or limit)
    missing = (1.0 - (0.0 if state.soc_frac is None else state.soc_frac.value)) * state.capacity_ah.value
    hours = None if amps <= 0.0 else missing / (amps * chem.num("coulombic_eff")) + TAIL_H[chem.kind]
    rested_v = rested_cell_v(state, ceiling_v)
    full_v, curve_sd_v = cells * rested_v, state.ocv_sd_at(state.ocv_curve.soc_at(rested_v))
    return Charge(
        state=state,
        charge_v=cells * absorb_cell_v(state, ceiling_v),
        limit_a=limit,
        amps=amps,
        hours=hours,
        tail_a=chem.num("tail_c") * state.capacity_ah.value,
        rest_h=chem.num("rest_h_good"),
        full_v=full_v,
        full_sd_v=(meter_sd_v(full_v) ** 2 + (cells * curve_sd_v) ** 2) ** 0.5,
    )
