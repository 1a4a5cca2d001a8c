"""
Whether a log shows a unit full before a run, and what a run is worth where it does not.

Rules: a charge has ended where its current is under C/20 at the charge voltage, and a rested lead unit is full at its
curve's end (common practice, no source; voltages from the chemistry files). All logs here are invented.
"""

from __future__ import annotations

import math

import pytest

from hotchpot.bench import Log, Piece, Quantity, Study, state_of, study, trace_of
from hotchpot.bench.trace import Flow
from hotchpot.pile.reading import Reading, ReadingKind
from hotchpot.pile.unit import Unit

AGM = Unit(id="A1", chemistry="lead_agm", cells=6, rated_ah=100, rated_hours=20)
NICKEL = Unit(id="A1", chemistry="nicd", cells=10, rated_ah=100, rated_hours=5)
RESISTANCE_V = 0.03  # of the invented unit at the current of its run


def piece(flow: Flow, hours: float, volts: tuple[float, ...], amps: tuple[float, ...], since_h: float) -> Piece:
    """Return a stretch of a log with evenly spaced samples."""
    n = len(volts)
    times = [3600.0 * (since_h + hours * k / (n - 1)) for k in range(n)]
    trace = trace_of(times, volts, amps, temperature_c=25.0)
    drawn = trace.drawn_ah
    return Piece(
        flow=flow, unit="A1", line=1, start_s=times[0], end_s=times[-1], out_ah=max(drawn, 0.0), in_ah=max(-drawn, 0.0),
        out_wh=12.0 * max(drawn, 0.0), in_wh=14.0 * max(-drawn, 0.0), trace=trace,
    )  # fmt: skip


def run(hours: float, amps: float = 5.0, since_h: float = 0.0, scale: float = 1.0) -> Piece:
    """Return a discharge of a lead unit, straight down to a knee and to 10.5 V; the volts times `scale`."""
    knee = [12.6 - 1.4 * k / 36 for k in range(37)] + [11.0, 10.8, 10.6, 10.5]
    return piece(Flow.DISCHARGE, hours, tuple(scale * v for v in knee), (amps,) * 41, since_h)


def rest(hours: float, volts: float, since_h: float = 0.0) -> Piece:
    """Return a rest."""
    return piece(Flow.REST, hours, (volts,) * 10, (0.0,) * 10, since_h)


def charge(hours: float, amps: float, top_v: float, tail_a: float, since_h: float = 0.0) -> Piece:
    """Return a charge that ends at `top_v` with `tail_a`."""
    volts = tuple(12.5 + (top_v - 12.5) * k / 29 for k in range(30))
    return piece(Flow.CHARGE, hours, volts, (-amps,) * 24 + (-tail_a,) * 6, since_h)


def read(*pieces: Piece, unit: Unit = AGM) -> Study:
    """Return the study of a unit by one log of these pieces, each after the other."""
    placed, since = [], 0.0
    for one in pieces:
        hours = (one.end_s - one.start_s) / 3600.0
        shifted = trace_of(one.trace.time_s + 3600.0 * since - one.start_s, one.trace.volts, one.trace.amps)
        placed.append(
            Piece(
                flow=one.flow, unit="A1", line=1, start_s=3600.0 * since, end_s=3600.0 * (since + hours),
                out_ah=one.out_ah, in_ah=one.in_ah, out_wh=one.out_wh, in_wh=one.in_wh, trace=shifted,
            )
        )  # fmt: skip
        since += hours
    log = Log(name="l", rows=9, span_s=3600.0 * since, out_ah=0, in_ah=0, out_wh=0, in_wh=0, pieces=tuple(placed))
    row = Reading(unit="A1", kind=ReadingKind.LOG, when="2026-11-10", file="l.csv", temperature_c=25.0)
    return study(unit, [row], logs={"l.csv": [log]})


def said(found: Study) -> set[str]:
    """Return the codes of all remarks."""
    return {remark.code for remark in found.remarks}


