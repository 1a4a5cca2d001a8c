"""The walk through a test in the terminal: one step at a time, with a countdown, and the result at the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from hotchpot.desk.files import load_pile, unit_of
from hotchpot.desk.guiding import drafts, newunit, notebook, noted, watching, worked
from hotchpot.desk.guiding import guide as desk
from hotchpot.desk.guiding.guide import Remark, Step, StepKind
from hotchpot.errors import InputError
from hotchpot.faces.cli import show_guide
from hotchpot.faces.cli.printing import print_json
from hotchpot.faces.cli.talk import EndOfInputError, Talk, remaining
from hotchpot.pile import Unit

DONE, NO_ANSWER, CUT_OFF = 0, 1, 2
READINGS = "readings.csv"
_ASKED = (
    ("chemistry", "Chemistry, such as agm, gel, flooded, lfp, nmc"),
    ("size", "Label volts, as in 12 V, or cells in series, as in 4 cells"),
    ("rated_ah", "Rated amp-hours on the label"),
)


def run_guide(
    procedure: str | None = None,
    *,
    unit: str | None = None,
    pile: Path | None = None,
    readings: Path | None = None,
    meter: str | None = None,
    no_wait: bool = False,
    as_json: bool = False,
) -> int:
    """
    Walk through a test procedure; return the exit code.

    Parameters
    ----------
    procedure : str, optional
        The procedure's key; None lists them.
    unit, pile
        The unit's id and its pile file; what is not given is asked.
    readings : Path, optional
        The readings file that gets a new row; None takes ``readings.csv`` beside the pile, or here. Drafts of guides
        that were broken off are kept beside it.
    meter : str, optional
        Key of the meter; None is the usual hand meter.
    no_wait : bool, default False
        Take every wait as waited out already; looks then need their hours or days.
    as_json : bool, default False
        Print the outcome as JSON; the conversation goes to standard error.

    Returns
    -------
    int
        0 done, or broken off by ``quit``; 1 refused, or stopped at a limit; 2 the input ended or was interrupted.

    Raises
    ------
    InputError
        If the procedure, the unit, the meter or a file is wrong.
    """
    if procedure is None:
        if as_json:
            print_json(worked.procedures_wire())
        else:
            show_guide.show_procedures()
        return DONE
    desk.check_procedure(procedure)
    talk = Talk(quiet=as_json)
    book = readings or (pile.parent if pile else Path()) / READINGS
    try:
        chosen, kept = _begin(talk, procedure, unit=unit, pile=pile, book=book, meter=meter)
    except (EndOfInputError, KeyboardInterrupt):
        talk.say("The input ended before the unit was known; nothing was begun.")
        return CUT_OFF
    return _Walk(talk, chosen, book, timers=not no_wait, as_json=as_json, answers=kept).run()


def _begin(
    talk: Talk, procedure: str, *, unit: str | None, pile: Path | None, book: Path, meter: str | None
) -> tuple[desk.Guide, dict[str, Any]]:
    """Return the guide and the answers of its draft, where there is one."""
    found = desk.as_read(_from_pile(talk, unit, load_pile(pile)), book) if pile else None
    name = found.id if found else unit or talk.line("What is written on the unit, its id") or "unit"
    draft = drafts.load_draft(book, unit=name, procedure=procedure)
    if found is None:
        found = draft.unit if draft else _asked_unit(talk, name)
    chosen = desk.guide_for(procedure, found, meter=meter or (draft.meter if draft else None))
    return chosen, {} if draft is None else desk.resumed(chosen, draft.answers)


def _from_pile(talk: Talk, wanted: str | None, units: Sequence[Unit]) -> Unit:
    if wanted is not None:
        return unit_of(units, wanted)
    if len(units) == 1:
        return units[0]
    talk.say(f"Units of the pile: {', '.join([unit.id for unit in units][:40])}")
    while True:
        try:
            return unit_of(units, talk.line("Which unit"), where="Which unit")
        except InputError as error:
            talk.say(f"Not so: {error}")


def _asked_unit(talk: Talk, name: str) -> Unit:
    """Ask for what the label says, one thing after another, each until it can be used."""
    given: dict[str, str] = {}
    for part, prompt in _ASKED:
        while part not in given:
            text = talk.line(prompt)
            try:
                newunit.check_told(part, text, chemistry=given.get("chemistry"))
                given[part] = text
            except InputError as error:
                talk.say(f"Not so: {error}")
    return newunit.unit_told(name, given["chemistry"], given["size"], given["rated_ah"])


class _LeaveError(Exception):
    """The person leaves the guide: with which exit code, and with which words."""

    def __init__(self, code: int, words: str, remarks: Sequence[Remark] = ()) -> None:
        self.code, self.words, self.remarks = code, words, tuple(remarks)
        super().__init__(words)


@dataclass(slots=True)
class _Walk:
    """One walk through one guide, with its answers so far."""

    talk: Talk
    guide: desk.Guide
    book: Path
    timers: bool
    as_json: bool
    answers: dict[str, Any]

    def run(self) -> int:
        """Walk until the end, a refusal, or until somebody leaves; return the exit code."""
        show_guide.show_start(self.talk, self.guide)
        try:
            self._check()
            if self.answers:
                count = len(self.answers)
                self.talk.say(f"Going on where it was broken off: {count} steps are answered. new begins again.")
            while (step := desk.next_step(self.guide, self.answers)) is not None:
                self._step(step)
                self._check()
        except _LeaveError as left:
            return self._left(left)
        except (EndOfInputError, KeyboardInterrupt):
            self.talk.console.print()
            self.talk.say(f"The input ended. Nothing is lost: {self._kept()}", style="bold")
            self._safe()
            if self.as_json:
                print_json(worked.unfinished_wire(self.guide, self.answers))
            return CUT_OFF
        return self._finish()

    def _check(self) -> None:
        refused = desk.refusals(self.guide, self.answers)
        if refused:
            raise _LeaveError(NO_ANSWER, "This test is not to be made on this unit.", refused)

    def _step(self, step: Step) -> None:
        steps = desk.steps_now(self.guide, self.answers)
        self.talk.heading(f"Step {steps.index(step) + 1} of {len(steps)}: {step.title}")
        show_guide.briefly(self.talk, step.cautions)
        self.talk.say(step.do, indent=2)
        if step.stop_if:
            self.talk.say(f"STOP IF: {step.stop_if}", indent=2, style="bold")
        if step.kind is StepKind.WAIT:
            self._wait(step)
        elif step.kind is StepKind.WATCH:
            self._watch(step)
        else:
            self._ask(step, self._prompt(step))

    def _prompt(self, step: Step) -> str:
        if step.kind is StepKind.DO:
            return "Press Enter when it is done"
        if step.kind is StepKind.PICK:
            return " or ".join(step.options)
        if step.kind is StepKind.FLAGS:
            return "none, or what you see"
        words = {"V": "volts", "A": "amps", "Ω": "ohms", "h": "hours", "°C": "degrees Celsius", "K": "kelvins"}
        return f"{step.count} numbers" if step.kind is StepKind.LIST else words.get(step.unit, "number")

    def _ask(self, step: Step, prompt: str, *, ring_at: datetime | None = None) -> bool:
        """Ask until the answer can be used; tell whether there is one (not so after back, new or cautions)."""
        while True:
            text = self.talk.line(prompt, ring_at=ring_at, now=desk.now)
            if self._command(text):
                return False
            try:
                answer = desk.take(self.guide, step, text, self.answers, at=desk.now(), timers=self.timers)
            except InputError as error:
                self.talk.say(f"Not so: {error}", indent=2)
                continue
            if odd := desk.unusual(self.guide, step, answer):
                self.talk.say(odd, indent=2)
            self._keep(step.key, answer)
            return True

    def _command(self, text: str) -> bool:
        """Obey a word that is no answer; tell whether it was one."""
        word = text.casefold()
        if word in ("cautions", "caution"):
            show_guide.show_cautions(self.talk, self.guide)
            return True
        if word == "quit":
            raise _LeaveError(DONE, f"Stopped for now. {self._kept()}")
        if word == "stop":
            words = (
                "Stopped at a limit. Load and charger off, everything off the battery, and look at it from a distance. "
                "The next time begins with the look again."
            )
            again = {step.key for step in self.guide.steps if step.kind in (StepKind.FLAGS, StepKind.DO)}
            self.answers = {key: answer for key, answer in self.answers.items() if key not in again}
            drafts.save_draft(self.book, self.guide, self.answers)
            raise _LeaveError(NO_ANSWER, f"{words} {self._kept()}")
        if word == "back":
            self.answers = desk.step_back(self.guide, self.answers)
        elif word == "new":
            self.answers = {}
        else:
            return False
        drafts.save_draft(self.book, self.guide, self.answers)
        return True

    def _keep(self, key: str, answer: Any) -> None:
        self.answers = {**self.answers, key: answer}
        drafts.save_draft(self.book, self.guide, self.answers)

    def _wait(self, step: Step) -> None:
        began = (self.answers.get(step.key) or {}).get("began") or desk.now().isoformat()
        self._keep(step.key, {"began": began})
        ends = datetime.fromisoformat(began) + timedelta(seconds=step.wait_s)
        early = warned = False
        while self.timers and not early and (left := (ends - desk.now()).total_seconds()) > 0:
            text = self.talk.wait(left, step.title)
            if text is None:
                break
            if self._command(text):
                return
            left = (ends - desk.now()).total_seconds()
            early, warned = warned and left > 0, True
            if left > 0 and not early:
                words = f"{remaining(left)} are left: the reading then counts as early. Enter once more to go on."
                self.talk.say(words, indent=2)
        self._keep(step.key, {"began": began, "ended": desk.now().isoformat(), "early": early})
        if not early:
            self.talk.say("Now.", indent=2, style="bold")

    def _watch(self, step: Step) -> None:
        fields = " and ".join(step.fields)
        while not desk.answered(step, self.answers):
            due = watching.due(self.guide.unit, step, self.answers)
            self.talk.say(self._when(step, due), indent=2)
            prompt = fields if self.timers else f"{step.clock} and {fields}"
            more = " (or done)" if watching.looks_of(step, self.answers) else ""
            if not self._ask(step, prompt + more, ring_at=due.when if due else None):
                return
        if step.end_v is not None and self._ended_by_volts(step):
            self.talk.ring()
            self.talk.say("The end is reached: LOAD OFF NOW.", indent=2, style="bold")

    def _ended_by_volts(self, step: Step) -> bool:
        last = watching.looks_of(step, self.answers)[-1]
        assert step.end_v is not None
        return watching.value_of(self.guide.unit, step, last, "volts") <= step.end_v

    def _when(self, step: Step, due: watching.Due | None) -> str:
        if due is None:
            return "Nothing more is due; type done, or read once more."
        mark = f"after {due.at:g} days" if step.clock == "days" else f"after {remaining(3600 * due.at)}"
        if not self.timers or due.when is None:
            return f"Next look {mark}."
        left = (due.when - desk.now()).total_seconds()
        if left <= 0:
            return "Look now."
        near = due.when.date() == desk.now().date()
        return (
            f"Next look {mark}: {due.when:%H:%M}"
            + ("" if near else f" on {due.when:%d %B}")
            + f", in {remaining(left)}."
        )

    def _finish(self) -> int:
        when = desk.now()
        # The fact first: whatever is worked out of it, the reading is kept, and kept once.
        row = notebook.append_reading(self.book, noted.reading_of(self.guide, self.answers, when=when))
        drafts.drop_draft(self.book, self.guide)
        self.talk.say(f"Written to {self.book}: {row}")
        out = worked.work_out(self.guide, self.answers, when=when)
        show_guide.show_worked(self.talk, out)
        show_guide.show_end(self.talk, self.guide)
        if self.as_json:
            print_json(worked.worked_wire(out))
        return DONE

    def _left(self, left: _LeaveError) -> int:
        self.talk.console.print()
        self.talk.say(left.words, style="bold")
        show_guide.show_remarks(self.talk, left.remarks)
        seen = noted.seen_reading(self.guide, self.answers, when=desk.now())
        if left.remarks:
            if seen is not None:
                row = notebook.append_reading(self.book, seen)
                self.talk.say(f"What you saw is written to {self.book}: {row}")
            drafts.drop_draft(self.book, self.guide)
        self._safe()
        if self.as_json:
            shape = worked.refused_wire(self.guide, left.remarks) if left.remarks else None
            print_json(shape or worked.unfinished_wire(self.guide, self.answers))
        return left.code

    def _kept(self) -> str:
        if not self.answers:
            return "Nothing was answered yet."
        return f"The answers are kept in {drafts.draft_path(self.book)}; the same command goes on from there."

    def _safe(self) -> None:
        if any(step.key in {"start", "light"} for step in self.guide.steps):
            self.talk.say(
                "If a load is on: switch it off, or see that its cut-off is set. Clocks run on, loads do too."
            )
        self.talk.say(f"! {self.guide.cautions[0]}")
