r"""
The circuit of a pulse as numbers: what each part of it would add to the voltage, and the least squares of their sum.

The state of an RC pair is stepped exactly between samples, with the current held at the later sample's value where it
steps, and straight between samples where it does not:

.. math::
    x_i = a x_{i-1} + (1-a) I_i \quad\text{or}\quad
    x_i = a x_{i-1} + I_i - a I_{i-1} - \frac{I_i - I_{i-1}}{\Delta t}\,\tau (1-a), \qquad a = e^{-\Delta t/\tau}
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bench.trace import Trace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STEP_FRAC = 0.2  # of the largest current: a larger change between two samples is a step, not a ramp
_LEAST_SAMPLES = 6


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """
    A pulse made ready for fitting.

    `drawn_ah` is the charge since the first sample; `stepped` (n - 1,) marks where the current steps from one sample to
    the next, `use` the samples with a voltage; `open_v` is the last voltage before the pulse, `fall_v` the fall below
    it, `rounding_v` the logger's last digit as far as the samples show it.
    """

    time_s: Floats
    amps: Floats
    drawn_ah: Floats
    stepped: NDArray[np.bool_]
    use: NDArray[np.bool_]
    open_v: float
    fall_v: Floats
    rounding_v: float

    @property
    def count(self) -> int:
        """Samples with a voltage."""
        return int(self.use.sum())

    @property
    def span_s(self) -> float:
        """From the beginning of the pulse to the end of the trace. [s]"""
        import numpy as np

        first = int(np.argmax(np.abs(self.amps) > STEP_FRAC * np.abs(self.amps).max()))
        return float(self.time_s[-1] - self.time_s[max(0, first - 1)])

    @property
    def blind_s(self) -> float:
        """Between the samples either side of a step, mean of the steps: where in it, nobody knows; 0 for a ramp. [s]"""
        import numpy as np

        return float(np.diff(self.time_s)[self.stepped].mean()) if self.stepped.any() else 0.0

    @property
    def shortest_s(self) -> float:
        """The shortest interval between samples. [s]"""
        import numpy as np

        gaps = np.diff(self.time_s)
        return float(gaps[gaps > 0.0].min())

    def carries(self, pairs: int) -> bool:
        """Whether there are samples enough for this many pairs."""
        return self.count >= _LEAST_SAMPLES + 4 * pairs and (pairs == 0 or self.span_s > 3.0 * self.shortest_s)

    def columns(self, taus: tuple[float, ...]) -> Floats:
        """Return what each part adds to the fall of voltage: base, drift, R0, each pair; shape (n, 3 + pairs)."""
        import numpy as np

        parts = [-np.ones_like(self.amps), self.drawn_ah, self.amps, *(self._slow(tau) for tau in taus)]
        return np.stack(parts, axis=1)[self.use]

    def _slow(self, tau_s: float) -> Floats:
        """Return the current in the resistor of an RC pair at each sample. [A]"""
        import numpy as np

        dt = np.diff(self.time_s)
        decay = np.exp(-dt / tau_s)
        rise = np.diff(self.amps)
        slope = np.where(self.stepped | (dt <= 0.0), 0.0, rise / np.where(dt > 0.0, dt, 1.0))
        held = (1.0 - decay) * self.amps[1:]
        ramp = self.amps[1:] - decay * self.amps[:-1] - slope * tau_s * (1.0 - decay)
        driven = np.where(self.stepped, held, ramp).tolist()
        state, states = 0.0, [0.0]
        for a, add in zip(decay.tolist(), driven, strict=True):
            state = a * state + add
            states.append(state)
        return np.array(states)

    def solve(self, taus: tuple[float, ...]) -> tuple[Floats, float]:
        """Return the linear part for given time constants (only its base may be negative) and the squares left."""
        return self._solved(self.columns(taus))

    def _solved(self, columns: Floats) -> tuple[Floats, float]:
        import numpy as np
        from scipy.optimize import nnls  # type: ignore[import-untyped]  # scipy ships no types

        fall = self.fall_v[self.use]
        means, mean = columns[:, 1:].mean(axis=0), float(fall.mean())
        centred = columns[:, 1:] - means
        scale = np.linalg.norm(centred, axis=0)
        scale[scale == 0.0] = 1.0
        scaled, left = nnls(centred / scale, fall - mean)
        rest = scaled / scale
        base = float(means @ rest) - mean
        return np.concatenate([[base], rest]), float(left) ** 2

    def residual(self, taus: tuple[float, ...]) -> Floats:
        """Return what the best circuit with these time constants leaves of each sample. [V]"""
        columns = self.columns(taus)
        left: Floats = self.fall_v[self.use] - columns @ self._solved(columns)[0]
        return left

    def sds(self, taus: tuple[float, ...], linear: Floats, left: float) -> list[float]:
        r"""
        Return the standard deviation of each parameter: base, drift, R0, pairs, and each time constant's logarithm.

        :math:`s^2 (J^T J)^{-1}` with the rounding as the least *s*; infinite where the samples do not hold a parameter.
        """
        import numpy as np

        columns, step = self.columns(taus), 1e-4
        by_tau = []
        for j, tau in enumerate(taus):
            moved = (tau * math.exp(step), tau * math.exp(-step))
            up, down = (self._slow(t)[self.use] for t in moved)
            by_tau.append(linear[3 + j] * (up - down) / (2.0 * step))
        jacobian = np.column_stack([columns, *by_tau]) if by_tau else columns
        scale = np.linalg.norm(jacobian, axis=0)
        held = scale > 0.0
        freedom = max(1, self.count - int(held.sum()))
        variance = max(left / freedom, self.rounding_v**2 / 12.0)
        sds = np.full(scale.size, math.inf)
        normal = jacobian[:, held] / scale[held]
        inverse = np.linalg.pinv(normal.T @ normal, rcond=1e-13)
        sds[held] = np.sqrt(variance * np.clip(np.diag(inverse), 0.0, None)) / scale[held]
        return [float(sd) for sd in sds]


def pulse_of(trace: Trace) -> Pulse | None:
    """Return a trace made ready for fitting, or None where it holds no pulse from rest with enough samples."""
    import numpy as np

    use = np.isfinite(trace.volts)
    most = float(np.abs(trace.amps).max()) if trace.amps.size else 0.0
    if most == 0.0 or int(use.sum()) < _LEAST_SAMPLES or trace.time_s[-1] <= trace.time_s[0]:
        return None
    loaded = np.abs(trace.amps) > STEP_FRAC * most
    first = int(np.argmax(loaded))
    before = use[:first]
    if not before.any() or not (use & loaded).any():
        return None
    open_v = float(trace.volts[:first][before][-1])
    levels = np.unique(np.round(trace.volts[use], 9))
    rounding = float(np.diff(levels).min()) if levels.size > 1 else 0.0
    stepped = np.abs(np.diff(trace.amps)) > STEP_FRAC * most
    return Pulse(
        time_s=trace.time_s,
        amps=trace.amps,
        drawn_ah=_drawn_ah(trace, stepped),
        stepped=stepped,
        use=use,
        open_v=open_v,
        fall_v=np.where(use, open_v - trace.volts, 0.0),
        rounding_v=rounding,
    )


def _drawn_ah(trace: Trace, stepped: NDArray[np.bool_]) -> Floats:
    """
    Return the charge drawn since the first sample. [Ah]

    The trapezium rule takes half a step's current over its interval; here it has flowed for the whole of it, so a count
    by that rule is mended. One that the samples do not explain is left: whoever made it saw more.
    """
    import numpy as np

    hours = np.diff(trace.time_s) / 3600.0
    counted: Floats = trace.ah - trace.ah[0]
    by_rule: Floats = np.append(0.0, np.cumsum(0.5 * (trace.amps[1:] + trace.amps[:-1]) * hours))
    if not np.allclose(counted, by_rule, rtol=1e-6, atol=1e-9 * float(np.abs(counted).max())):
        return counted
    late: Floats = np.append(0.0, np.cumsum(0.5 * np.where(stepped, np.diff(trace.amps), 0.0) * hours))
    return by_rule + late
