"""
Talking with a person at the bench: say, ask for a line, wait with a countdown, ring.

Everything is read line by line from standard input, so that a script can feed it. At a terminal the waits count down
and the bell rings; elsewhere a short wait is waited out, and a long one is asked away.
"""

from __future__ import annotations

import select
import sys
import textwrap
import time
from collections.abc import Callable
from datetime import datetime

from rich.console import Console
from rich.text import Text

from hotchpot.faces.cli.looks import WIDEST, console

SHORT_S = 60.0
_TICK_S = 0.25


class EndOfInputError(Exception):
    """Nobody types any more: the input has come to its end."""


class Talk:
    """One conversation; with `quiet` its words go to standard error, so that standard output holds the answer only."""

    def __init__(self, *, quiet: bool = False) -> None:
        self.live = sys.stdin.isatty() and (sys.stderr if quiet else sys.stdout).isatty()
        # Made anew each time: the stream may have changed since.
        self.console = Console(stderr=True, highlight=False, width=min(WIDEST, console().width)) if quiet else console()

    def say(self, text: str, *, indent: int = 0, style: str = "none") -> None:
        """Print wrapped text."""
        lead = " " * indent
        width = self.console.width - 1
        for line in textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=lead) or [""]:
            self.console.print(Text(line, style=style))

    def heading(self, text: str) -> None:
        """Print a ruled heading."""
        self.console.print()
        self.console.rule(Text(f" {text} ", style="bold"), align="left", characters="─", style="none")

    def ring(self) -> None:
        """Ring the terminal's bell, where a person is near."""
        if self.live:
            self.console.bell()

    def line(self, prompt: str, *, ring_at: datetime | None = None, now: Callable[[], datetime] | None = None) -> str:
        """
        Ask for one line; at a terminal the bell rings once at `ring_at` while nobody types.

        Raises
        ------
        EndOfInputError
            If the input has ended.
        """
        self.console.print(Text(f"{prompt} > ", style="bold"), end="")
        while self.live and ring_at is not None and now is not None and not _typed(_TICK_S):
            if now() >= ring_at:
                self.ring()
                ring_at = None
        return self._read()

    def _read(self) -> str:
        text = sys.stdin.readline()
        if not text:
            self.console.print()
            raise EndOfInputError
        if not self.live:  # what a script feeds is shown, so that its log reads as the conversation
            self.console.print(Text(text.rstrip("\r\n")))
        return text.strip()

    def wait(self, seconds: float, what: str) -> str | None:
        """
        Wait so long; return what was typed meanwhile, or None when the time has passed.

        Elsewhere than at a terminal, nothing is read in a short wait; a long one returns at once with the next line.
        """
        if self.live:
            return self._countdown(seconds, what)
        if seconds > SHORT_S:
            return self.line(f"{what}: {remaining(seconds)} left. Press Enter when you go on")
        pause(seconds)
        return None

    def _countdown(self, seconds: float, what: str) -> str | None:
        from rich.progress import BarColumn, Progress, TextColumn

        ends = time.time() + seconds  # by the wall clock, which runs on while a lid is closed
        columns = (TextColumn(what), BarColumn(), TextColumn("{task.fields[left]}"), TextColumn("Enter goes on"))
        with Progress(*columns, console=self.console, transient=True) as bar:
            task = bar.add_task(what, total=seconds, left=remaining(seconds))
            while (left := ends - time.time()) > 0:
                bar.update(task, completed=seconds - left, left=remaining(left))
                if _typed(min(_TICK_S, left)):
                    break
            else:
                self.ring()
                return None
        return self._read()


def pause(seconds: float) -> None:
    """Let time pass."""
    time.sleep(seconds)


def remaining(seconds: float) -> str:
    """Return a time that is left, in words."""
    whole = max(0, round(seconds))
    if whole < 120:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes < 72 * 60 else f"{minutes / 1440:.1f} days"


def _typed(seconds: float) -> bool:
    """Wait so long for a line; tell whether there is one."""
    try:
        return bool(select.select([sys.stdin], [], [], seconds)[0])
    except (OSError, ValueError):  # no such thing on this system: the line is simply waited for
        return True
