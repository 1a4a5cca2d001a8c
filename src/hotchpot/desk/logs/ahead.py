"""Do things ahead of time, in order: while the last result is used, threads work at the next ones."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Thing = TypeVar("Thing")
Made = TypeVar("Made")
THREADS = 2
_STEPS = 5


def ahead(make: Callable[[Thing], Made], things: Iterator[Thing]) -> Iterator[Made]:
    """
    Yield what `make` gives for each thing, in order, a few of them made ahead; what it raises is raised here.

    >>> list(ahead(str.upper, iter("abc")))
    ['A', 'B', 'C']
    """
    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(THREADS, thread_name_prefix="ahead") as threads:
        try:
            for thing in things:
                waiting.append(threads.submit(make, thing))
                if len(waiting) >= _STEPS:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            threads.shutdown(cancel_futures=True)
