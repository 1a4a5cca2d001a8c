"""Who carries most, in words: at the largest current of any unit, or of the bank where that was a swap inside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from hotchpot.trial.look import Figure, Look, after

if TYPE_CHECKING:
    import numpy as np

ALIKE = 2e-3  # units that carry the same but for so much are named together
MOST_NAMED = 4
EVEN = 0.02
SWAP_FRAC = 0.5  # of its own current and of the bank's largest: below both, a unit's current is a swap
NO_CURRENT_FRAC = 0.05  # of the unit's own current: below, its part of the bank's says nothing


def carried(look: Look, kind: str) -> Iterator[str]:
    """
    Say who carries most; of units in one string nobody does, so those side by side are looked at first.

    A swap between units while next to nothing leaves the bank comes after who carries most at its largest current.
    """
    import numpy as np

    record, parts = look.record, look.equal_parts
    there = np.array(look.there)
    beside = there[parts[there] < 1.0 - 1e-9]
    looked = beside if beside.size else there
    peaks = look.record.peaks
    out, into = peaks.out_a[looked], peaks.in_a[looked]
    amps = np.maximum(out, into)
    k = int(amps.argmax())
    most, charging = float(amps[k]), bool(into[k] > out[k])
    if most <= 0.0:
        yield "No unit carries any current."
        return
    at_s = float((peaks.in_a_s if charging else peaks.out_a_s)[looked[k]])
    bank_a = look.bank_a_at(at_s, charging=charging)
    names = named([record.ids[j] for j in looked], amps, most)
    if kind != "joining" and _swapped(look, most, bank_a, bank_a * float(parts[looked[k]])):
        yield _at_the_largest(look, looked)
        yield (
            f"Between themselves units swap up to {figure(most)} A ({names}, {after(at_s)}), while the bank gives or "
            "takes little."
        )
        return
    yield _shared(look, looked, (amps, k, charging, at_s))


def _swapped(look: Look, most: float, bank_a: float, equal: float) -> bool:
    """Tell whether a unit's largest current is a swap inside the bank, and the bank carries more at other times."""
    largest = float(abs(look.record.amps).max())
    return equal < SWAP_FRAC * most and abs(bank_a) < SWAP_FRAC * largest


def _at_the_largest(look: Look, looked: np.ndarray) -> str:
    """Say who carries most when the bank carries most."""
    record = look.record
    row = int(abs(record.amps).argmax())
    amps, bank_a = abs(record.unit_amps[row, looked]), float(record.amps[row])
    k = int(amps.argmax())
    names = named([record.ids[j] for j in looked], amps, float(amps[k]))
    how = "load" if bank_a > 0.0 else "charge"
    equal = abs(bank_a) * float(look.equal_parts[looked[k]])
    return (
        f"At the largest {how}, {figure(abs(bank_a))} A {after(float(record.time_s[row]))}, {names} "
        f"{verb(names, 'carr')} most: {figure(float(amps[k]))} A; an equal share would be {figure(equal)} A."
    )


def _shared(look: Look, looked: np.ndarray, peak: tuple[np.ndarray, int, bool, float]) -> str:
    """Say who carries most at the largest current of any unit, against an equal share."""
    record, parts = look.record, look.equal_parts
    amps, k, charging, at_s = peak
    most = float(amps[k])
    equal = look.bank_a_at(at_s, charging=charging) * float(parts[looked[k]])
    when = after(at_s)
    names = named([record.ids[j] for j in looked], amps, most)
    least, beside = float(amps.min()), bool((parts[looked] < 1.0 - 1e-9).any())
    if not beside and most - least > ALIKE * most:
        low = named([record.ids[j] for j in looked], -amps, -least)
        why = ", with the tap's share," if look.plan.wiring.taps else ""
        return f"{names} {verb(names, 'carr')} most{why} {figure(most)} A {when}; {low} at most {figure(least)} A."
    if not beside:
        who = f"{names} carries" if len(looked) == 1 else "All units carry the same current,"
        return f"{who} {figure(most)} A at most, {when}."
    if equal < NO_CURRENT_FRAC * most:
        return f"{names} {verb(names, 'carr')} most: {figure(most)} A {when}, going round inside the bank."
    if abs(most / equal - 1.0) < EVEN:
        return f"The shares are even: {figure(most)} A at most for each of those side by side, {when}."
    return f"{names} {verb(names, 'carr')} most: {figure(most)} A {when}; an equal share would be {figure(equal)} A."


def verb(names: str, stem: str) -> str:
    """Return a verb, by its stem, as one unit or several do it."""
    return {"carr": ("carries", "carry"), "hold": ("holds", "hold")}[stem][several(names)]


def several(names: str) -> bool:
    """Tell whether names are those of several units."""
    return "," in names or " and " in names


def named(ids: Sequence[str], values: np.ndarray, most: float) -> str:
    """Return the units whose values are the largest, but for what does not matter."""
    near = [name for name, value in zip(ids, values, strict=True) if value >= most - ALIKE * max(abs(most), 1e-9)]
    if len(near) > MOST_NAMED:
        return f"{', '.join(near[: MOST_NAMED - 1])} and {len(near) - MOST_NAMED + 1} more"
    return near[0] if len(near) == 1 else f"{', '.join(near[:-1])} and {near[-1]}"


def figure(value: float) -> str:
    """Return a number of three digits."""
    return f"{Figure(value):.3g}"
