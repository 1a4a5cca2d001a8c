"""Make the next things while the last are used: a thread that runs a few steps ahead."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

Thing = TypeVar("Thing")
_STEPS = 2


@dataclass(frozen=True, slots=True)
class _End:
    """Nothing more comes; `error` says why, where it was not the end."""

    error: BaseException | None = None


def ahead(things: Iterator[Thing]) -> Iterator[Thing]:
    """
    Yield the things while a thread makes the next ones; what it raises is raised here.

    >>> list(ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    line: queue.Queue[Thing | _End] = queue.Queue(_STEPS)
    stop = threading.Event()

    def work() -> None:
        try:
            for thing in things:
                line.put(thing)
                if stop.is_set():
                    return
            line.put(_End())
        except BaseException as error:
            line.put(_End(error))

    worker = threading.Thread(target=work, name="ahead", daemon=True)
    worker.start()
    try:
        while not isinstance(item := line.get(), _End):
            yield item
        if item.error is not None:
            raise item.error
    finally:
        stop.set()
        while worker.is_alive():  # a full queue would hold the thread for ever
            try:
                line.get(timeout=0.01)
            except queue.Empty:
                continue
        worker.join()
