"""A trial as a plot in the terminal: letters for units, plain characters, no colour, 80 columns."""

from __future__ import annotations

import math
import string
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from hotchpot.trial.outcome import Trial
from hotchpot.trial.texts import CAUTION

if TYPE_CHECKING:
    import numpy as np

WIDTH, HEIGHT = 80, 13
MOST_UNITS = 8
BANK = "•"
MOST_TICKS = 5
TURNS = "Where lines meet, their letters take turns."
TIMES = (
    (180.0, 1.0, "s"),
    (2.0 * 3600.0, 60.0, "min"),
    (4.0 * 86_400.0, 3600.0, "h"),
    (float("inf"), 86_400.0, "days"),
)
STEPS = {"s": (1, 2, 5, 10, 20, 30, 60), "min": (1, 2, 5, 10, 15, 20, 30), "h": (1, 2, 3, 4, 6, 12, 24)}
# The least height of a panel: less than this is no change that anybody reads off a bank. [part of the value], [A], [%]
LEAST_VOLTS_FRAC, LEAST_AMPS, LEAST_PERCENT = 5e-3, 0.01, 1.0


def plot_text(trial: Trial, *, width: int = WIDTH, height: int = HEIGHT, cautions: Sequence[str] = (CAUTION,)) -> str:
    """
    Return the bank's voltage, the units' currents and their charge over time as plain text.

    Where units meet, their letters take turns. A bank of many units shows those that findings name and those that carry
    most and least and that are emptiest and fullest.
    """
    record = trial.record
    shown = trial.telling(MOST_UNITS)
    letters = string.ascii_lowercase[: len(shown)]
    scale, unit = next((scale, name) for most, scale, name in TIMES if float(record.time_s[-1]) <= most)
    time = record.time_s / scale
    volts = [(BANK, record.volts)]
    amps = [(mark, record.unit_amps[:, k]) for mark, k in zip(letters, shown, strict=True)]
    charge = [(mark, 100.0 * record.soc_frac[:, k]) for mark, k in zip(letters, shown, strict=True)]
    names = [f"{mark} {record.ids[k]}" for mark, k in zip(letters, shown, strict=True)]
    count = len(trial.there)
    some = "" if len(shown) == count else f" ({len(shown)} of {count} units)"
    panels = (
        ("bank, V", volts, LEAST_VOLTS_FRAC * float(abs(record.volts).max())),
        (f"units, A, + gives, - takes{some}", amps, LEAST_AMPS),
        ("charge, %", charge, LEAST_PERCENT),
    )
    spans = [span_of([values for _, values in lines], least) for _, lines, least in panels]
    margin = max(len(text) for span in spans for _, text in ticks(*span, MOST_TICKS))
    across, down = width - margin - 2, height - 3
    parts: list[str] = []
    for (title, lines, _), span in zip(panels, spans, strict=True):
        parts += [f"-- {title} ".ljust(width, "-"), *_panel(time, lines, span, margin=margin, across=across, down=down)]
        parts += _time_axis(time, margin, across, unit)
    gone = (trial.cut_out,) if trial.cut_out else ()
    said = (*gone, TURNS) if len(shown) > 1 else gone
    parts += [
        f"time, {unit}".center(width).rstrip(),
        *_filled(names, width),
        *(line for text in (*said, *cautions) for line in textwrap.wrap(text, width)),
    ]
    return "\n".join(parts) + "\n"


def _panel(
    time: np.ndarray,
    lines: list[tuple[str, np.ndarray]],
    span: tuple[float, float],
    *,
    margin: int,
    across: int,
    down: int,
) -> list[str]:
    """Return one panel's rows: its frame, the values beside it, and in it a letter wherever a line passes."""
    low, high = span
    labels = {_row(value, low, high, down): text for value, text in ticks(low, high, MOST_TICKS)}
    cells = [_strokes(time, values, span, down, across) for _, values in lines]
    body = []
    for row in range(down):
        said = []
        for column in range(across):
            there = [mark for (mark, _), filled in zip(lines, cells, strict=True) if filled[row, column]]
            said.append(there[(row + column) % len(there)] if there else " ")
        left = f"{labels[row]:>{margin}}┤" if row in labels else f"{'':>{margin}}│"
        body.append(f"{left}{''.join(said)}│")
    return [f"{'':>{margin}}┌{'─' * across}┐", *body]


