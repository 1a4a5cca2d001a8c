"""A trial in a few plain sentences: how long, who carries most, who empties first, what is reversed, what is usable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.circuit.record import Record
from hotchpot.trial.look import ENDS, Figure, Look, span
from hotchpot.trial.openings import REASONS, fuse_a, whose
from hotchpot.trial.outcome import Trial
from hotchpot.trial.passed import possible

if TYPE_CHECKING:
    import numpy as np

ALIKE = 2e-3  # units that carry the same but for so much are named together
MOST_NAMED = 4
MOST_OPENED = 2  # openings told in the first sentences
MOST_TOLD = 2  # findings of one code told there
ALL_BUT_EMPTY = 0.005
EVEN = 0.02
BOUND_PERCENT = 3.0
DONE = {"charged": "the charger is done", "settled": "no unit carries a current that matters"}
NO_CURRENT_FRAC = 0.05  # of the unit's own current: below, its part of the bank's says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """
    What a trial comes to.

    `moments` is how many moments of the record a bank can have: the one at which a load collapses it is none. `ends`
    says why it ended, `lines` what matters first.
    """

    moments: int
    ends: str
    lines: tuple[str, ...]


def moments_of(record: Record) -> int:
    """Return how many moments of a record are possible: that of collapse is none."""
    if record.ended.kind == "collapse":
        return int((record.time_s < record.ended.time_s).sum())
    return len(record.time_s)


def tell(bank: Bank, trial: Trial, kind: str, plan: Plan | None = None) -> Telling:
    """
    Return a trial in plain words.

    Parameters
    ----------
    bank, trial
        The bank, and what came of it.
    kind : str
        What was tried: load, profile, charge, day or joining.
    plan : Plan, optional
        As it was tried with; without it nothing is said of taps.
    """
    look = Look(bank, trial.scenario, possible(trial.record), trial.shares, plan or Plan())
    said = _Said(look, trial, kind, moments_of(trial.record))
    return Telling(moments=said.moments, ends=said.ends, lines=tuple(said.lines()))


@dataclass(frozen=True, slots=True)
class _Said:
    look: Look
    trial: Trial
    kind: str
    moments: int

    @property
    def record(self) -> Record:
        return self.trial.record

    @property
    def ends(self) -> str:
        if self.record.ended.kind == "settled" and self.look.parted:
            return ENDS["parted"]
        return DONE.get(self.record.ended.kind, self.look.ends)

    def lines(self) -> Iterator[str]:
        yield from self.found("trial-plan-volts")
        yield from self.found("trial-start")
        if self.moments == 0:
            yield self.not_at_all()
            yield from self.opened()
            return
        if self.record.ended.time_s <= 0.0:
            yield self.at_once()
            yield from self.opened()
            return
        yield from {"charge": self.charged, "joining": self.joined, "day": self.lived}.get(self.kind, self.lasted)()
        yield from self.opened()
        yield from self.found("trial-short-charged")
        yield from self.found("trial-low-volts")
        yield self.carried()
        if self.kind in ("charge", "joining"):
            yield self.filled()
        else:
            yield self.emptied()
        if self.kind != "joining":
            yield from self.reversed()
        yield from self.found("trial-fuse-loaded")
        yield from self.found("trial-gas")

    def found(self, code: str) -> Iterator[str]:
        """Yield what the weightiest findings of a code say."""
        told = [finding for finding in self.trial.notable if finding.code == code]
        yield from [finding.says for finding in told[:MOST_TOLD]]
        if len(told) > MOST_TOLD:
            yield f"... and {len(told) - MOST_TOLD} more findings of that kind, below."

    def opened(self) -> Iterator[str]:
        """Yield what opened first: which, when, why and at how many amps."""
        events = [event for event in self.record.events if event.kind == "fuse" or event.kind in REASONS]
        for event in events[:MOST_OPENED]:
            at = "" if event.amps is None else f" at {_n(abs(event.amps))} A"
            when = "at the first moment" if event.time_s <= 0.0 else f"after {span(event.time_s)}"
            if event.kind == "fuse":
                yield f"{whose(event)} opens {when} at {_n(fuse_a(event, events))} A."
            else:
                yield f"{event.unit}'s protection opens {when}, {REASONS[event.kind]}{at}."
        if len(events) > MOST_OPENED:
            yield f"... and {len(events) - MOST_OPENED} more open after that."

    def at_once(self) -> str:
        ended, stop = self.record.ended, self.trial.scenario.stop
        if ended.kind == "settled":
            return "Nothing flows that matters, from the first moment on."
        volts = _n(float(self.record.volts[0]))
        at = f" at {_n(stop.low_v)} V" if ended.kind == "cut-off" and stop.low_v else ""
        return f"It ends at once: under this load the bank stands at {volts} V; what ends it: {self.ends}{at}."

    def not_at_all(self) -> str:
        ended = self.record.ended
        if ended.kind == "collapse" and ended.value is not None:
            return f"It cannot run at all: the bank gives {_n(ended.value)} W at most, whatever the voltage."
        return f"It cannot run at all: {self.ends}."

    def lasted(self) -> Iterator[str]:
        record, trial = self.record, self.trial
        whole = record.ended.kind == "time"
        took = f"; a charger brings {_n(record.bank_in_wh)} Wh" if record.bank_in_wh > 1e-3 * trial.given_wh else ""
        gives = f"gives {_n(trial.given_ah)} Ah, {_n(trial.given_wh)} Wh{took}"
        lasts = f"It lasts the whole {span(record.ended.time_s)}" if whole else f"It lasts {span(record.ended.time_s)}"
        yield f"{lasts} and {gives}." if whole else f"{lasts} and {gives}; what ends it: {self.ends}."
        ah, wh = 100.0 * trial.given_ah / trial.label_ah, 100.0 * trial.given_wh / trial.label_wh
        if not whole and not took and ah >= 1.0:
            yield (
                f"That is {ah:.0f} % of the {_n(trial.label_ah)} Ah that the labels promise so arranged, and "
                f"{wh:.0f} % of their {_n(trial.label_wh)} Wh."
            )

    def charged(self) -> Iterator[str]:
        record = self.record
        takes = f"It takes {_n(record.bank_in_ah)} Ah, {_n(record.bank_in_wh)} Wh in {span(record.ended.time_s)}"
        yield f"{takes}; what ends it: {self.ends}."

    def lived(self) -> Iterator[str]:
        record = self.record
        without = f", and do without {_n(record.unmet_wh)} Wh" if record.unmet_wh > 0.5 else ""
        yield (
            f"In {span(record.ended.time_s)} the bank gives {_n(record.bank_out_wh)} Wh and takes "
            f"{_n(record.bank_in_wh)} Wh; the loads {'are cut off' if without else 'get all they ask for'}{without}."
        )
        if record.ended.kind != "time":
            yield f"What ends it: {self.ends}."

    def joined(self) -> Iterator[str]:
        record = self.record
        settled = record.ended.kind == "settled" and not self.look.parted
        after = f"after {span(record.ended.time_s)}"
        yield f"It settles {after}." if settled else f"It has not settled {after}: {self.ends}."

    def carried(self) -> str:
        """Say who carries most; of units in one string nobody does, so those side by side are looked at first."""
        import numpy as np

        record, parts = self.record, self.look.equal_parts
        beside = np.flatnonzero(parts < 1.0 - 1e-9)
        looked = beside if beside.size else np.arange(len(parts))
        peaks = self.look.record.peaks
        out, into = peaks.out_a[looked], peaks.in_a[looked]
        amps = np.maximum(out, into)
        k = int(amps.argmax())
        most, charging = float(amps[k]), bool(into[k] > out[k])
        at_s = float((peaks.in_a_s if charging else peaks.out_a_s)[looked[k]])
        equal = self.look.bank_a_at(at_s, charging=charging) * float(parts[looked[k]])
        if most <= 0.0:
            return "No unit carries any current."
        when = "at the first moment" if at_s <= 0.0 else f"after {span(at_s)}"
        names = _named([record.ids[j] for j in looked], amps, most)
        least = float(amps.min())
        if not beside.size and most - least > ALIKE * most:
            low = _named([record.ids[j] for j in looked], -amps, -least)
            why = ", with the tap's share," if self.look.plan.wiring.taps else ""
            return f"{names} {_verb(names, 'carr')} most{why} {_n(most)} A {when}; {low} at most {_n(least)} A."
        if not beside.size:
            who = f"{names} carries" if len(parts) == 1 else "All units carry the same current,"
            return f"{who} {_n(most)} A at most, {when}."
        if equal < NO_CURRENT_FRAC * most:
            return f"{names} {_verb(names, 'carr')} most: {_n(most)} A {when}, going round inside the bank."
        if abs(most / equal - 1.0) < EVEN:
            return f"The shares are even: {_n(most)} A at most for each of those side by side, {when}."
        return f"{names} {_verb(names, 'carr')} most: {_n(most)} A {when}; an equal share would be {_n(equal)} A."

    def emptied(self) -> str:
        record = self.record
        event = self.look.first_empty
        if event is not None and event.unit is not None:
            others = [float(value) for name, value in zip(record.ids, self._row(event.time_s), strict=True)
                      if name != event.unit]  # fmt: skip
            own = 100.0 * float(self._row(event.time_s)[record.ids.index(event.unit)])
            bound = f" ({own:.0f} % are bound at this rate, and come back with rest)" if own > BOUND_PERCENT else ""
            left = f"; the fullest of the others then holds {100.0 * max(others):.0f} %" if others else ""
            return f"{event.unit} is empty {'first, ' if others else ''}after {span(event.time_s)}{bound}{left}."
        live = [k for k, cells in enumerate(self.look.cells) if cells]
        if not live:
            return "No unit has a living cell."
        lowest = record.soc_frac[: self.moments, live].min(axis=0)
        names = _named([record.ids[k] for k in live], -lowest, -float(lowest.min()))
        least = float(lowest.min())
        if least < ALL_BUT_EMPTY:
            return f"{names} {'are' if _several(names) else 'is'} all but empty: less than 1 % is left."
        return f"None is empty; lowest: {names} with {100.0 * least:.0f} %."

    def filled(self) -> str:
        last = self.record.soc_frac[self.moments - 1]
        most, least = float(last.max()), float(last.min())
        if len(last) == 1 or most - least < 0.005:
            return f"At the end {'it holds' if len(last) == 1 else 'all hold'} {_percent(most)}."
        full, low = _named(self.record.ids, last, most), _named(self.record.ids, -last, -least)
        return f"At the end {full} {_verb(full, 'hold')} most, {_percent(most)}, and {low} least, {_percent(least)}."

    def reversed(self) -> Iterator[str]:
        below = [finding for finding in self.trial.notable if finding.code == "trial-reversed"]
        pressed = any(finding.code == "trial-low-volts" for finding in self.trial.notable)
        none = "No unit is reversed." if pressed else "No unit is reversed or driven below empty."
        yield from [finding.says for finding in below[:2]] or [none]
        if len(below) > 2:
            yield f"... and {len(below) - 2} more units are driven below empty."

    def _row(self, time_s: float) -> np.ndarray:
        import numpy as np

        row = int(np.searchsorted(self.record.time_s, time_s))
        return np.asarray(self.record.soc_frac[min(row, self.moments - 1)])


def _verb(names: str, stem: str) -> str:
    return {"carr": ("carries", "carry"), "hold": ("holds", "hold")}[stem][_several(names)]


def _several(names: str) -> bool:
    return "," in names or " and " in names


def _named(ids: Sequence[str], values: np.ndarray, most: float) -> str:
    """Return the units whose values are the largest, but for what does not matter."""
    near = [name for name, value in zip(ids, values, strict=True) if value >= most - ALIKE * max(abs(most), 1e-9)]
    if len(near) > MOST_NAMED:
        return f"{', '.join(near[: MOST_NAMED - 1])} and {len(near) - MOST_NAMED + 1} more"
    return near[0] if len(near) == 1 else f"{', '.join(near[:-1])} and {near[-1]}"


def _percent(soc_frac: float) -> str:
    past = " (past full)" if soc_frac > 1.005 else ""
    return f"{100.0 * soc_frac:.0f} %{past}"


def _n(value: float) -> str:
    return f"{Figure(value):.3g}"
