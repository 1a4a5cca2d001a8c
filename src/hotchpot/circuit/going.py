"""A run under way: the arrays that the march works on, and what has happened so far."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hotchpot.circuit import layout as at
from hotchpot.circuit.arrays import Units
from hotchpot.circuit.drive import Drive, Stop
from hotchpot.circuit.guards import Electronics, Fuse
from hotchpot.circuit.net import Net
from hotchpot.circuit.record import Event

if TYPE_CHECKING:
    import numpy as np

_LEAST_CHUNK, _SPARE = 64, 16
_CHUNK_NUMBERS = 8_000_000  # that one block of records holds at most
_NO_CEILING_V = 1e9
_LEAST_WARM_S, _MOST_WARM_S = 1.0, 300.0
FULL = 1.0 + 1e-9

Chunk = tuple[at.Floats, at.Floats, at.Floats]


@dataclass(slots=True)
class Going:
    """
    All that changes in a run; the arrays are those of `march`.

    `table` is the drive's, with the loads set to nought while they are cut off. `held_open` names the units whose
    electronics have opened, and why; `noted` counts what was told of single units.
    """

    units: Units
    net: Net
    drive: Drive
    stop: Stop
    fuses: Sequence[Fuse]
    electronics: Mapping[str, Electronics]
    states: at.Floats
    sums: at.Floats
    heats: at.Floats
    fuse_rows: at.Floats
    work: at.Floats
    spare: at.Floats
    decays: at.Floats
    known: np.ndarray
    table: at.Floats
    limits: at.Floats
    whole: at.Floats
    clock: at.Floats
    how: at.Floats
    switches: np.ndarray
    bank: at.Floats
    extremes: at.Floats
    stage: str = ""
    shed: bool = False
    parted: bool = False
    shed_since_s: float = 0.0
    back_from_s: float = math.inf
    absorb_until_s: float = math.inf
    held_before_s: float = 0.0
    unmet_ws: float = 0.0
    held_open: dict[int, str] = field(default_factory=dict)
    noted: dict[str, int] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    chunks: list[Chunk] = field(default_factory=list)

    @property
    def now_s(self) -> float:
        """The time that stands. [s]"""
        return float(self.clock[at.C_TIME])

    @property
    def side(self) -> int:
        """Which of the two states stands."""
        return int(self.clock[at.C_SIDE])

    @property
    def state(self) -> at.Floats:
        """The units' states and sums, shape (X_ROWS, n)."""
        standing: at.Floats = self.states[self.side]
        return standing

    def wait(self) -> None:
        """Set the clock to stop at whatever is waited for next."""
        self.how[at.O_STOP_S] = min(self.back_from_s, self.absorb_until_s)

    def tell(
        self,
        kind: str,
        unit: int | None = None,
        value: float | None = None,
        name: str | None = None,
        amps: float | None = None,
    ) -> Event:
        """Note that something happened now; return it."""
        event = Event(kind, self.now_s, self.units.ids[unit] if unit is not None else name, value, amps)
        self.events.append(event)
        return event

    def march(self) -> int:
        """March until something must be decided; return why it stopped."""
        import numpy as np

        from hotchpot.circuit.march import march

        n = len(self.units.ids)
        times, both, each = np.empty(size := self._room()), np.empty((2, size)), np.empty((self._kept, size, n))
        self.clock[at.C_COUNT] = 0
        net = self.net
        code = march(
            self.units.params, self.units.tables, net.tree, net.mesh, self.states, self.sums, self.heats,
            self.fuse_rows, self.work, self.spare, self.decays, self.extremes, self.known, self.drive.edges, self.table,
            self.limits, self.whole, self.clock, self.how, self.switches, times, both, each, self.bank,
        )  # fmt: skip
        count = int(self.clock[at.C_COUNT])
        if count:
            chunk = (times[:count], both[:, :count], each[:, :count])
            self.chunks.append(chunk if 2 * count > size else (chunk[0].copy(), chunk[1].copy(), chunk[2].copy()))
        return int(code)

    @property
    def _kept(self) -> int:
        """How many rows of the units are recorded: temperatures only where they change."""
        return at.RECORD_UNITS if self.switches[at.Z_WARM] else at.RECORD_COLD

    def _room(self) -> int:
        """Return how many records the next block should hold: what is left of the drive, in moderation."""
        each_s = float(self.how[at.O_RECORD_S] or self.how[at.O_STEP_S])
        left = math.ceil((self.drive.seconds - self.now_s) / each_s) + _SPARE
        return max(_LEAST_CHUNK, min(left, _CHUNK_NUMBERS // (4 * len(self.units.ids))))

    def recorded(self) -> Chunk:
        """Return all that was recorded, and the moment that stands at the end."""
        import numpy as np

        n = len(self.units.ids)
        chunks = self.chunks or [(np.zeros(0), np.zeros((2, 0)), np.zeros((self._kept, 0, n)))]
        times, both, each = (
            chunks[0]
            if len(chunks) == 1
            else tuple(np.concatenate([c[i] for c in chunks], axis=i and 1) for i in range(3))
        )
        if not times.size or times[-1] < self.now_s or self.held_open or self.parted:
            work, state = self.work, self.state
            last = np.stack([work[at.W_I], work[at.W_U], state[at.SOC], state[at.TEMP]])[: self._kept]
            times = np.append(times, self.now_s)
            both = np.concatenate([both, [[self.bank[1]], [self.bank[0]]]], axis=1)
            each = np.concatenate([each, last[:, None, :]], axis=1)
        return times, both, each


def begin(
    units: Units,
    net: Net,
    drive: Drive,
    stop: Stop,
    *,
    fuses: Sequence[Fuse],
    fuse_nodes: Sequence[int],
    electronics: Mapping[str, Electronics],
    how: Sequence[float],
) -> Going:
    """Return a run that has not begun yet; `how` is ambient, step, fall and time between records."""
    import numpy as np

    n = len(units.ids)
    rows = np.array([[node, f.amps**2, f.tau_s, f.trip] for f, node in zip(fuses, fuse_nodes, strict=True)])
    whole = np.full(at.B_ROWS, -np.inf)
    whole[at.B_HIGH_V], whole[at.B_CEILING_V], whole[at.B_CEILING_PER_K] = np.inf, _NO_CEILING_V, 0.0
    if stop.low_v is not None:
        whole[at.B_LOW_V] = stop.low_v
    if stop.settled_a is not None:
        whole[at.B_SETTLED_A] = stop.settled_a
    work = np.zeros((at.W_ROWS, n))
    curves = units.tables.by_charge[units.tables.kind, :, 0]
    point = (np.clip(units.first[at.SOC], 0.0, 1.0) * at.GRID).astype(np.int64)
    work[at.W_U] = units.params[at.CELLS] * curves[np.arange(n), point]
    switches = units.switches.copy()
    switches[at.Z_MESH] = net.is_mesh
    return Going(
        units=units,
        net=net.own_copy(),
        drive=drive,
        stop=stop,
        fuses=fuses,
        electronics=electronics,
        states=np.stack([units.first, units.first]),
        sums=np.zeros((2, at.S_ROWS)),
        heats=np.zeros((2, len(fuses))),
        fuse_rows=np.ascontiguousarray(rows.reshape(-1, 4).T),
        work=work,
        spare=np.zeros((at.V_ROWS, n)),
        decays=np.zeros((at.LEVELS + 1, at.D_ROWS, n)),
        known=np.zeros(at.LEVELS + 1, dtype=np.bool_),
        table=drive.table.copy(),
        limits=_limits(units, stop, electronics),
        whole=whole,
        clock=np.zeros(at.C_ROWS),
        how=np.array([*how, _warm_s(units), np.inf]),
        switches=switches,
        bank=np.zeros(3),
        extremes=_no_extremes(n),
    )


def _no_extremes(n: int) -> at.Floats:
    import numpy as np

    none = np.zeros((at.EXTREMES, n))
    none[at.X_HIGH_V] = none[at.X_HOT_C] = -np.inf
    none[at.X_LOW_V] = np.inf
    return none


def _warm_s(units: Units) -> float:
    """Return how often to look at what warmth does: a sixtieth of the time in which the quickest unit warms. [s]"""
    import numpy as np

    heat, cooling = units.params[at.HEAT_J_K], units.params[at.COOL_W_K]
    slow = np.divide(heat, cooling, out=np.full_like(heat, _MOST_WARM_S * 60.0), where=cooling > 0.0)
    return float(np.clip(slow.min() / 60.0, _LEAST_WARM_S, _MOST_WARM_S))


def _limits(units: Units, stop: Stop, electronics: Mapping[str, Electronics]) -> at.Floats:
    """Return what every unit is watched for: empty, full, reversed, its own lowest voltage, its electronics' limits."""
    import numpy as np

    limits = np.full((at.L_ROWS, len(units.ids)), math.inf)
    limits[at.L_LOW_V] = limits[at.L_AVAIL] = 0.0
    limits[at.L_FULL] = FULL
    limits[at.L_HOT_C] = stop.hot_c
    for k, name in enumerate(units.ids):
        low, own = stop.unit_low_v.get(name), electronics.get(name)
        if low is not None:
            limits[at.L_LOW_V, k] = low * units.params[at.CELLS, k]
        if own is not None:
            limits[at.L_LOW_V, k] = max(limits[at.L_LOW_V, k], own.low_v)
            limits[at.L_HIGH_V, k] = own.high_v
            limits[at.L_OUT_A, k] = limits[at.L_IN_A, k] = own.most_a
    return limits