def span_of(lines: Sequence[np.ndarray], least: float) -> tuple[float, float]:
    """Return the lowest and highest value of all lines, no nearer to one another than `least`."""
    low, high = min(float(v.min()) for v in lines), max(float(v.max()) for v in lines)
    missing = least - (high - low)
    return (low - 0.5 * missing, high + 0.5 * missing) if missing > 0.0 else (low, high)


def ticks(low: float, high: float, most: int, steps: Sequence[float] = ()) -> list[tuple[float, str]]:
    """
    Return at most so many round values between two, with their texts: plain numbers, all to the same digits.

    >>> ticks(13.19677, 13.25, 4), ticks(-5.0, 1234.0, 3)
    ([(13.2, '13.20'), (13.22, '13.22'), (13.24, '13.24')], [(0.0, '0'), (500.0, '500'), (1000.0, '1000')])
    """
    size = 10.0 ** math.floor(math.log10(high - low))
    tried = [*(float(step) for step in steps), *(size * part for part in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0))]
    fitting = [step for step in tried if math.floor(high / step + 1e-9) - math.ceil(low / step - 1e-9) < most]
    step = next(iter(fitting), 10.0 * size)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    values = [round(k * step, digits) + 0.0 for k in range(first, last + 1)] or [low]
    return [(value, f"{value:.{digits}f}") for value in values]


def _row(value: float, low: float, high: float, rows: int) -> int:
    part = (high - value) / (high - low)
    return min(rows - 1, max(0, round(part * (rows - 1))))


def _strokes(time: np.ndarray, values: np.ndarray, span: tuple[float, float], rows: int, columns: int) -> np.ndarray:
    """Return which cells a line passes, shape (rows, columns): in each column from its lowest to its highest there."""
    import numpy as np

    low, high = span
    filled = np.zeros((rows, columns), dtype=bool)
    first, last = float(time[0]), float(time[-1])
    if last <= first:
        filled[_row(float(values[0]), low, high, rows), 0] = True
        return filled
    edges = np.linspace(first, last, columns + 1)
    inside = np.clip(np.searchsorted(edges, time, side="right") - 1, 0, columns - 1)
    middle = np.interp(0.5 * (edges[:-1] + edges[1:]), time, values)
    lowest, highest = middle.copy(), middle.copy()
    np.minimum.at(lowest, inside, values)
    np.maximum.at(highest, inside, values)
    for column in range(columns):
        top, bottom = (_row(float(v[column]), low, high, rows) for v in (highest, lowest))
        filled[top : bottom + 1, column] = True
    return filled


def _time_axis(time: np.ndarray, margin: int, columns: int, unit: str) -> list[str]:
    """Return the lower edge of a frame with marks at round times, and the times below them."""
    first, last = float(time[0]), float(time[-1]) if time[-1] > time[0] else float(time[0]) + 1.0
    edge, below = ["─"] * columns, [" "] * (margin + columns + 2)
    free = 0
    for value, text in ticks(first, last, 8, STEPS.get(unit, ())):
        at = round((value - first) / (last - first) * (columns - 1))
        begin = min(max(0, margin + 1 + at - (len(text) - 1) // 2), len(below) - len(text))
        if begin < free:
            continue
        edge[at] = "┬"
        below[begin : begin + len(text)] = text
        free = begin + len(text) + 1
    return [f"{'':>{margin}}└{''.join(edge)}┘", "".join(below).rstrip()]


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
