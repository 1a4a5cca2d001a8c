"""The bench's report in the terminal: states with their doubt, what was said of the readings, what would settle it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.text import Text

from hotchpot.desk import BenchCard, BenchReport, Estimate, Quantity, Remark, Weight, in_hundred
from hotchpot.faces.cli.looks import MARKS, console, heading, number, plain, say, table

MOST_UNITS = 60
MOST_ALIKE = 3
MOST_READINGS = 5
WEIGHTS = {Weight.REFUSED: "✗ refused", Weight.DOUBTFUL: "! doubtful", Weight.NOTED: "· noted"}
NAMES = {
    Quantity.CAPACITY: ("capacity", "Ah", 1.0),
    Quantity.RESISTANCE: ("resistance", "mΩ", 1.0),
    Quantity.REST_V: ("rest voltage", "V", 1.0),
    Quantity.CHARGE: ("charge", "%", 100.0),
    Quantity.LEAKAGE: ("self-discharge a month", "%", 100.0),
    Quantity.EXPONENT: ("rate exponent", "", 1.0),
    Quantity.GRAVITY: ("gravity", "", 1.0),
    Quantity.CHARGE_EFFICIENCY: ("charge efficiency", "%", 100.0),
    Quantity.ENERGY_EFFICIENCY: ("energy efficiency", "%", 100.0),
}


def show(report: BenchReport, *, whole: bool = False, cautions: bool = True) -> None:
    """Print the states of the units; with `whole`, every estimate of every unit with its budget too."""
    heading("The bench")
    _units(report.units)
    if whole:
        for card in report.units:
            estimates(card)
    remarks(report.remarks)
    _settling(report)
    for caution in report.cautions if cautions else ():
        say(caution)


def _units(cards: Sequence[BenchCard]) -> None:
    leaks = any(str(card.state.self_discharge_frac_month.basis) != "assumed" for card in cards)
    rows = table("unit", "chemistry", "Ah", "mΩ", "charge", *(["a month"] if leaks else []), "grade")
    for column in rows.columns:
        column.no_wrap = True
    for card in cards[:MOST_UNITS]:
        state = card.state
        leak = state.self_discharge_frac_month
        loses = f"{plain(100 * leak.value, 2)} %" + _mark(str(leak.basis))
        rows.add_row(
            card.id,
            state.unit.chemistry,
            number(state.capacity_ah.value, sd=state.capacity_ah.sd) + _mark(str(state.capacity_ah.basis)),
            number(state.resistance_mohm.value, sd=state.resistance_mohm.sd) + _mark(str(state.resistance_mohm.basis)),
            _charge(card),
            *([loses] if leaks else []),
            card.card.grade,
        )
    console().print(rows)
    say("Ah at 25 °C and the rated rate. ± is one standard deviation. ? = assumed, never measured.", indent=2)
    if len(cards) > MOST_UNITS:
        say(f"... and {len(cards) - MOST_UNITS} more units (all of them with --json)", indent=2)
    heading("Why these grades")
    for card in cards[:MOST_UNITS]:
        say(f"{card.id}  {card.card.grade}: {card.because}", indent=2)


def _mark(basis: str) -> str:
    return " ?" if basis == "assumed" else ""


def _charge(card: BenchCard) -> str:
    """Return the charge, or the bounds where the voltage tells no number."""
    found = [] if card.study is None else [e for e in card.study.estimates if e.quantity is Quantity.CHARGE]
    newest = max(found, key=lambda e: e.when or "", default=None)
    if newest is not None and newest.refused and newest.low is not None and newest.high is not None:
        return f"{100 * newest.low:.0f} to {100 * newest.high:.0f} %"
    soc = card.state.soc_frac
    return "?" if soc is None else f"{100 * soc.value:.0f} ± {100 * soc.sd:.0f} %"


def estimates(card: BenchCard) -> None:
    """Print every reading of a unit as the bench takes it."""
    heading(f"{card.id}: each reading")
    if card.study is None:
        say("No readings of this unit; its row in the pile file speaks for it.", indent=2)
        return
    for estimate in card.study.estimates:
        show_estimate(estimate)


def show_estimate(estimate: Estimate) -> None:
    """Print one estimate: value, 95 % interval, and what its doubt is made of, largest first."""
    name, unit, scale = NAMES[estimate.quantity]
    line = Text(f"{name}: ", style="bold")
    if estimate.value is None:
        line.append("refused")
    else:
        low, high = estimate.interval()
        told = f"{plain(scale * estimate.value, 4)} {unit}".strip()
        line.append(f"{told}, 95 %: {plain(scale * low, 4)} to {plain(scale * high, 4)}", style="none")
    line.append(f"   {estimate.when}" if estimate.when else "", style="none")
    console().print(line)
    drawn = _drawn(estimate)
    if drawn:
        say(drawn, indent=2)
    lines = sorted((part for part in estimate.budget if part.sd > 0), key=lambda part: -part.sd)
    if lines:
        variance = sum(part.sd**2 for part in lines)
        shares = [f"{part.cause} {100 * part.sd**2 / variance:.0f} %" for part in lines[:4]]
        say("Doubt from: " + ", ".join(shares), indent=2)
    for remark in estimate.remarks:
        say(f"{WEIGHTS[remark.weight]}  {sentence(remark.says)}", indent=2)


def _drawn(estimate: Estimate) -> str:
    """Return what a run drew before it was brought to the rated rate and 25 °C."""
    facts = estimate.facts
    if estimate.quantity is not Quantity.CAPACITY or "drawn_ah" not in facts:
        return ""
    warm = f", {facts['temperature_c']:.0f} °C" if "temperature_c" in facts else ""
    end = f", down to {plain(facts['end_v'], 4)} V" if "end_v" in facts else ""
    what = f"{plain(facts['drawn_ah'], 5)} Ah in {plain(facts['hours'])} h at {plain(facts['mean_a'])} A"
    return f"Drawn: {what}{warm}{end}."


def sentence(text: str) -> str:
    """Return words as a sentence: a capital letter first, a full stop last."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def remarks(said: Sequence[Remark]) -> None:
    """Print what the bench said of the readings, refusals first, a few of each kind."""
    if not said:
        return
    heading("What the bench says of the readings")
    order = list(WEIGHTS)
    shown: Counter[str] = Counter()
    for remark in sorted(said, key=lambda r: order.index(r.weight)):
        shown[remark.code] += 1
        if shown[remark.code] > MOST_ALIKE:
            continue
        line = Text(WEIGHTS[remark.weight], style="bold")
        line.append(f"  {remark.code}  {remark.subject}")
        console().print(line)
        say(sentence(remark.says), indent=2)
        if remark.weight is not Weight.NOTED:
            say(f"Why: {sentence(remark.why)}", indent=2)
            say(f"Do: {sentence(remark.do)}", indent=2)
    for code, count in shown.items():
        if count > MOST_ALIKE:
            say(f"... and {count - MOST_ALIKE} more of {code} (all of them with --json)", indent=2)


def _settling(report: BenchReport) -> None:
    found = report.settling
    if found is None:
        return
    what = f"“{report.arrangement}”" if report.arrangement else "these units by themselves"
    heading("Which reading would settle most")
    say(f"Judged today, {what}: {MARKS[str(found.verdict_now)]}. {found.says}", indent=2)
    worth = [one for one in found.readings if one.bits > 0][:MOST_READINGS]
    if not worth:
        return
    rows = table("read", "of", "sure now", "sure then", "takes")
    for one in worth:
        sure, then = in_hundred(found.sure_frac), in_hundred(one.sure_after_frac)
        rows.add_row(one.procedure, one.unit, sure, then, _hours(one.hours))
    console().print(rows)
    say(f"How to: hotchpot bench guide {worth[0].procedure} --unit {worth[0].unit}", indent=2)


def _hours(hours: float) -> str:
    if hours < 1:
        return f"{60 * hours:.0f} min"
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
