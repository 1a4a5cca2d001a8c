"""
A trial as a chart: the bank's voltage, the units' currents and their charge over time, one above the other, as SVG.

Made for a phone held upright: 360 points wide, few words, near-black on near-white. Lines are told apart by dashes,
by signs on them and by their names at their ends, never by colour. Text stays text, so that it can be searched and
read aloud.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from hotchpot.bank.verdict import Verdict
from hotchpot.paper.panels import FAINT, INK, PAPER, TEXT_PT, Band, draw
from hotchpot.paper.shown import Moment, amps_limits, moments, panels_of, strained_volts, time_scale, time_text
from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION

if TYPE_CHECKING:
    from hotchpot.trial.doubt import VoltsBand

WIDTH_IN, PANEL_IN, LINE_IN = 5.0, 1.55, 0.165  # 72 points an inch: 360 points wide
LEFT_IN, RIGHT_IN = 0.62, 0.78  # room for numbers, and for names at the ends of lines
MOST_UNITS = 6
LINE_CHARS = 62
MOST_SAYS = 5  # lines of the scenario's sentence
NUMBERED_IN = 0.16  # numbers of moments nearer than this are told as one: 2-4
VERDICT = "Judge and trial"
SAID = {
    Verdict.FINE: "FINE",
    Verdict.CAUTION: "CAUTION",
    Verdict.ONLY_IF: "ONLY IF what is asked for is done",
    Verdict.FORBID: "FORBID, not to be built or used so",
}


def chart(
    trial: Trial,
    *,
    cautions: Sequence[str] = (CAUTION,),
    verdict: Verdict | None = None,
    doubt: VoltsBand | None = None,
) -> str:
    """
    Return the chart of a trial as the text of an SVG file; the same trial gives the same text.

    Parameters
    ----------
    trial : Trial
    cautions : sequence of str
        Set below the chart; those who draw for a person leave them in.
    verdict : Verdict, optional
        The worst word on the bank, of the judge or of the trial; set above everything else, as a word.
    doubt : VoltsBand, optional
        The bank's voltage over many draws; its middle nine tenths are drawn as a grey band.

    Examples
    --------
    >>> chart.__doc__.strip().split(";")[0]
    'Return the chart of a trial as the text of an SVG file'
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    shown = trial.telling(MOST_UNITS)
    told = moments(trial)
    heading = [*_judged(verdict), *_heading(trial, len(shown))]
    foot = [*_listed(told, trial), *_wrapped(cautions)]
    count = 3 + bool(strained_volts(trial))
    top_in, foot_in = LINE_IN * (len(heading) + (1.6 if told else 1.0)), LINE_IN * (len(foot) + 3.2)
    height_in = top_in + count * PANEL_IN + foot_in
    style: Any = {"svg.fonttype": "none", "svg.hashsalt": "hotchpot", "font.family": "sans-serif", "font.size": TEXT_PT}
    with rc_context(style):
        figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=PAPER)
        FigureCanvasSVG(figure)
        for k, (line, weight) in enumerate(heading):
            y = 1.0 - LINE_IN * (k + 0.9) / height_in
            size = TEXT_PT if weight == "bold" else 0.9 * TEXT_PT
            figure.text(0.02, y, line, fontsize=size, weight=weight, color=INK)
        _panels(figure, trial, shown, told=told, doubt=doubt, height_in=height_in, top_in=top_in)
        for k, line in enumerate(foot):
            y = LINE_IN * (len(foot) - k - 0.4) / height_in
            figure.text(0.02, y, line, fontsize=0.9 * TEXT_PT, color=INK)
        out = io.StringIO()
        about = {"Date": None, "Creator": None, "Title": _title(trial)}
        figure.savefig(out, format="svg", facecolor=PAPER, metadata=about)
    return _spoken(out.getvalue(), trial, verdict)


