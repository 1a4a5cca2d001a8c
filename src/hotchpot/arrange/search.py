"""
Find the best safe arrangements: list them by what they give, and judge from the best down.

Safety is the judge's word alone. An arrangement that is forbidden is skipped and the next best is judged, so what is
offered first is the best of those that are not forbidden.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random

from hotchpot.arrange.candidates import Candidate, best_first, of_block, of_shape, rounded
from hotchpot.arrange.court import Court
from hotchpot.arrange.exact import MOST_EXACT, circuits
from hotchpot.arrange.large import large
from hotchpot.arrange.pool import Pool, fit, in_order, pools
from hotchpot.arrange.proposal import Proposal, Search, Watch
from hotchpot.arrange.words import nothing_makes, nothing_safe, why
from hotchpot.arrange.worth import Worth, bound_wh, duty_factor
from hotchpot.bank.arrangement import Block, ids
from hotchpot.bank.plan import Plan
from hotchpot.bench.state import State
from hotchpot.errors import InputError, NoAnswerError

_Found = tuple[Candidate, Block]
_LISTING = 0.7  # of the progress told; judging is the rest


@dataclass(slots=True)
class Listing:
    """All candidates of a search; `open_wh` is the largest energy that one not listed could have."""

    candidates: list[Candidate]
    complete: bool = True
    open_wh: float = 0.0

    def held(self) -> set[str]:
        """Return the ids of all units that some candidate holds."""
        masks: dict[Pool, int] = {}
        for candidate in self.candidates:
            masks[candidate.pool] = masks.get(candidate.pool, 0) | candidate.mask
        return {state.unit.id for pool, mask in masks.items() for state in pool.chosen(mask)}


@dataclass(frozen=True, slots=True)
class _Pile:
    """All units in order, and why some were refused."""

    states: tuple[State, ...]
    refused: dict[str, str]


def propose(
    states: Sequence[State],
    *,
    system_v: float,
    plan: Plan | None = None,
    best: int = 5,
    seed: int = 1,
    stop: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Search:
    """
    Return the best safe arrangements of a pile for a system voltage.

    Parameters
    ----------
    states : sequence of State
        The pile; its order changes nothing.
    system_v : float
        Nominal voltage of the system. [V]
    plan : Plan, optional
        What the bank is judged on; its duty also sets the rate and temperature at which capacity counts.
    best : int, default 5
        How many proposals at most. Arrangements that differ only in which of two like units stands where count as one.
    seed : int, default 1
        For the search of large piles; the exact search needs none.
    stop : callable, optional
        Asked often; once it returns True, the best so far is returned and nothing is called proven that is not.
    progress : callable, optional
        Told now and then what fraction is done.

    Returns
    -------
    Search
        Proposals by usable energy, then fewer links, fewer strings, like with like, and their text.

    Raises
    ------
    NoAnswerError
        If nothing reaches the voltage, or nothing that does may be joined; says what would help.
    InputError
        If `system_v` is not above zero or `best` below one.

    Notes
    -----
    Up to eight fit units of one family are searched completely; larger families by sharing out, with a bound.

    Examples
    --------
    >>> from hotchpot.bench.state import state_of
    >>> from hotchpot.pile.unit import Unit
    >>> like = {"chemistry": "lead_agm", "cells": 6, "rated_ah": 100, "rated_hours": 20, "capacity_ah": 100}
    >>> pile = [state_of(Unit(id=f"A{i}", **like)) for i in range(1, 5)]
    >>> found = propose(pile, system_v=24).proposals[0]
    >>> print(found.block, found.usable_ah.value, found.gap_frac)
    (A1 + A2) // (A3 + A4) 200.0 0.0
    """
    _check(system_v, best)
    plan = plan or Plan()
    watch = Watch(stop, progress)
    units, rejected = fit(states)
    searches = pools(units, system_v)
    if not searches:
        raise NoAnswerError(nothing_makes(system_v, units, rejected))
    court = Court(units, plan)
    listing = _listing(searches, plan, court, seed, watch)
    watch.part(_LISTING, 1.0 - _LISTING)
    found = _judged(listing, court, best, watch)
    if not found:
        raise NoAnswerError(nothing_safe(system_v, court, len(listing.candidates), cut=watch.cut))
    # Candidates are judged from the best down, so the first one found stands above all that is listed.
    top_wh = max(found[0][0].usable_wh, listing.open_wh)
    pile = _Pile(in_order(states), rejected | court.spoilt)
    unused = _unusable(units, searches, listing, system_v) | pile.refused
    proposals = tuple(_proposal(found, i, court, pile, top_wh) for i in range(len(found)))
    watch.tell(1.0)
    return Search(
        proposals=proposals,
        proven_optimal=proposals[0].gap_frac <= 0.0 and not watch.cut,
        families=tuple(sorted({candidate.pool.family for candidate in listing.candidates})),
        considered=len(listing.candidates),
        rejected={state.unit.id: unused[state.unit.id] for state in pile.states if state.unit.id in unused},
    )


def _check(system_v: float, best: int) -> None:
    if not (math.isfinite(system_v) and system_v > 0):
        raise InputError.one("system_v", f"it is {system_v}", "give the system's nominal voltage, such as 24")
    if best < 1:
        raise InputError.one("best", f"it is {best}", "ask for one proposal or more")


def _listing(searches: Sequence[Pool], plan: Plan, court: Court, seed: int, watch: Watch) -> Listing:
    listing = Listing([])
    for i, pool in enumerate(searches):
        watch.part(_LISTING * i / len(searches), _LISTING / len(searches))
        worth = Worth(pool, plan.duty)
        exact = len(pool.states) <= MOST_EXACT
        if exact:
            listing.candidates += [of_shape(shape, pool, worth) for shape in circuits(pool, watch)]
        else:
            blocks = large(pool, court, Random(seed), watch)
            listing.candidates += [of_block(block, pool, worth, court) for block in blocks]
        if watch.cut or not exact:
            listing.complete = False
            listing.open_wh = max(listing.open_wh, rounded(bound_wh(pool.without(court.spoilt), plan.duty)))
    return listing


def _judged(listing: Listing, court: Court, best: int, watch: Watch) -> list[_Found]:
    """Return the best candidates that the judge does not forbid."""
    found: list[_Found] = []
    for candidate, block in best_first(listing.candidates, court):
        if court.allows(block):
            found.append((candidate, block))
            watch.tell(len(found) / best)
        if len(found) == best or (watch.over() and found):
            break
        if watch.cut and court.first_refusal is not None:
            break
    return found


def _unusable(units: Sequence[State], searches: Sequence[Pool], listing: Listing, system_v: float) -> dict[str, str]:
    """Say of each fit unit that no arrangement holds why none does."""
    in_search = {state.unit.id for pool in searches for state in pool.states}
    unlisted = in_search - listing.held() if listing.complete else set()
    said = {}
    for state in units:
        name, what = state.unit.id, f"its {state.capacity_ah.value:.3g} Ah or {state.unit.cells} cells"
        if name not in in_search:
            said[name] = f"{name}: no string of {state.chem.name} units of this pile makes {system_v:g} V with it."
        elif name in unlisted:
            said[name] = f"{name}: no string of {system_v:g} V may hold it, because of {what}."
    return said


def _proposal(found: list[_Found], place: int, court: Court, pile: _Pile, top_wh: float) -> Proposal:
    candidate, block = found[place]
    bank, judgement = court.bank(block), court.judgement(block)
    root = bank.root
    usable_ah = root.capacity_ah * duty_factor(root.states, root.capacity_ah.value, root.nominal_v, court.plan.duty)
    better = {name for other, above in found[:place] if other.pool is candidate.pool for name in ids(above)}
    used = set(root.ids)
    left = [state for state in pile.states if state.unit.id not in used]
    return Proposal(
        block=block,
        verdict=judgement.verdict,
        judgement=judgement,
        usable_ah=usable_ah,
        usable_wh=usable_ah * root.nominal_v,
        bound_wh=top_wh,
        gap_frac=max(0.0, 1.0 - candidate.usable_wh / top_wh),
        left_over=tuple(state.unit.id for state in left),
        links=candidate.rank[1],
        strings=candidate.rank[2],
        why=why(bank, candidate.pool, left, pile.refused, better),
    )
