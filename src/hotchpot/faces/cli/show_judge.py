"""A judge's report in the terminal."""

from __future__ import annotations

from collections import Counter

from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.desk import JudgeReport
from hotchpot.faces.cli.looks import console, drawn, heading, mark, number, say, table

MOST_UNITS = 40
MOST_ALIKE = 3


def show(report: JudgeReport) -> None:
    """Print verdict, drawing, ratings, findings and what was not judged."""
    heading(report.arrangement if report.arrangement and len(report.arrangement) < 90 else "The judge")
    if report.drawing:
        drawn(report.drawing)
        console().print()
    units(report)
    if report.ratings is not None:
        ratings(report)
    findings(report.judgement.findings)
    if report.judgement.unasked:
        heading("Not judged, as nothing was said of it")
        for unasked in report.judgement.unasked:
            say(f"{unasked.code}: {unasked.says} Needs: {unasked.needs}.", indent=2)
    verdict(report)


def verdict(report: JudgeReport) -> None:
    """Print the verdict and what decides it."""
    heading("Verdict")
    line = mark(str(report.judgement.verdict))
    if report.judgement.unasked:
        line.append(f", as far as asked: {len(report.judgement.unasked)} not judged", style="none")
    decisive = report.judgement.decisive
    if decisive is not None and report.judgement.verdict is not Verdict.FINE:
        line.append(f"   decided by {decisive.code}", style="none")
    console().print(line)
    if decisive is not None and report.judgement.verdict is not Verdict.FINE:
        say(f"{decisive.says} {decisive.do}", indent=2)
    for caution in report.cautions:
        say(caution)


def units(report: JudgeReport) -> None:
    """Print the units as the bench sees them."""
    rows = table("unit", "chemistry", "cells", "Ah", "of rated", "mΩ", "charge", "grade")
    for card in report.units[:MOST_UNITS]:
        state = card.state
        assumed = "" if str(state.basis) == "measured" else " ?"
        rows.add_row(
            card.id,
            state.unit.chemistry,
            str(state.unit.cells),
            number(state.capacity_ah.value, sd=state.capacity_ah.sd) + assumed,
            f"{100 * state.health_frac:.0f} %",
            number(state.resistance_mohm.value) + ("" if state.unit.resistance_mohm else " ?"),
            "?" if state.soc_frac is None else f"{100 * state.soc_frac.value:.0f} %",
            card.grade,
        )
    console().print(rows)
    say("Grade: A to C by capacity and resistance, reject, or untested. ? = assumed, never measured.", indent=2)
    if len(report.units) > MOST_UNITS:
        say(f"... and {len(report.units) - MOST_UNITS} more units (all of them with --json)", indent=2)


def ratings(report: JudgeReport) -> None:
    """Print the ratings and the units that set them."""
    rated = report.ratings
    assert rated is not None
    heading("Ratings, at 25 °C and the rated rate")
    rows = table("", "", "set by")
    lines = [
        ("nominal", number(rated.nominal_v, "V") + f", {rated.cells} cells", ()),
        ("capacity", number(rated.capacity_ah.value, "Ah", rated.capacity_ah.sd), rated.limits["capacity_ah"]),
        ("energy", number(rated.energy_wh.value, "Wh", rated.energy_wh.sd), ()),
        ("resistance", number(rated.resistance_mohm.value, "mΩ", rated.resistance_mohm.sd), ()),
        ("charge to", number(rated.charge_v_max, "V at most"), rated.limits["charge_v_max"]),
        ("charge at", number(rated.charge_a_max, "A at most"), rated.limits["charge_a_max"]),
        ("discharge to", number(rated.discharge_v_min, "V at least"), rated.limits["discharge_v_min"]),
        ("discharge at", number(rated.discharge_a_max, "A at most"), rated.limits["discharge_a_max"]),
    ]
    for name, value, ids in lines:
        setters = "" if len(ids) == len(report.units) else ", ".join(ids[:6]) + (" ..." if len(ids) > 6 else "")
        rows.add_row(name, value, setters)
    console().print(rows)


def findings(found: tuple[Finding, ...]) -> None:
    """Print the findings, worst first."""
    if not found:
        return
    heading("Findings")
    shown: Counter[tuple[str, str]] = Counter()
    for finding in found:
        kind = (finding.code, str(finding.verdict))
        shown[kind] += 1
        if shown[kind] > MOST_ALIKE:
            continue
        line = mark(str(finding.verdict))
        line.append(f"  {finding.code}", style="bold")
        if finding.value is not None:
            against = f", against {number(finding.limit, finding.unit)}" if finding.limit else ""
            line.append(
                f"  {finding.quantity} {number(finding.value, finding.unit, finding.sd)}{against}", style="none"
            )
        console().print(line)
        say(finding.says, indent=2)
        if finding.verdict is not Verdict.FINE:
            say(f"Why: {finding.why}", indent=2)
            say(f"Do: {finding.do}", indent=2)
        more = _alike(found, kind) - MOST_ALIKE
        if shown[kind] == MOST_ALIKE and more > 0:
            say(f"... and {more} more of {finding.code} (all of them with --json)", indent=2)


def _alike(found: tuple[Finding, ...], kind: tuple[str, str]) -> int:
    return sum((finding.code, str(finding.verdict)) == kind for finding in found)