@pytest.mark.parametrize(
    ("before", "full"),
    [
        ((), False),
        ((rest(2, 12.45),), False),
        ((rest(2, 13.1),), True),
        ((charge(6, 10, 14.5, 1.0),), True),
        ((charge(6, 10, 14.5, 9.0),), False),
        ((charge(6, 10, 13.6, 1.0),), False),
        ((charge(12, 10, 13.6, 9.0),), True),
        ((charge(4, 10, 13.6, 9.0), rest(1, 13.1)), False),
        ((charge(4, 10, 13.6, 9.0), rest(24, 13.1)), True),
        ((rest(2, 13.1), piece(Flow.DISCHARGE, 2, (12.5, 12.2), (5.0, 5.0), 0.0)), False),
    ],
    ids=[
        "begins with the load", "rests half full", "rests full", "charged to the end", "charge cut short",
        "below the charge voltage", "more put in than it holds", "surface charge after a short charge",
        "rested a day after it", "used before the run",
    ],
)  # fmt: skip
def test_what_shows_a_unit_full(before: tuple[Piece, ...], full: bool) -> None:
    """A charge to its end, or a rest at full that is no surface charge, shows a unit full; nothing else does."""
    found = read(*before, run(12.0))
    assert ("full-not-shown" not in said(found)) is full
    capacity = found.told[Quantity.CAPACITY]
    assert ("may not have begun full" in {line.cause for line in capacity.budget}) is not full


def test_a_lower_bound_reaches_up_to_the_label() -> None:
    """60 Ah of 100, full not shown: the number stands, its doubt is the rectangle up to the label, (100 - Q)/√3."""
    known, doubted = read(rest(2, 13.1), run(12.0)), read(run(12.0))
    plain, bound = known.told[Quantity.CAPACITY], doubted.told[Quantity.CAPACITY]
    assert bound.value == pytest.approx(plain.value)
    assert plain.value is not None
    assert bound.sd == pytest.approx(math.hypot(plain.sd, (100 - plain.value) / math.sqrt(3)))
    assert bound.interval()[1] > 95
    assert state_of(AGM, year=2026, study=doubted).capacity_ah.sd > 20


def test_a_lower_bound_does_not_outvote_a_run_from_full() -> None:
    """A short first run beside one from full neither contradicts it nor pulls it down by more than 3 %."""
    found = read(run(12.0), charge(14, 8, 14.5, 0.5), rest(2, 13.1), run(18.0))
    assert "contradiction" not in said(found)
    full = next(e for e in found.estimates if e.quantity is Quantity.CAPACITY and e.facts["began_full"] == 1.0)
    assert full.value is not None
    assert found.told[Quantity.CAPACITY].value == pytest.approx(full.value, rel=0.03)


def test_a_doubt_is_handed_on() -> None:
    """A run after one that may not have begun full, with as much put back as was drawn, begins as doubtful as that."""
    found = read(run(12.0), charge(6, 11.2, 13.6, 9.0), run(11.5))
    began = [e.facts["began_full"] for e in found.estimates if e.quantity is Quantity.CAPACITY]
    assert began == [0.0, 0.0]


def test_a_known_beginning_is_handed_on() -> None:
    """After a run that was shown to begin full, with all of it put back, the next begins full too."""
    found = read(rest(2, 13.1), run(12.0), charge(6, 11.2, 13.6, 9.0), run(11.5))
    began = [e.facts["began_full"] for e in found.estimates if e.quantity is Quantity.CAPACITY]
    assert began == [1.0, 1.0]


def test_nickel_shows_nothing_by_its_rest() -> None:
    """The rest voltage of nickel follows its last use: it does not show a unit full; the amp-hours put in do."""
    downs = run(3.5, amps=20.0, scale=10.0 / 10.5)
    assert "full-not-shown" in said(read(rest(12, 14.0), downs, unit=NICKEL))
    assert "full-not-shown" not in said(read(charge(7, 20, 15.0, 20.0), downs, unit=NICKEL))


def test_a_curve_needs_a_known_beginning() -> None:
    """A slow run that may not have begun full gives no curve of the unit's own: where full lies on it is not known."""
    assert read(run(19.0)).curve is None
    assert read(rest(2, 13.1), run(19.0)).curve is not None
