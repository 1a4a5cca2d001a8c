"""One panel of a chart: its lines, each with dashes, signs and a name of its own, its limits, and a band of doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from hotchpot.paper.shown import Panel, short

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes

PAPER, INK, FAINT, SHADE = "#fbfaf7", "#141414", "#8a8780", "#d9d6cf"
TEXT_PT = 10.0
MOST_POINTS = 700  # a line: more would not be seen
SIGNS_A_LINE, GOLDEN = 8, 0.618034
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (3, 3)),
    (0, (7, 2, 1.5, 2, 1.5, 2)),
)
SIGNS = ("o", "s", "^", "D", "v", "X")


@dataclass(frozen=True, slots=True)
class Band:
    """Between what most of many draws lie: times, lowest and highest, each of shape (t,), and its name."""

    time: np.ndarray
    low: np.ndarray
    high: np.ndarray
    name: str


def draw(axes: Axes, panel: Panel, time: np.ndarray, height_in: float, *, band: Band | None = None) -> None:
    """Draw a panel: `time` as its axis tells it, `height_in` the height of its frame in inches."""
    axes.set_facecolor(PAPER)
    axes.set_title(panel.title, loc="left", fontsize=TEXT_PT, color=INK, pad=3.0)
    if band is not None:
        axes.fill_between(band.time, band.low, band.high, color=SHADE, linewidth=0.0, zorder=0.5)
    for _, values, place in panel.lines:
        dashes = DASHES[(place or 0) % len(DASHES)]
        axes.plot(*thinned(time, values), color=INK, linestyle=dashes, linewidth=1.2)
    for limit in panel.limits:
        axes.axhline(limit.value, color=INK, linewidth=0.6)
    _reached(axes, panel, time)
    low, high = axes.get_ylim()
    if low < 0.0 < high:
        axes.axhline(0.0, color=FAINT, linewidth=0.5)
    missing = max(panel.least, 1e-6 * abs(high)) - (high - low)
    if missing > 0.0:
        low, high = low - 0.5 * missing, high + 0.5 * missing
    axes.set_ylim(low, high)
    axes.set_xlim(float(time[0]), float(time[-1]) if time[-1] > time[0] else float(time[0]) + 1.0)
    _signs(axes, panel, time)
    axes.locator_params(axis="y", nbins=4)
    axes.ticklabel_format(useOffset=False, style="plain")
    axes.tick_params(colors=INK, width=0.6, length=3, labelsize=0.9 * TEXT_PT)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_linewidth(0.6)
    _limit_names(axes, panel)
    _names(axes, panel, height_in, band)


def _reached(axes: Axes, panel: Panel, time: np.ndarray) -> None:
    """Set a full sign where each unit with a limit came nearest to it, or went farthest beyond."""
    lines = {name: (values, place) for name, values, place in panel.lines}
    for limit in panel.limits:
        values, place = lines[limit.unit]
        k = int(values.argmax() if limit.upper else values.argmin())
        sign = SIGNS[(place or 0) % len(SIGNS)]
        axes.plot([time[k]], [values[k]], color=INK, linestyle="none", marker=sign, markersize=4.6, zorder=4)


def _limit_names(axes: Axes, panel: Panel) -> None:
    """Set the name of each limit on its line, inside the frame, one after the other from the left."""
    first, last = axes.get_xlim()
    low, high = axes.get_ylim()
    for k, limit in enumerate(panel.limits):
        below = limit.value > 0.5 * (low + high)
        axes.annotate(
            limit.name, (first + (0.02 + 0.48 * (k % 2)) * (last - first), limit.value), (0, -2 if below else 2),
            textcoords="offset points", fontsize=0.9 * TEXT_PT, color=INK, va="top" if below else "bottom",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.5, "alpha": 0.8}, zorder=5,
        )  # fmt: skip


def _signs(axes: Axes, panel: Panel, time: np.ndarray) -> None:
    """Set each unit's own sign on its line, at places of its own, so that lines that lie on one another show both."""
    import numpy as np

    first, last = float(time[0]), float(time[-1])
    count = len(panel.lines)
    for k, (_, values, place) in enumerate(panel.lines):
        if place is None or last <= first:
            continue
        steps = np.arange(SIGNS_A_LINE) * GOLDEN  # not even: even steps may fall on the same hour of every day
        at = first + (last - first) * ((steps + (k + 0.5) / count / SIGNS_A_LINE) % 1.0)
        axes.plot(
            at, np.interp(at, time, values), color=INK, linestyle="none", marker=SIGNS[place % len(SIGNS)],
            markersize=3.6, markerfacecolor=PAPER, markeredgewidth=0.7,
        )  # fmt: skip


def _names(axes: Axes, panel: Panel, height_in: float, band: Band | None) -> None:
    """Set names beside the ends of lines, of limits and of the band, spread so that none lies on another."""
    low, high = axes.get_ylim()
    first, last = axes.get_xlim()
    ends = [(short(name), float(values[-1]), place) for name, values, place in panel.lines]
    if band is not None:
        ends.append((band.name, float(0.5 * (band.low[-1] + band.high[-1])), None))
    places = spread([value for _, value, _ in ends], (high - low) * 0.145 / height_in, low, high)
    beside = last + 0.06 * (last - first)
    leader = {"arrowstyle": "-", "linewidth": 0.4, "color": FAINT, "relpos": (0.0, 0.5), "shrinkA": 0.0, "shrinkB": 1.0}
    for (name, value, place), y in zip(ends, places, strict=True):
        axes.annotate(
            name, (last, value), (beside, y), annotation_clip=False, arrowprops=leader, fontsize=0.9 * TEXT_PT,
            color=INK, va="center",
        )  # fmt: skip
        if place is not None:
            axes.plot(
                [last + 0.03 * (last - first)], [y], color=INK, marker=SIGNS[place % len(SIGNS)], markersize=3.6,
                markerfacecolor=PAPER, markeredgewidth=0.7, clip_on=False, scalex=False, scaley=False,
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
