"""The demo in the terminal: one command after another, as a user would type them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from rich.text import Text

from hotchpot import desk
from hotchpot.bank.verdict import Finding, Verdict
from hotchpot.desk.showcase import BENCHED
from hotchpot.faces.cli import show_arrange, show_bench, show_join, show_judge, show_trial
from hotchpot.faces.cli.looks import console, heading, mark, number, progress, say, table

FILES = "--pile pile.csv --readings readings.csv --plan plan.toml"


def show(keep: Path | None) -> None:
    """Run and print the demo; with `keep`, leave its files in that folder."""
    with progress("searching") as tick:
        found = desk.showcase(tick)
    say("Everything below is invented: Cormorant Ness is a made-up croft, and its batteries are made up too.")
    for caution in found.pile.cautions:
        say(caution, style="bold")
    _pile(found)
    _bench(found)
    _tempting(found)
    _command(f"hotchpot arrange {FILES}")
    show_arrange.show(found.search)
    expression = found.search.expressions[0]
    _command(f'hotchpot judge "{expression}" {FILES}')
    show_judge.ratings(found.chosen)
    show_judge.findings(found.chosen.judgement.findings)
    heading("5. Tried on paper, before a spanner touches a terminal")
    _command(f'hotchpot trial "{expression}" {FILES} --from full')
    show_trial.story(found.trial)
    show_trial.plot(found.trial)
    show_judge.findings(show_trial.told(found.trial))
    show_trial.energy(found.trial)
    show_trial.ended(found.trial)
    heading("6. The joining, step by step")
    _command(f'hotchpot join "{expression}" {FILES}')
    show_join.show(found.joining)
    _next(found, keep)


def _command(text: str) -> None:
    console().print()
    console().print(Text(f"$ {text}", style="bold"), soft_wrap=True)


def _pile(found: desk.Showcase) -> None:
    heading("1. The pile: what is there, and what was measured")
    worst: dict[str, Finding] = {}
    for said in found.pile.judgement.findings:
        for name in said.subject:
            worst.setdefault(name, said)
    rows = table("unit", "chemistry", "V", "holds", "of rated", "fit?", "because")
    for card in found.pile.units:
        state = card.state
        finding = worst.get(card.id)
        rows.add_row(
            card.id,
            state.unit.chemistry,
            number(state.unit.cells * state.chem.num("nominal_v")),
            number(state.capacity_ah.value, "Ah") + ("" if str(state.basis) == "measured" else " ?"),
            f"{100 * state.health_frac:.0f} %",
            mark(str(finding.verdict if finding else Verdict.FINE)),
            finding.says if finding and finding.verdict is not Verdict.FINE else "",
        )
    console().print(rows)


def _bench(found: desk.Showcase) -> None:
    heading("2. On the bench: what the readings say, and how sure that is")
    _command("hotchpot bench --pile pile.csv --readings readings.csv")
    read = replace(found.bench, units=tuple(card for card in found.bench.units if card.study is not None))
    show_bench.show(read, cautions=False)
    (shown,) = [card for card in found.bench.units if card.id == BENCHED]
    _command(f"hotchpot bench --pile pile.csv --readings readings.csv --unit {BENCHED}")
    show_bench.estimates(shown)


def _tempting(found: desk.Showcase) -> None:
    report = found.tempting
    heading("3. A tempting idea: everything that says 12 V, joined")
    _command(f'hotchpot judge "{report.arrangement}" {FILES}')
    console().print(mark(str(report.judgement.verdict)))
    for finding in report.judgement.findings:
        if finding.verdict is report.judgement.verdict:
            say(f"{finding.says} {finding.do}", indent=2)
    heading("4. What the search offers instead")


def _next(found: desk.Showcase, keep: Path | None) -> None:
    heading("What to do next")
    untested = [card.id for card in found.bench.units if card.card.grade == "untested"]
    if keep is not None:
        desk.keep_demo(keep)
        say(f"- The demo's files are in {keep}: change a number and run the commands above again.", indent=2)
    else:
        say("- Keep these files to play with: hotchpot demo --keep my-bank", indent=2)
    if untested:
        say(f"- Test {', '.join(untested)}: a unit that was never measured never gets fine.", indent=2)
    say("- Write your own pile.csv: one row for each battery, with what your meter says (docs/pile-file.md).", indent=2)
    say("- Then: judge, arrange, trial, join, as above. Stop wherever a reading is not what the step says.", indent=2)
    for caution in found.pile.cautions:
        say(caution)