def _panels(
    figure: Any,
    trial: Trial,
    shown: tuple[int, ...],
    *,
    told: Sequence[Moment],
    doubt: VoltsBand | None,
    height_in: float,
    top_in: float,
) -> None:
    record = trial.record
    scale, unit = time_scale(float(record.time_s[-1]))
    time = record.time_s / scale
    wide_in, high_in = WIDTH_IN - LEFT_IN - RIGHT_IN, PANEL_IN - 0.42
    panels = panels_of(trial, shown)
    for row, panel in enumerate(panels):
        bottom = height_in - top_in - (row + 1) * PANEL_IN + 0.18
        place = (LEFT_IN / WIDTH_IN, bottom / height_in, wide_in / WIDTH_IN, high_in / height_in)
        axes = figure.add_axes(place)
        band = None
        if row == 0 and doubt is not None:
            band = Band(3600.0 * doubt.time_h / scale, doubt.volts[0], doubt.volts[-1], "5-95 %")
        draw(axes, panel, time, high_in, band=band)
        if row == len(panels) - 1:
            axes.set_xlabel(f"time, {unit}", color=INK)
        else:
            axes.tick_params(labelbottom=False)
        for moment in told:
            axes.axvline(moment.time_s / scale, color=FAINT, linewidth=0.5, zorder=0)
        if row == 0:
            _numbered(axes, told, scale, wide_in)


def _numbered(axes: Any, told: Sequence[Moment], scale: float, wide_in: float) -> None:
    """Set the numbers of moments above the first panel; those that stand too near one another are told as one."""
    first, last = axes.get_xlim()
    groups: list[list[tuple[float, int]]] = []
    for number, moment in enumerate(told, start=1):
        at = (moment.time_s / scale - first) / (last - first)
        near = groups and (at - groups[-1][-1][0]) * wide_in < NUMBERED_IN
        groups[-1].append((at, number)) if near else groups.append([(at, number)])
    for group in groups:
        text = f"{group[0][1]}" if len(group) == 1 else f"{group[0][1]}–{group[-1][1]}"
        at = 0.5 * (group[0][0] + group[-1][0])
        axes.text(
            at, 1.16, text, transform=axes.transAxes, ha="center", va="bottom", fontsize=0.9 * TEXT_PT, color=INK,
        )  # fmt: skip


def _listed(told: Sequence[Moment], trial: Trial) -> list[str]:
    """Return the numbered moments in words, set into lines."""
    if not told:
        return []
    scale, unit = time_scale(float(trial.record.time_s[-1]))
    words = [f"{number} at {one.time_s / scale:.3g} {unit}: {one.says}" for number, one in enumerate(told, start=1)]
    more = sum(one.more for one in told)
    lines = textwrap.wrap("; ".join(words) + (f"; and {more} more" if more else ""), LINE_CHARS)
    return [*lines, ""]


def _title(trial: Trial) -> str:
    return f"{trial.arrangement}: {trial.scenario.name}"


def _judged(verdict: Verdict | None) -> list[tuple[str, str]]:
    """Return the verdict as a line of the heading, with what it asks for where it is more than a caution."""
    return [] if verdict is None else [(f"{VERDICT}: {SAID[verdict]}", "bold")]


def _heading(trial: Trial, shown: int) -> list[tuple[str, str]]:
    lines = [(line, "bold") for line in textwrap.wrap(_title(trial), LINE_CHARS - 6)[:2]]
    lines += [(line, "normal") for line in textwrap.wrap(trial.scenario.says, LINE_CHARS)[:MOST_SAYS]]
    lines += [(line, "normal") for line in _wrapped([trial.cut_out])]
    count = len(trial.there)
    if shown < count:
        lines.append((f"{shown} of {count} units: those found fault with, then most and least", "normal"))
        lines.append(("loaded, emptiest, fullest.", "normal"))
    return lines


def _wrapped(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in textwrap.wrap(text, LINE_CHARS)]


def _spoken(svg: str, trial: Trial, verdict: Verdict | None) -> str:
    """Give the drawing a role, a name and a description for who hears it, and let it fit its frame."""
    record = trial.record
    said = f"{trial.scenario.says} Ended: {record.ended.kind} after {time_text(record.ended.time_s)}."
    judged = "".join(f"{line}. " for line, _ in _judged(verdict))
    limits = "".join(f" Limit: {limit.says}." for limit in amps_limits(trial, trial.telling(MOST_UNITS)))
    start = svg.index("<svg ")
    end = svg.index(">", start)
    label = escape(f"{judged}{_title(trial)}. {said}{limits}", {'"': "&quot;"})
    return f'{svg[:end]} role="img" aria-label="{label}" style="max-width:100%;height:auto"{svg[end:]}'
