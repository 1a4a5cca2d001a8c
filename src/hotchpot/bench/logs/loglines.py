"""Which line of the file each row of a log stood on, kept small for files of many millions of rows."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(slots=True)
class LineBook:
    """
    The lines of the rows, batch by batch: a first line where they follow each other, else one for each row.

    Examples
    --------
    >>> book = LineBook()
    >>> book.add(10, 2)
    >>> book.add(5, 20)
    >>> book.line(3), book.line(10)
    (5, 20)
    """

    starts: list[int] = field(default_factory=list)
    lines: list[int | NDArray[np.int64]] = field(default_factory=list)
    rows: int = 0

    def add(self, count: int, line: int | NDArray[np.int64]) -> None:
        """Take the lines of the next `count` rows."""
        if isinstance(line, int):
            follows = self.starts and isinstance(self.lines[-1], int)
            if not (follows and self.lines[-1] + self.rows - self.starts[-1] == line):
                self.starts.append(self.rows)
                self.lines.append(line)
        elif int(line[-1]) - int(line[0]) == count - 1:
            self.add(count, int(line[0]))
            return
        else:
            self.starts.append(self.rows)
            self.lines.append(line.astype("uint32"))
        self.rows += count

    def line(self, row: int) -> int:
        """Return the line of a row."""
        at = bisect_right(self.starts, row) - 1
        lines, past = self.lines[at], row - self.starts[at]
        return lines + past if isinstance(lines, int) else int(lines[past])
