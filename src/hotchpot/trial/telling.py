"""A trial in a few plain sentences: how long, who carries most, who empties first, what is reversed, what is usable."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank
from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Verdict
from hotchpot.chemistry import TEMPERATURE_GRID_C
from hotchpot.circuit.record import Event, Record
from hotchpot.trial.carrying import carried, figure, named, several, verb
from hotchpot.trial.look import ENDS, Look, after, energy, span
from hotchpot.trial.openings import REASONS, fuse_a, whose
from hotchpot.trial.outcome import Trial
from hotchpot.trial.passed import off_spans, possible
from hotchpot.trial.shares import cold_frac

if TYPE_CHECKING:
    import numpy as np

MOST_OPENED = 2  # openings told in the first sentences
MOST_TOLD = 2  # findings of one code told there
ALL_BUT_EMPTY = 0.005
BOUND_PERCENT = 3.0
VERDICTS = {Verdict.FORBID: "FORBID", Verdict.ONLY_IF: "only if", Verdict.CAUTION: "caution"}
DONE = {"charged": "the charger is done", "settled": "no unit carries a current that matters"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """
    What a trial comes to.

    `moments` is how many moments of the record a bank can have: the one at which a load collapses it is none. `ends`
    says why it ended, `verdict` the trial's own verdict with its worst finding, `lines` what matters next.
    """

    moments: int
    ends: str
    verdict: str
    lines: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """The verdict, then the lines but what it has said already."""
        return self.verdict, *(line for line in self.lines if not self.verdict.endswith(f" {line}"))


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
    return Telling(moments=said.moments, ends=said.ends, verdict=verdict_of(trial), lines=tuple(said.lines()))


def verdict_of(trial: Trial) -> str:
    """Return the trial's own verdict in words, with what its worst finding says."""
    worst = trial.notable[0] if trial.notable else None
    if worst is None or worst.verdict is Verdict.FINE:
        return "The trial by itself: fine, on paper. Nothing that it looks at passes its limit."
    alike = sum(finding.verdict is worst.verdict for finding in trial.notable) - 1
    more = f" (and {alike} more below)" if alike else ""
    return f"The trial by itself: {VERDICTS[worst.verdict]}{more}. {worst.says}"


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
        yield from carried(self.look, self.kind)
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
            at = "" if event.amps is None else f" at {figure(abs(event.amps))} A"
            when = after(event.time_s)
            if event.kind == "fuse":
                yield f"{whose(event)} opens {when} at {figure(fuse_a(event, events))} A."
            else:
                yield f"{event.unit}'s protection opens {when}, {REASONS[event.kind]}{at}."
        if len(events) > MOST_OPENED:
            yield f"... and {len(events) - MOST_OPENED} more open after that."

    def at_once(self) -> str:
        ended, stop = self.record.ended, self.trial.scenario.stop
        if ended.kind == "settled":
            return "Nothing flows that matters, from the first moment on."
        volts = figure(float(self.record.volts[0]))
        charge = self.trial.scenario.drive.charge
        if self.kind == "charge" and charge is not None:
            up_to = f"the charger goes up to {figure(charge.absorb_v)} V"
            return f"It ends at once: the bank stands at {volts} V, and {up_to}; what ends it: {self.ends}."
        at = f" at {figure(stop.low_v)} V" if ended.kind == "cut-off" and stop.low_v else ""
        return f"It ends at once: under this load the bank stands at {volts} V; what ends it: {self.ends}{at}."

    def not_at_all(self) -> str:
        ended = self.record.ended
        if ended.kind == "collapse" and ended.value is not None:
            return f"It cannot run at all: the bank gives {figure(ended.value)} W at most, whatever the voltage."
        return f"It cannot run at all: {self.ends}."

    def lasted(self) -> Iterator[str]:
        record, trial = self.record, self.trial
        whole = record.ended.kind == "time"
        took = f"; a charger brings {energy(record.bank_in_wh)}" if record.bank_in_wh > 1e-3 * trial.given_wh else ""
        gives = f"gives {figure(trial.given_ah)} Ah, {energy(trial.given_wh)}{took}"
        lasts = f"It lasts the whole {span(record.ended.time_s)}" if whole else f"It lasts {span(record.ended.time_s)}"
        yield f"{lasts} and {gives}." if whole else f"{lasts} and {gives}; what ends it: {self.ends}."
        ah, wh = 100.0 * trial.given_ah / trial.label_ah, 100.0 * trial.given_wh / trial.label_wh
        if not whole and not took and ah >= 1.0:
            yield (
                f"That is {ah:.0f} % of the {figure(trial.label_ah)} Ah that the labels promise so arranged, and "
                f"{wh:.0f} % of their {energy(trial.label_wh)}."
            )

    def charged(self) -> Iterator[str]:
        record = self.record
        takes = f"It takes {figure(record.bank_in_ah)} Ah, {energy(record.bank_in_wh)} in {span(record.ended.time_s)}"
        yield f"{takes}; what ends it: {self.ends}."

    def lived(self) -> Iterator[str]:
        record, whole = self.record, span(self.record.ended.time_s)
        spans = off_spans(record)
        if spans:
            off_s = sum(end - begin for begin, end in spans)
            often = "" if len(spans) == 1 else f", {len(spans)} times"
            yield (
                f"The loads first go off {after(spans[0][0])}{often}, are off for {span(off_s)} of {whole} in all, and "
                f"do without {energy(record.unmet_wh)}."
            )
        else:
            yield f"The loads get all they ask for, for {whole}."
        yield f"In {whole} the bank gives {energy(record.bank_out_wh)} and takes {energy(record.bank_in_wh)}."
        if record.ended.kind != "time":
            yield f"What ends it: {self.ends}."

    def joined(self) -> Iterator[str]:
        record = self.record
        settled = record.ended.kind == "settled" and not self.look.parted
        at = after(record.ended.time_s)
        yield f"It settles {at}." if settled else f"It has not settled {at}: {self.ends}."

    def emptied(self) -> str:
        record = self.record
        event = self.look.first_empty
        if event is not None and event.unit is not None:
            row = self._row(event.time_s)
            others = [float(row[k]) for k in self.look.there if record.ids[k] != event.unit]
            bound = self.held_back(event, row)
            left = f"; the fullest of the others then holds {100.0 * max(others):.0f} %" if others else ""
            return f"{event.unit} is empty {'first, ' if others else ''}{after(event.time_s)}{bound}{left}."
        live = [k for k, cells in enumerate(self.look.cells) if cells]
        if not live:
            return "No unit has a living cell."
        lowest = record.soc_frac[: self.moments, live].min(axis=0)
        names = named([record.ids[k] for k in live], -lowest, -float(lowest.min()))
        least = float(lowest.min())
        if least < ALL_BUT_EMPTY:
            return f"{names} {'are' if several(names) else 'is'} all but empty: less than 1 % is left."
        return f"None is empty; lowest: {names} with {100.0 * least:.0f} %."

    def held_back(self, event: Event, row: np.ndarray) -> str:
        """Return what is still in a unit that is empty: what the cold holds, and what is bound at this rate."""
        import numpy as np

        k = self.record.ids.index(event.unit or "")
        at = min(int(np.searchsorted(self.record.time_s, event.time_s)), self.moments - 1)
        by_warmth = tuple(zip(TEMPERATURE_GRID_C, self.look.states[k].chem.row("capacity_t_slow"), strict=True))
        own = max(0.0, float(row[k]))
        cold = min(own, cold_frac(by_warmth, float(self.record.temperature_c[at, k])))
        held = ((cold, "are held by the cold, and come back with warmth"),
                (own - cold, "are bound at this rate, and come back with rest"))  # fmt: skip
        told = [f"{100.0 * part:.0f} % {words}" for part, words in held if 100.0 * part > BOUND_PERCENT]
        return f" ({'; '.join(told)})" if told else ""

    def filled(self) -> str:
        there = list(self.look.there)
        last, ids = self.record.soc_frac[self.moments - 1, there], [self.record.ids[k] for k in there]
        most, least = float(last.max()), float(last.min())
        if len(last) == 1 or most - least < 0.005:
            return f"At the end {'it holds' if len(last) == 1 else 'all hold'} {_percent(most)}."
        full, low = named(ids, last, most), named(ids, -last, -least)
        return f"At the end {full} {verb(full, 'hold')} most, {_percent(most)}, and {low} least, {_percent(least)}."

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


def _percent(soc_frac: float) -> str:
    past = " (past full)" if soc_frac > 1.005 else ""
    return f"{100.0 * soc_frac:.0f} %{past}"
