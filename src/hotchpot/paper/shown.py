"""What a chart of a trial shows: its panels, the limits that findings name, the moments at which something turns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.circuit.record import Event
from hotchpot.trial.openings import MAIN
from hotchpot.trial.outcome import Trial

if TYPE_CHECKING:
    import numpy as np

MOST_MOMENTS = 8
STAGES = ("absorb", "float", "bulk")  # of the charger
NEAR = 1.5  # a limit that holds is drawn where it is no farther than this from what was reached
LEAST_FRAC, LEAST_A, LEAST_PERCENT = 5e-3, 0.01, 1.0  # of an axis: part of the volts, amps, percent
MOST_VOLTS = 4  # units of a panel of their volts
ALIKE_V = 2.0  # and only such as stand at like volts
OF_VOLTS = ("trial-over-voltage", "trial-low-volts", "trial-internal-short", "trial-reversed")
TIMES = (
    (180.0, 1.0, "s"),
    (2.0 * 3600.0, 60.0, "min"),
    (4.0 * 86_400.0, 3600.0, "h"),
    (float("inf"), 86_400.0, "days"),
)
HAPPENED = {
    "loads-off": "loads off", "loads-on": "loads on again", "absorb": "charger at its volts",
    "float": "charger to float", "bulk": "charger begins again", "electronics-low": "protection of {unit} opens, low",
    "electronics-high": "protection of {unit} opens, high", "electronics-amps": "protection of {unit} opens, current",
    "reversed": "{unit} turned round", "fuse": "fuse of {unit} opens", "cut-off": "cut off", "charged": "charged",
    "settled": "settled",
    "open": "nothing flows any more",
    "collapse": "collapses", "unit-low": "{unit} at its lowest", "hot": "{unit} too hot",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit in a panel: its value, the unit held against it, its words, and whether it is an upper one."""

    value: float
    unit: str
    name: str
    says: str
    upper: bool


