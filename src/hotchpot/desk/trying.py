"""Try a bank on paper: what was wished for becomes a scenario, runs on the circuit, and comes back as a report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from hotchpot.bank.bank import Bank
from hotchpot.bank.drawing import draw
from hotchpot.bank.judge import judge
from hotchpot.bank.plan import Plan
from hotchpot.bank.verdict import Finding, Judgement, Verdict
from hotchpot.desk.asking import HOUSE_RULES, case_of, states
from hotchpot.desk.wishes import NOW, Wish
from hotchpot.errors import Fault, InputError, NoAnswerError, nearest
from hotchpot.pile import Unit

if TYPE_CHECKING:
    from hotchpot.desk.evidence import Evidence
    from hotchpot.trial.doubt import Doubt
    from hotchpot.trial.outcome import Trial
    from hotchpot.trial.samples import Study
    from hotchpot.trial.scenario import Scenario
    from hotchpot.trial.telling import Telling

MOST_NUMBERS = 1_500_000  # moments times units that a record keeps where nobody says how many
FEWEST_MOMENTS = 100
DRAWN_WIDE = 78  # columns: a terminal of 80, less its margin
MOST_STEPS = 2e10  # units times steps: minutes
MOST_KEPT = 4e6  # units times moments: a gigabyte and a half, as JSON
LONGEST_STEP_S = 1.0  # of a run whose step nobody states, at least as long as this
MOST_DRAWS = 100_000
ON_PAPER = "Simulated, not measured: a trial is paper. Real batteries differ, and what is assumed may be wrong."
NOT_TO_BE_BUILT = "Nothing of this may be built or joined. What follows is paper only, to see what would happen."
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """A study of a trial's doubt: what many draws say, its seed, where it ran, and how many draws were `wanted`."""

    doubt: Doubt
    seed: int
    wanted: int
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReport:
    """A bank tried on paper: the judge's word first, then what happens, in figures and in plain words."""

    arrangement: str
    drawing: str
    judgement: Judgement
    wish: Wish
    trial: Trial
    telling: Telling
    draws: Draws | None = None
    cautions: tuple[str, ...] = field(default=(ON_PAPER, *HOUSE_RULES))

    @property
    def verdict(self) -> Verdict:
        """The worse of the judge's verdict and the trial's weightiest finding."""
        found = [self.judgement.verdict, *(finding.verdict for finding in self.trial.notable)]
        return max(found, key=lambda verdict: verdict.rank)

    @property
    def more_judged(self) -> dict[str, int]:
        """How many other findings of the judge are no better than a condition, by verdict."""
        rest = [finding.verdict for finding in self.judgement.findings if finding is not self.judgement.decisive]
        return {str(one): rest.count(one) for one in (Verdict.FORBID, Verdict.ONLY_IF)}

    @property
    def next_step(self) -> str:
        """What to do next, by the worse of judge and trial."""
        return _next_step(self.judgement, self.trial.notable)

    @property
    def moments(self) -> int:
        """How many moments of the record a bank can have; none where it ended before the first."""
        return self.telling.moments


