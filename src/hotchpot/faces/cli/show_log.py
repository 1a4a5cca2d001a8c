"""A logger's file in the terminal: what was taken for what, what happened when, and what it says of the unit."""

from __future__ import annotations

import math

from hotchpot.desk import LogCard
from hotchpot.faces.cli.looks import console, heading, number, plain, say, table
from hotchpot.faces.cli.show_bench import remarks, show_estimate

MOST_PIECES = 40
LEAST_AH = 1e-3
WAYS = {1: "positive current is discharge", -1: "positive current is charge; turned, so that discharge is positive"}


def show(card: LogCard) -> None:
    """Print a log: columns, sign, pieces, estimates and remarks."""
    taken(card)
    _pieces(card)
    if card.study is not None and card.unit is not None:
        heading(f"What it says of {card.unit.id}")
        for estimate in card.study.estimates:
            show_estimate(estimate)
    remarks(card.remarks)
    for caution in card.cautions:
        say(caution)


def taken(card: LogCard) -> None:
    """Print what was taken for what, and why: what a person is asked to confirm."""
    report, log = card.report, card.log
    heading(f"{report.name}: {report.rows:,} rows, {plain(log.span_s / 3600.0)} h".replace(",", " "))
    rows = table("is taken for", "column, and why")
    for role, shown in log.columns.items():
        rows.add_row(role, shown)
    console().print(rows)
    say(f"Sign: {WAYS[report.sign]} ({report.evidence}).", indent=2)
    if report.columns.ambiguous:
        for doubt in report.columns.ambiguous:
            say(f"Could be read another way: {doubt}", indent=2)
    if len(report.logs) > 1:
        first = next(iter(report.logs))
        say(
            f"Batteries in the file: {', '.join(report.logs)}; below is {first}. Choose one with --unit, or, where the "
            f"pile has another name for it, with --unit ID --columns 'only={first}'.",
            indent=2,
        )
    say("Wrong? Say what is what: --columns 'time=…, volts=…, amps=-…' (a minus turns the sign).", indent=2)


def _pieces(card: LogCard) -> None:
    log = card.log
    heading("What happened in it")
    rows = table("from", "what", "for", "out", "in", "volts")
    shown = log.pieces[:MOST_PIECES]
    for piece in shown:
        known = [float(v) for v in piece.trace.volts if math.isfinite(v)]
        rows.add_row(
            f"{(piece.start_s - log.pieces[0].start_s) / 3600.0:.2f} h",
            str(piece.flow),
            f"{(piece.end_s - piece.start_s) / 3600.0:.2f} h",
            _ah(piece.out_ah),
            _ah(piece.in_ah),
            f"{known[0]:.2f} → {known[-1]:.2f}" if known else "",
        )
    console().print(rows)
    if len(log.pieces) > len(shown):
        say(f"... and {len(log.pieces) - len(shown)} more pieces (all of them with --json)", indent=2)
    say(
        f"In all {number(log.out_ah, 'Ah')} and {number(log.out_wh, 'Wh')} out, "
        f"{number(log.in_ah, 'Ah')} and {number(log.in_wh, 'Wh')} in.",
        indent=2,
    )


def _ah(value: float) -> str:
    return number(value, "Ah") if value >= LEAST_AH else ""
