"""Where the bank stands: air, sparks, fire load and rooms."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hotchpot.bank.rules.registry import Case, Outcome, Rule, rule
from hotchpot.bank.verdict import Gate, Verdict
from hotchpot.bench.state import State
from hotchpot.electrics.gas import opening_cm2, spark_distance_mm, ventilation_m3_per_h

BOOST_CELL_V, EQUALISE_SLACK_V = 2.40, 0.10  # to 2.50 V a cell is still a boost charge
MOST_OVER_V = 0.5  # beyond it the charge is forbidden anyway
# Largest lithium store in kWh per kind of room. 40 and 80 kWh: NFPA 855 as quoted by an installer (read second-hand);
# the living-room line is one 20 kWh appliance, from memory of the same code; never sleeping rooms.
LITHIUM_KWH = {"bedroom": 0.0, "living": 20.0, "cabinet": 40.0, "garage": 80.0, "shed": 80.0, "outside": 80.0}


@rule(
    "ventilation",
    title="Ventilation of hydrogen",
    gate=Gate.SITE,
    questions=("site", "build"),
    decides="air exchanged against what dilutes the hydrogen to a quarter of its lower limit",
    source="IEC 62485-2 / EN 50272-2: Q = 0.05 n I C / 1000, A = 28 Q (read through public copies)",
)
def ventilation(self: Rule, case: Case) -> Iterator[Outcome]:
    """Hold the room's air to what the gassing units need."""
    site = case.plan.site
    gassing = [s for s in case.units if "vent_i_boost" in s.chem.values]
    if not gassing or site.room == "outside":
        return
    if "site" not in case.plan.question and site.vent_m3_per_h is None and site.room is None:
        if case.plan.asks("site"):
            yield self.unasked("site.room and site.vent_m3_per_h", "Lead and vented nickel need air.")
        return
    needed = sum(ventilation_m3_per_h(s.unit.cells, _gas_ma_per_ah(case, s), s.unit.rated_ah) for s in gassing)
    area = opening_cm2(needed)
    ids = [s.unit.id for s in gassing]
    cite = gassing[0].chem.cite("vent_i_boost")
    if site.vent_m3_per_h is None:
        if site.room is None and site.spark_distance_m is not None:
            yield self.unasked("site.vent_m3_per_h", f"The room needs {needed:.2g} m³/h.")
            return
        yield self.finding(
            Verdict.ONLY_IF,
            ids,
            "air exchanged",
            limit=needed,
            unit="m³/h",
            says=f"These units need {needed:.2g} m³/h of air, by openings of {area:.0f} cm² in and out; the plan does not say.",
            why="Hydrogen burns from 4 % in air and gathers under the ceiling.",
            do=f"Make openings of {area:.0f} cm² low and high on opposite walls, or a fan of {needed:.2g} m³/h.",
            source=cite,
        )
        return
    enough = site.vent_m3_per_h >= needed - 1e-9
    yield self.finding(
        Verdict.FINE if enough else Verdict.FORBID,
        ids,
        "air exchanged",
        value=site.vent_m3_per_h,
        limit=needed,
        unit="m³/h",
        says=f"{site.vent_m3_per_h:.3g} m³/h of air, where {needed:.2g} m³/h are needed.",
        why="Enough to stay below a quarter of the lower limit."
        if enough
        else "Hydrogen burns from 4 % in air: one spark and the room goes.",
        do="Keep the openings clear." if enough else f"Make openings of {area:.0f} cm² in and out, or a fan.",
        source=cite,
    )


def _gas_ma_per_ah(case: Case, state: State) -> float:
    """
    Return the gassing current for ventilation. [mA/Ah]

    The standard's boost figure holds to 2.40 V a cell; above, as on equalise, gassing grows e-fold per 1/11 V, and never
    beyond what the charger gives.
    """
    charger = case.plan.charger
    boost = state.chem.num("vent_i_boost")
    if charger.stage == "float":
        return state.chem.num("vent_i_float")
    if state.chem.kind != "lead" or case.charge_v is None or case.bank is None:
        return boost
    over_v = case.charge_v / case.cells - BOOST_CELL_V
    grown = boost * math.exp(state.chem.num("gas_cu") * min(MOST_OVER_V, max(0.0, over_v - EQUALISE_SLACK_V)))
    most = math.inf if charger.amps is None else 1000.0 * charger.amps / case.bank.root.capacity_ah.value
    return max(boost, min(grown, most))


