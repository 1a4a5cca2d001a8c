"""What a log comes to when its last row is in: the pieces with their traces, the steps, and what was mended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.logs.logclean import Cleaner
from hotchpot.bench.logs.logjumps import JumpFinder, Window
from hotchpot.bench.logs.loglines import LineBook
from hotchpot.bench.logs.logpieces import FIRST_S, IN_AH, LAST, LAST_S, OUT_AH, PLACE, ROW, STATE, Joined, join_parts
from hotchpot.bench.logs.logremarks import log_remarks
from hotchpot.bench.logs.logrestart import Restart, over_restarts
from hotchpot.bench.logs.logscale import Scale
from hotchpot.bench.logs.logstore import PointStore, TemperatureStore, among
from hotchpot.bench.trace import Flow, Jump, Log, Piece, Trace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Points = tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]

MOST_TRACE = 2000
_END_ROWS = 300
_FLOWS = {-1: Flow.CHARGE, 0: Flow.REST, 1: Flow.DISCHARGE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Folded:
    """All that a fold has gathered."""

    name: str
    unit: str
    rows: int
    parts: Floats
    scale: Scale
    cleaner: Cleaner
    lines: LineBook
    points: PointStore
    warmth: TemperatureStore
    jumps: JumpFinder
    absorbed_s: float


def finished_log(folded: Folded) -> Log:
    """Return the log of all that was gathered."""
    stale = folded.jumps.stale_places()
    points = folded.points.points(stale)
    parts, restarts = over_restarts(folded.parts, points, scale=folded.scale)
    joined = join_parts(parts, scale=folded.scale)
    pieces = _pieces(folded, joined, points, restarts)
    steps = tuple(_jump(folded, window, stale) for window in folded.jumps.steady(stale))
    out_ah, in_ah, out_wh, in_wh = (float(x) for x in folded.parts[:, OUT_AH : OUT_AH + 4].sum(axis=0))
    absorbed_s = max(joined.absorbed_s, folded.absorbed_s)
    return Log(
        name=folded.name,
        rows=folded.rows,
        span_s=float(folded.parts[-1, LAST_S] - folded.parts[0, FIRST_S]),
        out_ah=out_ah,
        in_ah=in_ah,
        out_wh=out_wh,
        in_wh=in_wh,
        pieces=pieces,
        jumps=steps,
        remarks=log_remarks(
            folded.name, folded.cleaner, folded.lines, restarts=restarts, stale=stale.size, absorbed_s=absorbed_s
        ),
    )


def _pieces(folded: Folded, joined: Joined, points: Points, restarts: Sequence[Restart]) -> tuple[Piece, ...]:
    import numpy as np

    parts = joined.parts
    starts, ends = _borders(parts)
    next_rows = np.append(parts[1:, ROW], folded.rows)
    gap_s = np.zeros(len(parts))
    lost = [(gap.start_s, gap.end_s - gap.start_s) for gap in folded.cleaner.gaps]
    lost += [(one.at_s, one.off_s) for one in restarts if one.joined and one.off_s is not None]
    where = np.searchsorted(starts, [start_s for start_s, _ in lost], side="right") - 1
    np.add.at(gap_s, where, [seconds for _, seconds in lost])
    pieces = []
    for k, part in enumerate(parts):
        warm = folded.warmth.mean(int(part[ROW]), int(next_rows[k]))
        out_ah, in_ah, out_wh, in_wh = (float(x) for x in part[OUT_AH : OUT_AH + 4])
        pieces.append(
            Piece(
                flow=_FLOWS[int(part[STATE])],
                unit=folded.unit,
                line=folded.lines.line(int(part[ROW])),
                start_s=float(starts[k]),
                end_s=float(ends[k]),
                out_ah=out_ah,
                in_ah=in_ah,
                out_wh=out_wh,
                in_wh=in_wh,
                trace=_trace(points, part, warm),
                gap_s=float(gap_s[k]),
            )
        )
    return tuple(pieces)


def _borders(parts: Floats) -> tuple[Floats, Floats]:
    """Return where pieces begin and end, in time: a rest reaches to the last and the first sample of its neighbours."""
    import numpy as np

    rests_next = np.append(parts[1:, STATE] == 0, True)
    ends = np.where(rests_next, parts[:, LAST_S], np.append(parts[1:, FIRST_S], parts[-1, LAST_S]))
    return np.append(parts[0, FIRST_S], ends[:-1]), ends


def _trace(points: Points, part: Floats, warm: float | None) -> Trace:
    """Return the kept samples of a piece, thinned in the middle; charge counts from its first sample."""
    import numpy as np

    places, t, v, a, ah = points
    low, high = np.searchsorted(places, np.array([part[PLACE], part[LAST] + 1]).astype(np.int64))
    at = np.arange(low, high)
    if at.size > MOST_TRACE:
        middle = np.linspace(_END_ROWS, at.size - _END_ROWS - 1, MOST_TRACE - 2 * _END_ROWS).astype(np.int64)
        at = low + np.concatenate([np.arange(_END_ROWS), middle, np.arange(at.size - _END_ROWS, at.size)])
    if not at.size:  # so many changes that nothing of this stretch was kept
        span = np.array([part[FIRST_S], part[LAST_S]])
        net = np.array([0.0, part[OUT_AH] - part[IN_AH]])
        hours = max(float(span[1] - span[0]) / 3600.0, 1e-9)
        return Trace(time_s=span, volts=np.full(2, np.nan), amps=np.full(2, net[1] / hours), ah=net, temperature_c=warm)
    return Trace(time_s=t[at], volts=v[at], amps=a[at], ah=ah[at] - ah[at[0]], temperature_c=warm)


def _jump(folded: Folded, window: Window, stale: NDArray[np.int64]) -> Jump:
    import numpy as np

    traces = []
    for t, v, a, places in (window.before, window.joined()):
        counted = np.concatenate([[0.0], np.cumsum(0.5 * (a[1:] + a[:-1]) * np.diff(t)) / 3600.0])
        volts = np.where(among(places, stale), np.nan, v)
        traces.append(Trace(time_s=t, volts=volts, amps=a, ah=counted))
    # The step's line: rows and places differ by what was dropped before it, which the parts know.
    parts = folded.parts
    k = max(int(np.searchsorted(parts[:, PLACE], window.place, side="right")) - 1, 0)
    row = int(parts[k, ROW] + window.place - parts[k, PLACE])
    return Jump(
        unit=folded.unit,
        line=folded.lines.line(min(row, folded.rows - 1)),
        time_s=window.time_s,
        before=traces[0],
        after=traces[1],
    )