def try_bank(
    expression: str | None,
    units: Sequence[Unit],
    plan: Plan,
    wish: Wish,
    evidence: Evidence | None = None,
    *,
    draws: int = 0,
    seed: int = 1,
    on: str | None = None,
    progress: Progress | None = None,
) -> TrialReport:
    """
    Try an arrangement of the pile on paper.

    Parameters
    ----------
    expression, units, plan, evidence
        As for `judge_bank`; there must be an arrangement.
    wish : Wish
        What it is tried on.
    draws : int
        How many times over to try what the units may truly be, for the doubt of it; none when nought.
    seed : int
        Makes those repeatable.
    on : str, optional
        Address of a cluster to run them on.
    progress : callable, optional
        Called with the part that is done.

    Raises
    ------
    InputError
        If there is no arrangement, a unit is not in it, or what is asked for lacks what the plan must state. What a
        bank cannot do is no error: the record says why it ended.
    """
    from hotchpot.trial.samples import Study
    from hotchpot.trial.telling import tell
    from hotchpot.trial.trying import try_out

    _check_draws(draws, seed, on)
    known = states(units, plan, None if evidence is None else evidence.studies(units))
    text, case = case_of(expression, units, plan, known)
    if case.bank is None or text is None:
        raise InputError.one("arrangement", "is missing", 'give one, such as "A1 // A2", or `arrangement` in the plan')
    scenario = scenario_of(case.bank, case.plan, wish)
    tick = progress or (lambda _done: None)
    part = 1.0 / (1.0 + draws)
    trial = try_out(case.bank, case.plan, scenario, progress=lambda done: tick(part * done))
    sure = None
    if draws:
        study = Study(case.bank, case.plan, scenario, seed=seed)
        sure = _draw(study, wish, draws, on, lambda done: tick(part + (1.0 - part) * done))
    judgement = judge(case)
    trial = replace(trial, notable=heeded(trial.notable, judgement, wish.kind))
    return TrialReport(
        arrangement=text,
        drawing=draw(case.bank.arrangement, width=DRAWN_WIDE),
        judgement=judgement,
        wish=wish,
        trial=trial,
        telling=tell(case.bank, trial, wish.kind, case.plan),
        draws=sure,
    )


def heeded(found: Sequence[Finding], judgement: Judgement, kind: str) -> tuple[Finding, ...]:
    """Return findings of a joining without any advice on how to join what the judge forbids."""
    decisive = judgement.decisive
    if kind != "joining" or judgement.verdict is not Verdict.FORBID or decisive is None:
        return tuple(found)
    do = f"Do not join: the judge forbids it ({decisive.code})."
    return tuple(one if one.verdict is Verdict.FINE else replace(one, do=do) for one in found)


def _next_step(judgement: Judgement, found: Sequence[Finding]) -> str:
    worst = max((finding.verdict for finding in found), default=Verdict.FINE, key=lambda verdict: verdict.rank)
    decisive = judgement.decisive
    if judgement.verdict is Verdict.FORBID and decisive is not None:
        settle = f"the judge forbids it ({decisive.code})"
        return f"Build and join nothing: {settle}. hotchpot judge tells all; mend that first, then try again."
    if worst is Verdict.FORBID:
        forbids = ", ".join(dict.fromkeys(finding.code for finding in found if finding.verdict is Verdict.FORBID))
        return f"Do not run it like this: the trial forbids it ({forbids}). Mend that, then try again."
    if Verdict.ONLY_IF in (judgement.verdict, worst):
        settle = "Settle every condition, of the judge (hotchpot judge tells all) and of the trial above, and try again"
        return f"{settle}; only then hotchpot join, which goes step by step."
    told = f"tell the judge the {len(judgement.unasked)} things not judged first; " if judgement.unasked else ""
    return f"Nothing here is a permission: {told}then hotchpot join goes step by step, by meter and by local codes."


def _check_draws(draws: int, seed: int, on: str | None) -> None:
    faults = []
    if not 0 <= draws <= MOST_DRAWS:
        faults.append(Fault("--doubt", f"it is {draws}", f"give 1 to {MOST_DRAWS} draws"))
    if seed < 0:
        faults.append(Fault("--seed", f"it is {seed}", "give nought or more"))
    if on is not None and draws == 0:
        faults.append(Fault("--on", "there is nothing to run there", "say how many draws with --doubt"))
    if faults:
        raise InputError(faults)


