"""
A trial as a chart: the bank's voltage, the units' currents and their charge over time, one above the other, as SVG.

Made for a phone held upright: 360 points wide, few words, near-black on near-white. Lines are told apart by dashes and
by their names at their ends, never by colour alone. Text stays text, so that it can be searched and read aloud.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from hotchpot.bank.verdict import Verdict
from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes

PAPER, INK, FAINT = "#fbfaf7", "#141414", "#8a8780"
WIDTH_IN, PANEL_IN, LINE_IN = 5.0, 1.55, 0.165  # 72 points an inch: 360 points wide
LEFT_IN, RIGHT_IN = 0.62, 0.72  # room for numbers, and for names at the ends of lines
MOST_UNITS = 6
MOST_POINTS = 700  # a line: more would not be seen
MOST_MOMENTS = 24
TEXT_PT = 10.0
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (3, 3)),
    (0, (7, 2, 1.5, 2, 1.5, 2)),
)
TIMES = (
    (180.0, 1.0, "s"),
    (2.0 * 3600.0, 60.0, "min"),
    (4.0 * 86_400.0, 3600.0, "h"),
    (float("inf"), 86_400.0, "days"),
)
LINE_CHARS = 62
VERDICT = "Judge and trial"
SAID = {
    Verdict.FINE: "FINE",
    Verdict.CAUTION: "CAUTION",
    Verdict.ONLY_IF: "ONLY IF what is asked for is done",
    Verdict.FORBID: "FORBID, not to be built or used so",
}


def chart(trial: Trial, *, cautions: Sequence[str] = (CAUTION,), verdict: Verdict | None = None) -> str:
    """
    Return the chart of a trial as the text of an SVG file; the same trial gives the same text.

    Parameters
    ----------
    trial : Trial
    cautions : sequence of str
        Set below the chart; those who draw for a person leave them in.
    verdict : Verdict, optional
        The worst word on the bank, of the judge or of the trial; set above everything else, as a word.

    Examples
    --------
    >>> chart.__doc__.strip().split(";")[0]
    'Return the chart of a trial as the text of an SVG file'
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    shown = trial.telling(MOST_UNITS)
    heading, foot = [*_judged(verdict), *_heading(trial, len(shown))], _wrapped(cautions)
    top_in, foot_in = LINE_IN * (len(heading) + 1), LINE_IN * (len(foot) + 3.2)
    height_in = top_in + 3 * PANEL_IN + foot_in
    with rc_context(
        {"svg.fonttype": "none", "svg.hashsalt": "hotchpot", "font.family": "sans-serif", "font.size": TEXT_PT}
    ):
        figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=PAPER)
        FigureCanvasSVG(figure)
        for k, (line, weight) in enumerate(heading):
            y = 1.0 - LINE_IN * (k + 0.9) / height_in
            figure.text(
                0.02, y, line, fontsize=TEXT_PT if weight == "bold" else 0.9 * TEXT_PT, weight=weight, color=INK
            )
        _panels(figure, trial, shown, height_in, top_in)
        for k, line in enumerate(foot):
            y = LINE_IN * (len(foot) - k - 0.4) / height_in
            figure.text(0.02, y, line, fontsize=0.9 * TEXT_PT, color=INK)
        out = io.StringIO()
        figure.savefig(
            out, format="svg", facecolor=PAPER, metadata={"Date": None, "Creator": None, "Title": _title(trial)}
        )
    return _spoken(out.getvalue(), trial, verdict)


def _panels(figure: Any, trial: Trial, shown: tuple[int, ...], height_in: float, top_in: float) -> None:
    record = trial.record
    scale, unit = time_scale(float(record.time_s[-1]))
    time = record.time_s / scale
    names = [record.ids[k] for k in shown]
    panels = (
        ("bank, V", [("bank", record.volts)]),
        ("units, A  (+ gives, − takes)", [(n, record.unit_amps[:, k]) for n, k in zip(names, shown, strict=True)]),
        ("charge, %", [(n, 100.0 * record.soc_frac[:, k]) for n, k in zip(names, shown, strict=True)]),
    )
    for row, (title, lines) in enumerate(panels):
        bottom = height_in - top_in - (row + 1) * PANEL_IN + 0.18
        place = (LEFT_IN, bottom, WIDTH_IN - LEFT_IN - RIGHT_IN, PANEL_IN - 0.42)
        axes = figure.add_axes([place[0] / WIDTH_IN, place[1] / height_in, place[2] / WIDTH_IN, place[3] / height_in])
        _panel(axes, title, time, lines, place[3])
        if row == len(panels) - 1:
            axes.set_xlabel(f"time, {unit}", color=INK)
        else:
            axes.tick_params(labelbottom=False)
        for moment in _moments(trial):
            axes.axvline(moment / scale, color=FAINT, linewidth=0.5, zorder=0)


def _moments(trial: Trial) -> list[float]:
    """Return when something opened, shed or changed stage; what merely runs empty or full is seen in the lines. [s]"""
    events = [event.time_s for event in trial.record.events if event.kind not in ("empty", "full")]
    return sorted(set(events))[:MOST_MOMENTS]