@rule(
    "spark-distance",
    title="Sparks near the vents",
    gate=Gate.SITE,
    questions=("site", "build"),
    decides="distance of the nearest spark source from the vents",
    source="IEC 62485-2: d = 28.8 ∛I ∛C mm (formula from memory)",
)
def spark(self: Rule, case: Case) -> Iterator[Outcome]:
    """Keep switches and relays out of the cloud close to the vents."""
    distance = case.plan.site.spark_distance_m
    gassing = [s for s in case.units if "vent_i_boost" in s.chem.values]
    if distance is None or not gassing:
        return
    needed = max(spark_distance_mm(_gas_ma_per_ah(case, s), s.unit.rated_ah) for s in gassing) / 1000.0
    near = distance < needed - 1e-9
    yield self.finding(
        Verdict.FORBID if near else Verdict.FINE,
        [s.unit.id for s in gassing],
        "distance to sparks",
        value=distance,
        limit=needed,
        unit="m",
        says=f"The nearest spark source is {distance:.2f} m from the vents; {needed:.2f} m are needed.",
        why="The cloud close to the vents is explosive whatever the room's air.",
        do=f"Move switches, relays, fuses and sockets {needed:.2f} m away or more." if near else "Nothing.",
    )


@rule(
    "room",
    title="Rooms and stored energy",
    gate=Gate.SITE,
    questions=("site", "build"),
    decides="kind of room and stored energy",
    source="NFPA 855 as quoted by an installer; sleeping rooms from memory; local codes decide",
)
def room(self: Rule, case: Case) -> Iterator[Outcome]:
    """Keep lithium and gassing units out of rooms where people sleep, and lithium within the code's energy."""
    kind = case.plan.site.room
    if kind is None:
        if "site" in case.plan.question:
            yield self.unasked("site.room", "Where the bank stands is not stated.")
        return
    lithium = [s for s in case.units if s.chem.kind == "lithium"]
    others = [s for s in case.units if s.chem.kind != "lithium"]
    if lithium:
        yield _lithium_room(self, kind, lithium)
    if others and kind in ("bedroom", "living"):
        vented = any(not s.chem.sealed for s in others)
        verdict = Verdict.FORBID if vented or kind == "bedroom" else Verdict.CAUTION
        yield self.finding(
            verdict,
            [s.unit.id for s in others],
            "room",
            says=f"Batteries that gas in a {kind} room." if kind == "living" else "Batteries that gas in a bedroom.",
            why="Hydrogen, acid mist and, when a cell fails, poisonous hydrogen sulphide, where people sleep or sit.",
            do="Move them to a ventilated shed, garage or cabinet with its own air to the outside.",
        )


def _lithium_room(self: Rule, kind: str, lithium: list[State]) -> Outcome:
    kwh = sum(s.unit.rated_ah * s.unit.cells * s.chem.num("nominal_v") for s in lithium) / 1000.0
    limit = LITHIUM_KWH[kind]
    verdict = Verdict.FORBID if kwh > limit else Verdict.CAUTION if kind == "living" else Verdict.FINE
    sleeping = kind == "bedroom"
    return self.finding(
        verdict,
        [s.unit.id for s in lithium],
        "stored energy in the room",
        value=kwh,
        limit=limit,
        unit="kWh",
        says=f"{kwh:.3g} kWh of lithium in a "
        + ("room where people sleep." if sleeping else f"{kind}, limit {limit:.0f} kWh."),
        why="Vent gas is poisonous and explosive, and the fire cannot be put out with what a house has."
        if verdict is not Verdict.FINE
        else "Within the quoted limit; your local code may ask for less, and may bar second-life cells.",
        do="Move it outside, to a garage or a cabinet of its own, with a smoke alarm; ask your local authority and insurer."
        if verdict is not Verdict.FINE
        else "Fit a smoke alarm, keep it off escape routes, and ask your local authority and insurer.",
    )