def scenario_of(bank: Bank, plan: Plan, wish: Wish) -> Scenario:
    """Return what is wished for as a scenario for this bank and plan."""
    from hotchpot.trial import scenarios

    begin = _begin(bank, wish)
    if wish.kind == "charge":
        made = scenarios.charge(bank, plan, begin, hours=wish.hours)
    elif wish.kind == "joining":
        made = scenarios.joining(bank, plan, hours=wish.hours)
    elif wish.profile is not None:
        given = wish.profile
        made = scenarios.profile(
            bank, plan, given.time_s, watts=given.watts, amps=given.amps, source_w=given.source_w,
            source_a=given.source_a, days=wish.day, from_soc=begin, still=wish.still,
        )  # fmt: skip
    elif wish.day is not None:
        made = scenarios.day(bank, plan, wish.day, from_soc=begin, still=wish.still)
    else:
        load = {"amps": wish.amps, "watts": wish.watts, "ohms": wish.ohms}
        if not any(load.values()) and not (plan.duty.load_a or plan.duty.load_w):
            mend = "give --amps, --watts, --ohms, --charge, --profile, --day or --joining, or duty.load_w in the plan"
            raise InputError.one("trial", "there is nothing to try", mend)
        made = scenarios.discharge(bank, plan, **load, hours=wish.hours, from_soc=begin)
    _check_ids(bank, wish)
    if wish.lost:
        made = scenarios.lost(made, wish.lost)
    if wish.shorted:
        made = scenarios.stuck(made, wish.shorted)
    if wish.dead:
        made = scenarios.stuck(made, wish.dead, dead=True)
    _check_size(made.drive.seconds, len(bank.units), wish)
    return replace(made, step_s=wish.step, record_s=_every_s(bank, made, wish))


def _begin(bank: Bank, wish: Wish) -> float | None:
    """Return the charge that every unit begins with; None leaves each as its state says."""
    if wish.begin == NOW:
        return None
    if isinstance(wish.begin, (int, float)):
        return float(wish.begin)
    if wish.begin is None and all(state.unit.soc_frac is not None for state in bank.units):
        return None
    return 0.2 if wish.begin is None and wish.kind == "charge" else 1.0


def _every_s(bank: Bank, scenario: Scenario, wish: Wish) -> float | None:
    """Return the time between records: as wished, else so that a bank of many units keeps no more than is of use."""
    if wish.every is not None:
        return wish.every
    if scenario.record_s is not None:
        return scenario.record_s
    moments = max(FEWEST_MOMENTS, MOST_NUMBERS // len(bank.units))
    return None if moments >= 2000 else scenario.drive.seconds / moments


def _check_size(seconds: float, units: int, wish: Wish) -> None:
    """Refuse steps that would take hours, and records that no memory holds."""
    faults = []
    if wish.step is not None and seconds / wish.step * units > MOST_STEPS:
        least = f"{seconds * units / MOST_STEPS:.2g}"
        faults.append(
            Fault("--step", f"{wish.step:g} s are too many steps for so long a run", f"give {least} s or more")
        )
    if wish.every is not None and wish.every < seconds * units / MOST_KEPT:
        between = max(wish.every, min(wish.step or LONGEST_STEP_S, LONGEST_STEP_S))
        if seconds / between * units > MOST_KEPT:
            least = f"{seconds * units / MOST_KEPT:.2g}"
            faults.append(Fault("--every", f"{wish.every:g} s keeps more than fits", f"give {least} s or more"))
    if faults:
        raise InputError(faults)


def _check_ids(bank: Bank, wish: Wish) -> None:
    known = dict.fromkeys(bank.root.ids)
    faults = [
        Fault(f"--{option}", f"the bank has no unit {name!r}", nearest(name, known))
        for option in ("lost", "shorted", "dead")
        for name in getattr(wish, option)
        if name not in known
    ]
    if faults:
        raise InputError(faults)


def _draw(study: Study, wish: Wish, draws: int, on: str | None, tick: Progress) -> Draws:
    from hotchpot.desk.workers import run_samples
    from hotchpot.trial.doubt import Limits, summary

    runs = run_samples(range(draws), study, on=on, progress=tick)
    if not runs.results:
        raise NoAnswerError("the study was broken off before its first draw")
    wanted_h = study.scenario.drive.seconds / 3600.0 if wish.hours or wish.kind in ("profile", "day") else None
    doubt = summary(runs.results, Limits(wanted_h=wanted_h, set_charge=tuple(study.scenario.soc_frac)))
    return Draws(doubt=doubt, seed=study.seed, wanted=draws, where=runs.where)