def _panel(axes: Axes, title: str, time: np.ndarray, lines: list[tuple[str, np.ndarray]], height_in: float) -> None:
    axes.set_facecolor(PAPER)
    axes.set_title(title, loc="left", fontsize=TEXT_PT, color=INK, pad=3.0)
    for (_, values), dashes in zip(lines, DASHES, strict=False):
        axes.plot(*thinned(time, values), color=INK, linestyle=dashes, linewidth=1.2)
    low, high = axes.get_ylim()
    if low < 0.0 < high:
        axes.axhline(0.0, color=FAINT, linewidth=0.5)
    if high - low < 1e-6 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    axes.set_ylim(low, high)
    axes.set_xlim(float(time[0]), float(time[-1]) if time[-1] > time[0] else float(time[0]) + 1.0)
    axes.locator_params(axis="y", nbins=4)
    axes.ticklabel_format(useOffset=False)
    axes.tick_params(colors=INK, width=0.6, length=3, labelsize=0.9 * TEXT_PT)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_linewidth(0.6)
    apart = (high - low) * 0.145 / height_in
    ends = spread([float(values[-1]) for _, values in lines], apart, low, high)
    first, last = axes.get_xlim()
    beside = last + 0.035 * (last - first)
    leader = {"arrowstyle": "-", "linewidth": 0.4, "color": FAINT, "relpos": (0.0, 0.5), "shrinkA": 0.0, "shrinkB": 1.0}
    for (name, values), y in zip(lines, ends, strict=True):
        axes.annotate(
            _short(name), (last, float(values[-1])), (beside, y), annotation_clip=False, arrowprops=leader,
            fontsize=0.9 * TEXT_PT, color=INK, va="center",
        )  # fmt: skip


def spread(wanted: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """
    Return places for labels near those wanted, in their order, no two nearer than `apart` where there is room.

    Examples
    --------
    >>> spread([5.0, 5.0, 9.0], 1.0, 0.0, 10.0)
    [5.0, 6.0, 9.0]
    >>> spread([9.8, 9.9], 1.0, 0.0, 10.0)
    [9.0, 10.0]
    """
    order = sorted(range(len(wanted)), key=lambda k: (wanted[k], k))
    places = [min(max(wanted[k], low), high) for k in order]
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + apart)
    beyond = high
    for k in range(len(places) - 1, -1, -1):
        places[k] = min(places[k], beyond)
        beyond = places[k] - apart
    result = [0.0] * len(wanted)
    for k, place in zip(order, places, strict=True):
        result[k] = place
    return result


def thinned(time: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a line of few points that shows the same: of every stretch its first, lowest and highest."""
    import numpy as np

    if len(time) <= MOST_POINTS:
        return time, values
    edges = np.linspace(0, len(time), MOST_POINTS // 3 + 1).astype(int)
    kept = {0, len(time) - 1}
    for a, b in pairwise(edges):
        kept |= {int(a), int(a + values[a:b].argmin()), int(a + values[a:b].argmax())}
    places = np.array(sorted(kept))
    return time[places], values[places]


def time_scale(seconds: float) -> tuple[float, str]:
    """Return the seconds of the unit of time that reads best over a run, and its name."""
    return next((scale, name) for most, scale, name in TIMES if seconds <= most)


def _title(trial: Trial) -> str:
    return f"{trial.arrangement}: {trial.scenario.name}"


def _judged(verdict: Verdict | None) -> list[tuple[str, str]]:
    """Return the verdict as a line of the heading, with what it asks for where it is more than a caution."""
    return [] if verdict is None else [(f"{VERDICT}: {SAID[verdict]}", "bold")]


def _heading(trial: Trial, shown: int) -> list[tuple[str, str]]:
    lines = [(line, "bold") for line in textwrap.wrap(_title(trial), LINE_CHARS - 6)[:2]]
    lines += [(line, "normal") for line in textwrap.wrap(trial.scenario.says, LINE_CHARS)[:3]]
    count = len(trial.record.ids)
    if shown < count:
        lines.append((f"{shown} of {count} units: most and least loaded, emptiest, fullest.", "normal"))
    return lines


def _wrapped(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in textwrap.wrap(text, LINE_CHARS)]


def _short(name: str) -> str:
    return name if len(name) <= 9 else f"{name[:8]}…"


def time_text(seconds: float) -> str:
    """
    Return a stretch of time in the unit that reads best.

    >>> time_text(90.0), time_text(3600.0 * 2.5), time_text(86_400.0 * 365)
    ('90 s', '2.5 h', '365 days')
    """
    scale, unit = time_scale(seconds)
    value = seconds / scale
    return f"{value:.3g} {unit}" if value < 999.5 else f"{value:.0f} {unit}"


def _spoken(svg: str, trial: Trial, verdict: Verdict | None) -> str:
    """Give the drawing a role, a name and a description for who hears it, and let it fit its frame."""
    record = trial.record
    said = f"{trial.scenario.says} Ended: {record.ended.kind} after {time_text(record.ended.time_s)}."
    judged = "".join(f"{line}. " for line, _ in _judged(verdict))
    start = svg.index("<svg ")
    end = svg.index(">", start)
    label = escape(f"{judged}{_title(trial)}. {said}", {'"': "&quot;"})
    return f'{svg[:end]} role="img" aria-label="{label}" style="max-width:100%;height:auto"{svg[end:]}'
