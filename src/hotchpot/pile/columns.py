"""The table of the pile file's columns: names, units, ranges and spellings, for reading, writing and the docs."""

from __future__ import annotations

from hotchpot.pile.table import Column, Kind, Table

MAX_UNITS = 15_000
NAMEPLATE_MARGIN = 1.5  # a capacity or a rest voltage beyond this many times its label asks for a second look

COLUMNS: tuple[Column, ...] = (
    Column(
        name="id", kind=Kind.ID, needed=True, synonyms=("unit", "unit id", "name", "label", "number", "no"),
        help="what is written on the unit; unique, any printable characters",
    ),
    Column(
        name="chemistry", kind=Kind.CHEMISTRY, needed=True, synonyms=("chem", "type"),
        help="key of the chemistry table, such as lead_agm or lfp",
    ),
    Column(
        name="cells", kind=Kind.WHOLE, low=1, high=1000, synonyms=("cells in series", "series cells", "cell count"),
        help="cells in series inside the unit; this or nominal_v is needed",
    ),
    Column(
        name="nominal_v", kind=Kind.NUMBER, unit="V", low=1, high=5000,
        synonyms=("nominal voltage", "nominal", "label voltage"),
        help="label voltage, from which the cells follow; this or cells is needed",
    ),
    Column(
        name="rated_ah", kind=Kind.NUMBER, unit="Ah", low=0.01, high=20_000, needed=True,
        synonyms=("rated", "rated capacity", "nominal capacity", "label capacity", "nameplate capacity"),
        help="label capacity at rated_hours",
    ),
    Column(
        name="rated_hours", kind=Kind.NUMBER, unit="h", low=0.05, high=240, synonyms=("hour rate", "rated time"),
        help="hours in which the label capacity is drawn; by chemistry when empty (20 for lead)",
    ),
    Column(
        name="capacity_ah", kind=Kind.NUMBER, unit="Ah", low=0.001, high=30_000,
        synonyms=("capacity", "measured capacity"),
        help="measured at 25 °C and the rated rate",
    ),
    Column(
        name="capacity_frac", kind=Kind.NUMBER, unit="1", low=0.001, high=NAMEPLATE_MARGIN,
        synonyms=("capacity", "measured capacity", "capacity fraction", "state of health", "soh"),
        help="measured over rated capacity, instead of capacity_ah",
    ),
    Column(
        name="resistance_mohm", kind=Kind.NUMBER, unit="mΩ", low=0.001, high=100_000,
        synonyms=("r", "resistance", "internal resistance", "dc resistance", "r 10 s"),
        help="measured 10 s DC resistance of the unit (a 1 kHz reading is another thing: often about half)",
    ),
    Column(
        name="rest_v", kind=Kind.NUMBER, unit="V", low=-5000, high=5000,
        synonyms=("rest voltage", "resting voltage", "open circuit voltage", "ocv"),
        help="terminal voltage at rest; negative on a reversed unit",
    ),
    Column(
        name="rest_hours", kind=Kind.NUMBER, unit="h", low=0, high=100_000, synonyms=("rest time", "rested"),
        help="hours at rest before rest_v was read; empty when unknown",
    ),
    Column(
        name="soc_frac", kind=Kind.NUMBER, unit="1", low=0, high=1, synonyms=("soc", "state of charge"),
        help="state of charge, if known otherwise",
    ),
    Column(
        name="temperature_c", kind=Kind.NUMBER, unit="°C", low=-60, high=120, synonyms=("temperature", "temp"),
        help="of the unit when it was read",
    ),
    Column(
        name="made", kind=Kind.DATE, synonyms=("year", "year made", "date made", "manufactured"),
        help="year or date: 2019, 2019-03, 2019-03-25",
    ),
    Column(
        name="self_discharge_frac_month", kind=Kind.NUMBER, unit="1/month", low=0, high=1,
        synonyms=("self discharge", "self discharge frac", "leakage"),
        help="measured loss at rest, as a fraction of capacity each month",
    ),
    Column(
        name="gravity", kind=Kind.GRAVITY, low=1.0, high=1.4, synonyms=("specific gravity", "sg", "hydrometer"),
        help="hydrometer readings, one for each cell, with ; between",
    ),
    Column(
        name="flags", kind=Kind.FLAGS, synonyms=("flag", "damage"),
        help="what was seen, with ; between: swollen, leaking, immersed, burnt, crashed, hot, dented, unknown_history",
    ),
    Column(
        name="rest_rise_k", kind=Kind.NUMBER, unit="K", low=-50, high=100, synonyms=("rest rise", "temperature rise"),
        help="how much warmer than its surroundings the unit is at rest",
    ),
    Column(
        name="bms", kind=Kind.YESNO, synonyms=("has bms", "protection electronics"),
        help="has its own protection electronics: yes or no",
    ),
    Column(
        name="bms_max_a", kind=Kind.NUMBER, unit="A", low=0.001, high=100_000, synonyms=("bms current",),
        help="largest current its protection electronics let through",
    ),
    Column(
        name="bms_max_v", kind=Kind.NUMBER, unit="V", low=0.5, high=5000, synonyms=("bms voltage",),
        help="highest string voltage its protection electronics can open against",
    ),
    Column(
        name="max_in_series", kind=Kind.WHOLE, low=1, high=1000, synonyms=("max series",),
        help="how many its maker allows in series",
    ),
    Column(
        name="max_in_parallel", kind=Kind.WHOLE, low=1, high=1000, synonyms=("max parallel",),
        help="how many its maker allows in parallel",
    ),
    Column(
        name="max_charge_a", kind=Kind.NUMBER, unit="A", low=0.001, high=100_000, synonyms=("max charge current",),
        help="its maker's limit on charge",
    ),
    Column(
        name="max_discharge_a", kind=Kind.NUMBER, unit="A", low=0.001, high=100_000,
        synonyms=("max discharge current",),
        help="its maker's limit on discharge",
    ),
    Column(name="note", kind=Kind.TEXT, synonyms=("notes", "remark", "remarks", "comment"), help="anything else"),
)  # fmt: skip
PILE = Table(
    COLUMNS,
    row="unit",
    most=MAX_UNITS,
    split="split the pile into files of one bank's candidates each",
    enough=(len(COLUMNS) + 2) * MAX_UNITS,
)
BY_NAME = PILE.by_name


def columns_markdown() -> str:
    """Return the table of the columns for the documentation."""
    return PILE.markdown()
