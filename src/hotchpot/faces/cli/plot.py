"""A trial as a plot in the terminal: letters for units, plain characters, no colour, 80 columns."""

from __future__ import annotations

import string
import textwrap
from collections.abc import Iterable, Sequence

from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION

WIDTH, HEIGHT = 80, 13
MOST_UNITS = 8
MOST_POINTS = 2000
BANK = "•"
TIMES = (
    (180.0, 1.0, "s"),
    (2.0 * 3600.0, 60.0, "min"),
    (4.0 * 86_400.0, 3600.0, "h"),
    (float("inf"), 86_400.0, "days"),
)


def plot_text(trial: Trial, *, width: int = WIDTH, height: int = HEIGHT, cautions: Sequence[str] = (CAUTION,)) -> str:
    """
    Return the bank's voltage, the units' currents and their charge over time as plain text.

    Where two units meet, the later letter covers the earlier one. A bank of many units shows those that carry most and
    least and that are emptiest and fullest.
    """
    record = trial.record
    shown = trial.telling(MOST_UNITS)
    letters = string.ascii_lowercase[: len(shown)]
    scale, unit = next((scale, name) for most, scale, name in TIMES if float(record.time_s[-1]) <= most)
    every = max(1, len(record.time_s) // MOST_POINTS)
    rows = list(range(0, len(record.time_s), every))
    if rows[-1] != len(record.time_s) - 1:
        rows.append(len(record.time_s) - 1)
    time = [float(record.time_s[row]) / scale for row in rows]
    volts = [(BANK, [float(record.volts[row]) for row in rows])]
    amps = [(mark, [float(record.unit_amps[row, k]) for row in rows]) for mark, k in zip(letters, shown, strict=True)]
    charge = [
        (mark, [100.0 * float(record.soc_frac[row, k]) for row in rows]) for mark, k in zip(letters, shown, strict=True)
    ]
    names = [f"{mark} {record.ids[k]}" for mark, k in zip(letters, shown, strict=True)]
    some = "" if len(shown) == len(record.ids) else f" ({len(shown)} of {len(record.ids)} units)"
    parts = [
        _panel("bank, V", time, volts, width, height),
        _panel(f"units, A, + gives, - takes{some}", time, amps, width, height),
        _panel("charge, %", time, charge, width, height),
        f"time, {unit}".center(width).rstrip(),
        *_filled(names, width),
        *(line for text in cautions for line in textwrap.wrap(text, width)),
    ]
    return "\n".join(parts) + "\n"


def _panel(title: str, time: list[float], lines: list[tuple[str, list[float]]], width: int, height: int) -> str:
    """Return one panel; the plotting library keeps one figure for all, so it is cleared before and after."""
    import plotext  # type: ignore[import-untyped]

    plotext.terminal.limit(False, False)  # as wide as asked for, whatever the terminal is just now
    figure = plotext.figure
    figure.clear()
    try:
        figure.theme("colorless")
        figure.plot_size(width, height)
        for mark, values in lines:
            figure.draw(figure.signal(time, values, marker=mark))
        drawn = plotext.uncolorize(str(figure.build()))
    finally:
        figure.clear()
    return "\n".join([f"-- {title} ".ljust(width, "-"), *(line.rstrip() for line in drawn.splitlines())])


def _filled(words: Iterable[str], width: int) -> list[str]:
    """Return words set into lines, never broken within one."""
    lines = [""]
    for word in words:
        joined = f"{lines[-1]}   {word}" if lines[-1] else word
        if len(joined) > width and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = joined
    return lines
