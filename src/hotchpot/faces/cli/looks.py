"""How the command line looks: a bench notebook in black and white, never by colour alone."""

from __future__ import annotations

import math
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache

from rich.console import Console
from rich.table import Table
from rich.text import Text

MARKS = {"forbid": "✗ FORBID", "only-if": "◆ only if", "caution": "! caution", "fine": "✓ fine"}
STYLES = {"forbid": "bold reverse", "only-if": "bold", "caution": "bold", "fine": "none"}
WIDEST = 118


class _Paper(Console):
    """A console that ends quietly when nobody reads on, as behind `head`."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        raise SystemExit(0)


@cache
def console() -> Console:
    """Return the one console; plain text when piped, at most as wide as reads well."""
    # Without markup: [mV] in a cell is a unit, not a style.
    wide = _Paper(highlight=False, markup=False)
    return wide if wide.width <= WIDEST else _Paper(highlight=False, markup=False, width=WIDEST)


def mark(verdict: str) -> Text:
    """Return a verdict as a sign and a word."""
    return Text(MARKS[verdict], style=STYLES[verdict])


def heading(text: str) -> None:
    """Print a ruled heading."""
    console().print()
    console().rule(Text(f" {text} ", style="bold"), align="left", characters="─", style="none")


def say(text: str, *, indent: int = 0, style: str = "none") -> None:
    """Print wrapped text."""
    lead = " " * indent
    for line in textwrap.wrap(text, console().width - 1, initial_indent=lead, subsequent_indent=lead) or [""]:
        console().print(Text(line, style=style))


def table(*headings: str) -> Table:
    """Return an empty table in the house's look."""
    from rich import box

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold", show_edge=False, padding=(0, 1))
    for text in headings:
        made.add_column(text, overflow="fold")
    return made


def number(value: float | None, unit: str = "", sd: float | None = None) -> str:
    """Return a number of three digits with its doubt and unit; empty where there is none."""
    if value is None:
        return ""
    doubt = f" ± {plain(sd, 2)}" if sd else ""
    return f"{plain(value)}{doubt} {unit}".rstrip()


def plain(value: float, digits: int = 3) -> str:
    """Return a number to so many digits without an exponent: 1870, not 1.87e+03."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def drawn(text: str) -> None:
    """Print a drawing as it is."""
    for line in text.splitlines():
        console().print(Text("  " + line), no_wrap=True, overflow="ignore", crop=False)


@contextmanager
def progress(what: str, *, quiet: bool = False) -> Iterator[Callable[[float], None]]:
    """Show a bar with what is being done and how much of it, where a person is watching."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn(what), BarColumn(), TextColumn("{task.percentage:.0f} %"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda done: bar.update(task, completed=done)
