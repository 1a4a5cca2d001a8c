"""A trial in the terminal: what matters in plain words, the plot, the findings, the doubt, and how it ended."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from rich.text import Text

from hotchpot import desk
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Balance
from hotchpot.desk.trying import NOT_TO_BE_BUILT
from hotchpot.faces.cli import show_judge
from hotchpot.faces.cli.looks import console, drawn, heading, mark, number, say, table
from hotchpot.trial.harms import CHARGE_ERROR, ENERGY_ERROR

if TYPE_CHECKING:
    from hotchpot.trial.doubt import Doubt

PLOT_WIDTH = 80
MORE = {"forbid": "that forbid", "only-if": "'only if'"}
KILO_WH = 9999.5  # from here on kWh read better
MINUTES_H, SECONDS_H = 1.5, 0.025  # below, minutes and seconds read better
MOST_CHANCES, MOST_DRIVERS = 12, 3
CHANCES = {
    "ended-early": "it ends before its time",
    "lasting-amps": "beyond the lasting current",
    "peak-amps": "beyond the peak current",
    "charge-amps": "beyond the charge current",
    "hot": "too hot",
    "over-voltage": "above its highest voltage",
    "below-empty": "driven below empty",
    "internal-short": "so far below empty that it shorts inside",
    "reversed": "reversed",
    "electronics": "protection opens",
    "fuse": "a fuse opens",
    "collapse": "the load can no longer be fed",
    "loads-off": "loads are cut off",
    "empty-first": "is empty first",
}
BANDS = {
    "hours": ("lasts", "h"),
    "given_ah": ("gives", "Ah"),
    "given_wh": ("gives", "Wh"),
    "first_off_h": ("the loads first go off after", "h"),
    "off_h": ("they are off for", "h"),
    "unmet_wh": ("they do without", "Wh"),
}
BANDS_OF_LOAD = ("hours", "given_ah", "given_wh")
BANDS_OF_DAY = ("first_off_h", "off_h", "unmet_wh", "given_ah", "given_wh")
OUTCOMES = {
    "hours": "how long it lasts",
    "given_wh": "the energy given",
    "unmet_wh": "the energy that loads do without",
    "most_of_lasting": "the current nearest its limit",
    "hottest_c": "the highest temperature",
}
QUANTITIES = {
    "capacity_ah": "capacity",
    "resistance_mohm": "resistance",
    "soc_frac": "charge",
    "self_discharge_frac_month": "self-discharge",
}


def show(report: desk.TrialReport) -> None:
    """Print a trial."""
    heading(report.arrangement if len(report.arrangement) < 90 else "The bank")
    drawn(report.drawing)
    console().print()
    judged(report)
    story(report)
    plot(report)
    show_judge.findings(told(report))
    energy(report)
    doubt(report)
    ended(report)
    following(report)
    for caution in report.cautions:
        say(caution)


def judged(report: desk.TrialReport) -> None:
    """Print the judge's verdict, which stands before anything that is only simulated."""
    line = Text("The judge: ")
    line.append_text(mark(str(report.judgement.verdict)))
    decisive = report.judgement.decisive
    told = decisive is not None and report.judgement.verdict is not Verdict.FINE
    if report.judgement.unasked:
        line.append(f", as far as asked: {len(report.judgement.unasked)} not judged", style="none")
    if decisive is not None and told:
        line.append(f"   decided by {decisive.code}", style="none")
    console().print(line)
    if decisive is not None and told:
        say(f"{decisive.says} {decisive.do}", indent=2)
        more = " and ".join(f"{count} more {MORE[name]}" for name, count in report.more_judged.items() if count)
        if more:
            say(f"And {more}: hotchpot judge, with the same files, tells them all.", indent=2)
    if report.judgement.verdict is Verdict.FORBID:
        say(NOT_TO_BE_BUILT, indent=2, style="bold")


def story(report: desk.TrialReport) -> None:
    """Print what was tried, and what matters of what came of it."""
    heading("On trial, on paper")
    say(report.trial.scenario.says)
    for text in report.telling.sentences:
        say(f"- {text}", indent=2)


def plot(report: desk.TrialReport) -> None:
    """Print the plot, where there are two moments to draw."""
    if report.telling.moments < 2:
        return
    from hotchpot.faces.cli.plot import plot_text

    heading("Over time")
    shown = plot_text(desk.possible_trial(report), width=min(PLOT_WIDTH, console().width), cautions=())
    for row in shown.rstrip("\n").splitlines():
        console().print(Text(row), no_wrap=True, overflow="ignore", crop=False)


def told(report: desk.TrialReport) -> tuple[Finding, ...]:
    """Return the findings as they are printed, but that of the losses, which stand in a table of their own."""
    return tuple(_readable(one) for one in report.trial.notable if one.code != "trial-losses")


