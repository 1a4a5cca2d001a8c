"""A search's proposals in the terminal."""

from __future__ import annotations

from hotchpot.desk import ArrangeReport
from hotchpot.faces.cli.looks import console, drawn, heading, mark, number, say, table


def show(report: ArrangeReport) -> None:
    """Print the proposals as a table, and the first one drawn."""
    search = report.search
    heading("Proposals, best first")
    rows = table("", "arrangement", "usable", "of bound", "verdict", "left over")
    for i, (text, p) in enumerate(zip(report.expressions, search.proposals, strict=True), start=1):
        rows.add_row(
            str(i),
            text,
            number(p.usable_ah.value, "Ah", p.usable_ah.sd) + "\n" + number(p.usable_wh.value, "Wh"),
            f"{100 * (1 - p.gap_frac):.0f} %",
            mark(str(p.verdict)),
            ", ".join(p.left_over) or "none",
        )
    console().print(rows)
    say(
        "Usable: at the duty's load and cold, to the last; what may be taken every day is less (see duty-energy).",
        indent=2,
    )
    if report.drawings:
        heading("The first, drawn")
        drawn(report.drawings[0])
        say(search.proposals[0].why, indent=2)
    if search.rejected:
        heading("Left out of the search")
        for name, why in search.rejected.items():
            say(why if why.startswith((f"{name} ", f"{name}:")) else f"{name}: {why}", indent=2)
    proof = "proven: nothing safe gives more" if search.proven_optimal else "not proven: the best found so far"
    counted = f"{search.considered} arrangement" + ("" if search.considered == 1 else "s")
    say(f"{counted} looked at in {report.seconds:.2f} s, seed {report.seed}; {proof}.")
    for caution in report.cautions:
        say(caution)