@dataclass(frozen=True, slots=True)
class Panel:
    """
    A panel: its heading, its lines by name, with the place of each among the units drawn (none for the bank).

    `least` is the least height of its axis: less is no change that anybody reads off a bank.
    """

    title: str
    lines: tuple[tuple[str, np.ndarray, int | None], ...]
    limits: tuple[Limit, ...] = ()
    least: float = 0.0


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment at which something opened, was shed or turned; `more` is how many later ones it stands for."""

    time_s: float
    says: str
    more: int = 0


def panels_of(trial: Trial, shown: tuple[int, ...]) -> list[Panel]:
    """Return the panels of a chart from the top: bank, amps, volts where these are the matter, charge."""
    record = trial.record
    units = [(record.ids[k], k, place) for place, k in enumerate(shown)]
    panels = [Panel("bank, V", (("bank", record.volts, None),), least=LEAST_FRAC * float(abs(record.volts).max()))]
    amps = tuple((name, record.unit_amps[:, k], place) for name, k, place in units)
    panels.append(Panel("units, A  (+ gives, − takes)", amps, tuple(amps_limits(trial, shown)), LEAST_A))
    strained = strained_volts(trial)
    if strained:
        lines = tuple((name, record.unit_volts[:, k], place) for name, k, place in units if name in strained)
        panels.append(Panel("units found fault with, V", lines, tuple(_volts_limits(trial, strained))))
    charge = tuple((name, 100.0 * record.soc_frac[:, k], place) for name, k, place in units)
    return [*panels, Panel("charge, %", charge, least=LEAST_PERCENT)]


def amps_limits(trial: Trial, shown: tuple[int, ...]) -> list[Limit]:
    """Return the limits of current that findings hold units against; those that hold only where they are near."""
    record = trial.record
    places = {record.ids[k]: k for k in shown}
    limits: dict[tuple[str, bool], Limit] = {}
    for found in trial.notable:
        if found.unit != "A" or not found.limit or found.value is None or len(found.subject) != 1:
            continue
        name = found.subject[0]
        if name not in places or (found.verdict is Verdict.FINE and found.limit > NEAR * abs(found.value)):
            continue
        amps = record.unit_amps[:, places[name]]
        out, into = float(amps.max()), float(-amps.min())
        gives = abs(out - abs(found.value)) <= abs(into - abs(found.value))
        limits.setdefault((name, gives), _limit(found, found.limit if gives else -found.limit, upper=gives))
    return list(limits.values())


def _volts_limits(trial: Trial, strained: tuple[str, ...]) -> list[Limit]:
    limits: dict[tuple[str, float], Limit] = {}
    for found in trial.notable:
        if found.code in OF_VOLTS and found.unit == "V" and found.limit and found.subject[0] in strained:
            upper = found.code == "trial-over-voltage"
            limits.setdefault((found.code, found.limit), _limit(found, found.limit, upper=upper))
    return list(limits.values())


def _limit(found: Finding, value: float, *, upper: bool) -> Limit:
    unit, figure = found.subject[0], f"{abs(value):.3g} {found.unit}"
    return Limit(value, unit, f"limit of {short(unit)} {figure}", f"{found.quantity}, {unit}: {figure}", upper)


def strained_volts(trial: Trial) -> tuple[str, ...]:
    """Return the units whose volts are what findings find fault with, the weightiest first; of like volts only."""
    record = trial.record
    places = {record.ids[k]: k for k in trial.telling(6)}
    named = [
        name
        for found in trial.notable
        if found.code in OF_VOLTS and found.verdict.rank >= Verdict.ONLY_IF.rank
        for name in found.subject
        if name in places
    ]
    named = list(dict.fromkeys(named))[:MOST_VOLTS]
    most = {name: float(abs(record.unit_volts[:, places[name]]).max()) for name in named}
    return tuple(name for name in named if most[named[0]] / ALIKE_V <= most[name] <= ALIKE_V * most[named[0]])


def moments(trial: Trial) -> list[Moment]:
    """
    Return when something opened, was shed or changed stage; what merely runs empty or full is seen in the lines.

    A charger's stages come back day by day: of each the first is told, and how often it comes again.
    """
    turns = [event for event in trial.record.events if event.kind not in ("empty", "full", "time")]
    told = [event for event in turns if event.kind not in STAGES]
    kept = [Moment(event.time_s, _said(event)) for event in told[:MOST_MOMENTS]]
    if len(told) > len(kept):
        kept[-1] = replace(kept[-1], more=len(told) - len(kept))
    for kind in STAGES:
        same = [event for event in turns if event.kind == kind]
        again = {1: "", 2: ", and once more"}.get(len(same), f", and {len(same) - 1} times more")
        kept += [Moment(event.time_s, f"{_said(event)}{again}") for event in same[:1]]
    return sorted(kept, key=lambda one: one.time_s)


def _said(event: Event) -> str:
    if event.kind == "fuse" and event.unit == MAIN:
        return "main fuse opens"
    words = HAPPENED.get(event.kind, event.kind.replace("-", " "))
    return words.format(unit=event.unit or "the bank")


def time_scale(seconds: float) -> tuple[float, str]:
    """Return the seconds of the unit of time that reads best over a run, and its name."""
    return next((scale, name) for most, scale, name in TIMES if seconds <= most)


def time_text(seconds: float) -> str:
    """
    Return a stretch of time in the unit that reads best.

    >>> time_text(90.0), time_text(3600.0 * 2.5), time_text(86_400.0 * 365)
    ('90 s', '2.5 h', '365 days')
    """
    scale, unit = time_scale(seconds)
    value = seconds / scale
    return f"{value:.3g} {unit}" if value < 999.5 else f"{value:.0f} {unit}"


def short(name: str) -> str:
    """Return a unit's name as it fits beside a line."""
    return name if len(name) <= 9 else f"{name[:8]}…"
