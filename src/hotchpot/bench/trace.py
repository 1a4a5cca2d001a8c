"""
A trace: volts and amps of one unit against time, from a notebook or a logger; and a log, a file's pieces and faults.

Current is positive on discharge. Charge is counted with the trapezium rule where the samples were taken, so a thinned
trace keeps the whole file's count in `ah`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from hotchpot.bench.remark import Remark

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """
    Samples of one unit in the order of time, all arrays of shape (n,).

    `time_s` from any zero [s]; `volts` [V], NaN where the reading is not to be used (the instant of switching);
    `amps`, positive on discharge [A]; `ah`, charge drawn since the first sample [Ah]; `temperature_c` the mean of the
    unit over the trace, None where it was not read [°C].
    """

    time_s: NDArray[np.float64]
    volts: NDArray[np.float64]
    amps: NDArray[np.float64]
    ah: NDArray[np.float64]
    temperature_c: float | None = None

    @property
    def hours(self) -> float:
        """Length of the trace. [h]"""
        return float(self.time_s[-1] - self.time_s[0]) / 3600.0

    @property
    def drawn_ah(self) -> float:
        """Charge drawn over the whole trace; negative when it was charged. [Ah]"""
        return float(self.ah[-1] - self.ah[0])

    @property
    def mean_a(self) -> float:
        """Charge over time. [A]"""
        return self.drawn_ah / self.hours


def trace_of(
    time_s: Sequence[float] | NDArray[np.float64],
    volts: Sequence[float] | NDArray[np.float64],
    amps: Sequence[float] | NDArray[np.float64] | float,
    *,
    ah: Sequence[float] | NDArray[np.float64] | None = None,
    temperature_c: float | None = None,
) -> Trace:
    r"""
    Return a trace of samples, counting its charge where none was counted.

    Parameters
    ----------
    time_s, volts : array_like, shape (n,)
        Samples; time must not fall. [s], [V]
    amps : array_like, shape (n,) or scalar
        Current, positive on discharge. [A]
    ah : array_like, shape (n,), optional
        Charge counted by whoever had all samples; by the trapezium rule here when None. [Ah]
    temperature_c : float, optional
        Mean temperature of the unit. [°C]

    Notes
    -----
    .. math:: Q_j = \sum_{i=1}^{j} \tfrac12 (I_{i-1} + I_i)(t_i - t_{i-1}) / 3600

    Examples
    --------
    >>> trace_of([0, 3600, 7200], [12.8, 12.4, 11.9], 5.0).drawn_ah
    10.0
    """
    import numpy as np

    t, v = np.asarray(time_s, dtype=float), np.asarray(volts, dtype=float)
    i = np.broadcast_to(np.asarray(amps, dtype=float), t.shape)
    if ah is None:
        counted = np.concatenate([[0.0], np.cumsum(0.5 * (i[1:] + i[:-1]) * np.diff(t)) / 3600.0])
    else:
        counted = np.asarray(ah, dtype=float)
    return Trace(time_s=t, volts=v, amps=i, ah=counted, temperature_c=temperature_c)


class Flow(StrEnum):
    """What happens in a piece of a log."""

    DISCHARGE = "discharge"
    CHARGE = "charge"
    REST = "rest"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """
    A stretch of a log with current one way, or none.

    Charge and energy are counted over every sample of the file, positive out and positive in. `trace` is thinned to
    what an estimator needs. `line` is the file's line of the first sample. `gap_s` is the time inside it that no
    sample covers.
    """

    flow: Flow
    unit: str
    line: int
    start_s: float
    end_s: float
    out_ah: float
    in_ah: float
    out_wh: float
    in_wh: float
    trace: Trace
    gap_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Jump:
    """A step of the current with what was sampled around it at full rate: `before` and `after` the step at `time_s`."""

    unit: str
    line: int
    time_s: float
    before: Trace
    after: Trace


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log:
    """
    A logger's file as the bench takes it: its pieces and current steps in order, what was found wrong, how many rows.

    `out_ah` to `in_wh` are counted over the whole file, each interval by the sign of its mean current, rests included.
    `start` is the clock time of the first sample where the file has one (ISO 8601).
    """

    name: str
    rows: int
    span_s: float
    out_ah: float
    in_ah: float
    out_wh: float
    in_wh: float
    pieces: tuple[Piece, ...]
    jumps: tuple[Jump, ...] = ()
    remarks: tuple[Remark, ...] = ()
    start: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