def _readable(finding: Finding) -> Finding:
    """Return a finding with its figures in the unit that reads best: minutes for parts of an hour, kWh for many Wh."""
    value, limit = finding.value, finding.limit
    size, factor = abs(value or 0.0), 1.0
    unit = finding.unit
    if value is not None and unit == "h" and size < MINUTES_H:
        unit, factor = ("s", 3600.0) if size < SECONDS_H else ("min", 60.0)
    elif unit == "Wh" and size >= KILO_WH:
        unit, factor = "kWh", 1e-3
    if value is None or factor == 1.0:
        return finding
    return replace(finding, value=factor * value, limit=None if limit is None else factor * limit, unit=unit)


def energy(report: desk.TrialReport) -> None:
    """Print where the energy is that the labels promise."""
    trial = report.trial
    if not trial.shares or report.telling.moments == 0:
        return
    unit, factor = ("kWh", 1e-3) if trial.label_wh >= KILO_WH else ("Wh", 1.0)
    heading(f"Where the labels' {number(factor * trial.label_wh, unit)} are")
    rows = table("", unit, "of the labels")
    for share in trial.shares:
        rows.add_row(share.name, number(factor * share.wh), f"{100 * share.wh / trial.label_wh:.1f} %")
    console().print(rows)


def doubt(report: desk.TrialReport) -> None:
    """Print how sure it is: bands, chances, and what drives them."""
    draws = report.draws
    if draws is None:
        return
    found = draws.doubt
    heading("How sure this is")
    cut = "" if found.draws == draws.wanted else f" (of {draws.wanted}: broken off)"
    drawn_of = "of what the units may truly be, by their readings and what is assumed"
    say(f"{found.draws} draws{cut} {drawn_of}; seed {draws.seed}.")
    rows = table("", "5 %", "half", "95 %", "")
    for name in BANDS_OF_DAY if report.wish.kind == "day" else BANDS_OF_LOAD:
        band, (what, unit) = found.bands[name], BANDS[name]
        rows.add_row(what, *(_or_never(value) for value in (band.p05, band.p50, band.p95)), unit)
    console().print(rows)
    if report.wish.kind == "day":
        _cut_off(found)
    _chances(found)
    for outcome, words in OUTCOMES.items():
        told = [one for one in found.drivers if one.told and one.outcome == outcome][:MOST_DRIVERS]
        listed = ", ".join(
            f"{QUANTITIES.get(one.quantity, one.quantity)} of {one.unit} ({one.rank_correlation:+.1f})" for one in told
        )
        if told:
            say(f"- What most moves {words} (rank correlation): {listed}.", indent=2)
    if not found.enough:
        say(f"{found.draws_needed} draws would tell every chance to 5 in 100; these are fewer.", indent=2)


def _or_never(value: float) -> str:
    return number(value) if math.isfinite(value) else "never"


def _cut_off(found: Doubt) -> None:
    """Say the chance that the loads are cut off, also where it never happened."""
    chance = found.chance("loads-off")
    low, high = chance.interval()
    says = f"in {chance.happened} of {chance.draws} draws, {100 * low:.0f} to {100 * high:.0f} % (95 % sure)"
    say(f"- Chance that the loads are cut off: {100 * chance.frac:.0f} %, {says}.", indent=2)


def _chances(found: Doubt) -> None:
    likely = [one for one in found.chances if one.happened and one.code in CHANCES]
    if not likely:
        say("No limit was passed in any of them.", indent=2)
        return
    rows = table("what may happen", "unit", "chance", "95 % sure")
    for one in likely[:MOST_CHANCES]:
        low, high = one.interval()
        span = f"{100 * low:.0f} to {100 * high:.0f} %"
        rows.add_row(CHANCES[one.code], one.unit or "any", f"{100 * one.frac:.0f} %", span)
    console().print(rows)
    if len(likely) > MOST_CHANCES:
        say(f"... and {len(likely) - MOST_CHANCES} more (all of them with --json)", indent=2)


def sums(balance: Balance) -> str:
    """Say whether charge and energy add up."""
    charge, joules = balance.charge_error_frac, balance.energy_error_frac
    if charge <= CHARGE_ERROR and joules <= ENERGY_ERROR:
        return f"The sums hold: charge adds up to {_of(charge)} of what moved, energy to {_of(joules)}."
    return f"THE SUMS DO NOT HOLD: charge is off by {charge:.1e} of what moved, energy by {joules:.1e}."


def _of(error: float) -> str:
    return "less than a billionth" if error < 1e-9 else "less than a millionth" if error < 1e-6 else f"{error:.0e}"


def following(report: desk.TrialReport) -> None:
    """Print what to do next."""
    heading("Next")
    say(report.next_step)


def ended(report: desk.TrialReport) -> None:
    """Print the named reason of the end, and whether the run's sums add up."""
    heading("How it ended")
    record = report.trial.record
    unit = f" ({record.ended.unit})" if record.ended.unit else ""
    say(f"{record.ended.kind}{unit}: {report.telling.ends}.")
    if report.telling.moments > 1:
        say(sums(record.balance))
