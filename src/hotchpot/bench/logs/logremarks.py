"""What a logger's file asks to be said of it: gaps, clock jumps, duplicates, missing values."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hotchpot.bench.logs.logclean import Cleaner, Gap
from hotchpot.bench.logs.loglines import LineBook
from hotchpot.bench.logs.logrestart import Restart
from hotchpot.bench.remark import Remark, Weight

_SOURCE = "common practice, no source"
_GAPS_SHOWN = 5
# By the cleaner's count: code, what it says after the number, why, what to do.
_COUNTS = {
    "exact": (
        "log-duplicates",
        "rows stand twice and were counted once",
        "time, volts and amps are those of the row before",
        "nothing, unless there are many",
    ),
    "same_time": (
        "log-same-time",
        "rows have the time of the next but other values; the last of each time was taken",
        "the time column is coarser than the sampling",
        "log with fractions of a second if the steps matter",
    ),
    "no_time": (
        "log-no-time",
        "rows have values but no time and were left out",
        "a sample without a time cannot be counted",
        "look at them in the file",
    ),
    "no_amps": (
        "log-no-amps",
        "rows have volts but no amps and were left out",
        "charge cannot be counted without current",
        "look at them in the file",
    ),
    "no_volts": (
        "log-no-volts",
        "rows have amps but no volts: their charge counts, their energy with the volts before",
        "a missing voltage moves the energy little",
        "look at them in the file if there are many",
    ),
    "empty": (
        "log-other-rows",
        "rows have neither volts nor amps",
        "many loggers write each sensor in rows of its own",
        "nothing",
    ),
}


def log_remarks(
    name: str,
    cleaner: Cleaner,
    lines: LineBook,
    *,
    restarts: Sequence[Restart] = (),
    stale: int,
    absorbed_s: float,
) -> tuple[Remark, ...]:
    """Return what is to be said of a log as read, gaps first."""
    found = [
        *_gap_remarks(name, cleaner, lines),
        *(_restart_remark(name, one, lines) for one in restarts),
        *_clock_remarks(name, cleaner, lines, {one.row for one in restarts}),
        *_count_remarks(name, cleaner),
    ]
    if stale:
        found.append(
            _noted(
                name, "log-stale-volts", f"{stale} samples at steps of the current show one stale voltage",
                "they were taken while the voltage moved, so it belongs to neither side of the step",
                "nothing; their current counts, their volts are not used", value=stale,
            )
        )  # fmt: skip
    if absorbed_s:
        found.append(
            _noted(
                name, "log-many-pieces", f"the current changes so often that stretches up to {absorbed_s:g} s were put "
                "to their neighbours", "more than two thousand pieces say no more than two thousand",
                "nothing; charge and energy are counted in full", value=absorbed_s, unit="s",
            )
        )  # fmt: skip
    return tuple(found)


def _noted(name: str, code: str, says: str, why: str, do: str, *, value: float | None = None, unit: str = "") -> Remark:
    return Remark(
        code=code, weight=Weight.NOTED, subject=name, says=says, why=why, do=do, source=_SOURCE, value=value, unit=unit
    )


def _gap_remarks(name: str, cleaner: Cleaner, lines: LineBook) -> list[Remark]:
    longest = sorted(cleaner.gaps, key=lambda gap: gap.hidden_ah, reverse=True)
    shown = sorted(longest[:_GAPS_SHOWN], key=lambda gap: gap.row)
    remarks = [_gap_remark(name, gap, cleaner.gap_s, lines) for gap in shown]
    if cleaner.gaps_seen > len(shown):
        rest = sum(gap.hidden_ah for gap in longest[_GAPS_SHOWN:])
        more = cleaner.gaps_seen - len(shown)
        remarks.append(
            Remark(
                code="log-more-gaps",
                weight=Weight.DOUBTFUL,
                subject=name,
                says=f"{more} more gaps while current flowed, which could hide {rest:.3g} Ah together",
                why="charge is counted across a gap by a straight line between its ends",
                do="find out why the logger stops, and run again where the charge matters",
                source=_SOURCE,
                value=rest,
                unit="Ah",
            )
        )
    return remarks


def _gap_remark(name: str, gap: Gap, limit_s: float, lines: LineBook) -> Remark:
    span = gap.end_s - gap.start_s
    missing = f", {gap.missing_rows} rows without a value," if gap.missing_rows else ""
    return Remark(
        code="log-missing-run" if gap.missing_rows else "log-gap",
        weight=Weight.DOUBTFUL,
        subject=name,
        says=f"no sample for {_span(span)}{missing} before line {lines.line(gap.row)} while current flowed: "
        f"{gap.hidden_ah:.3g} Ah could hide there",
        why="charge is counted across a gap by a straight line between its ends",
        do="take the charge of this stretch with that doubt, or run again",
        source=_SOURCE,
        value=span,
        limit=limit_s,
        unit="s",
    )


def _restart_remark(name: str, one: Restart, lines: LineBook) -> Remark:
    says, why, do = _joint(one) if one.joined else _parting(one)
    return Remark(
        code="log-clock-restart",
        weight=Weight.DOUBTFUL,
        subject=name,
        says=f"the clock begins anew at line {lines.line(one.row)}: {says}",
        why=why,
        do=do,
        source=_SOURCE,
        value=one.off_s,
        unit="" if one.off_s is None else "s",
    )


def _joint(one: Restart) -> tuple[str, str, str]:
    assert one.off_s is not None
    says = (
        f"{one.amps[1]:.3g} A flow on, and {one.volts[0]:.5g} V go on as {one.volts[1]:.5g} V, so both halves were "
        "counted as one run"
    )
    why = f"by the slope of the volts the logger was off for {_span(one.off_s)} at most; the doubt of the charge has it"
    do = "if they were two runs, give each as a file of its own; log with a column of dates, and nothing is guessed"
    return says, why, do


def _parting(one: Restart) -> tuple[str, str, str]:
    do = "if it was one run, log with a column of dates; if they were two, give each as a file of its own"
    if not one.flows:
        return "what follows was counted as another run", "no current of one direction flows on over it", do
    before, after = one.amps
    if one.off_s is not None:
        why = f"by the slope of the volts up to {_span(one.off_s)} may be missing there, too much for one run"
    elif math.isfinite(before - after) and abs(before - after) > 0.02 * abs(before):
        why = f"the current before is {before:.3g} A and after {after:.3g} A"
    else:
        why = f"{one.volts[0]:.5g} V stand before and {one.volts[1]:.5g} V after; how long it was off, they do not tell"
    return "what follows was counted as another run", why, do


def _clock_remarks(name: str, cleaner: Cleaner, lines: LineBook, told: set[int]) -> list[Remark]:
    remarks = []
    jumps = [(row, jump_s) for row, jump_s in cleaner.jumps if row not in told]
    for row, jump_s in jumps[:_GAPS_SHOWN]:
        way = "back" if jump_s < 0 else "ahead"
        remarks.append(
            Remark(
                code="log-clock-jump",
                weight=Weight.DOUBTFUL,
                subject=name,
                says=f"the clock jumps {way} by {_span(abs(jump_s))} at line {lines.line(row)}",
                why=f"time is taken to go on there with the usual interval of {cleaner.scale.usual_s:.3g} s",
                do="check that the logger's clock was set there, and that it did not stand still",
                source=_SOURCE,
                value=jump_s,
                unit="s",
            )
        )
    if len(jumps) > _GAPS_SHOWN:
        says = f"{len(jumps) - _GAPS_SHOWN} more jumps of the clock"
        remarks.append(_noted(name, "log-more-clock-jumps", says, "as above", "check the logger's clock"))
    if cleaner.strays:
        where = ", ".join(str(lines.line(row)) for row in cleaner.strays[:_GAPS_SHOWN])
        remarks.append(
            _noted(
                name, "log-stray-time", f"{len(cleaner.strays)} lone wrong times, near lines {where}",
                "the rows before and after are in order", "nothing; these rows were put between their neighbours",
                value=len(cleaner.strays),
            )
        )  # fmt: skip
    return remarks


def _count_remarks(name: str, cleaner: Cleaner) -> list[Remark]:
    told = ((getattr(cleaner, name_of), *words) for name_of, words in _COUNTS.items())
    return [_noted(name, code, f"{count} {says}", why, do, value=count) for count, code, says, why, do in told if count]


def _span(seconds: float) -> str:
    for size, unit in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"
