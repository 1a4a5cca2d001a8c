"""
Many runs side by side: on all cores of this machine, or on a cluster.

The answer is the same wherever and in whatever order the jobs run: results come in the order of the jobs, and a job
must depend on nothing but itself. Where jobs are short and many, processes are used, as Python's own work would keep
threads waiting for one another; where they are long, or few, threads do as well and start at once.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import pickle
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import hotchpot
from hotchpot.errors import InputError

J = TypeVar("J")
R = TypeVar("R")

BATCH_S = 0.25  # what is handed out at once: long enough to be worth sending, short enough to stop soon
SHORT_JOB_S, WORTH_PROCESSES_S = 0.1, 4.0  # processes take one to two seconds to start; measured
BATCHES_EACH = 4  # at least so many for every core, so that all end at about the same time
MOST_IN_BATCH = 64
ANSWER_S = 10.0  # how long a cluster may take to answer
RETRIES = 3  # of a batch whose worker went away, beside those that the scheduler makes by itself


@dataclass(frozen=True, slots=True)
class Runs(Generic[R]):
    """
    What was run: the results of the first jobs in their order, how many were `wanted`, and `where` they ran.

    Where the user broke off, the results are those of the first jobs up to the first one that was not done: the same as
    if no more had been asked for.
    """

    results: tuple[R, ...]
    wanted: int
    where: str

    @property
    def broken_off(self) -> bool:
        """Whether the user broke off before all was done."""
        return len(self.results) < self.wanted


def run_samples(
    jobs: Sequence[J],
    work: Callable[[J], R],
    *,
    workers: int | None = None,
    on: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Runs[R]:
    """
    Run `work` on every job, and return the results in the order of the jobs.

    Parameters
    ----------
    jobs : sequence
        What `work` is called with, one by one; of a study, the numbers of its samples.
    work : callable
        Must give the same for the same job anywhere. For processes and clusters it must be picklable: a function of a
        module, or an object such as `trial.samples.Study`.
    workers : int, optional
        How many at once on this machine; None takes all cores. Not used on a cluster.
    on : str, optional
        The address of a Dask scheduler, such as ``tcp://host:8786``, to run the jobs there. Whoever may talk to a
        scheduler can run anything on its workers: use clusters of a network that you trust.
    progress : callable, optional
        Called in the caller's thread with the part that is done, 0 to 1.

    Raises
    ------
    InputError
        If `workers` is not above nought; if no cluster answers at the address, its workers have another version of
        Hotchpot or what it calculates with, or it went away for good. What `work` raises comes through, that of the
        first job in order which was seen to fail.

    Notes
    -----
    KeyboardInterrupt ends a run early and keeps what is done: see `Runs`. A second one is not caught. A script that
    calls this begins under ``if __name__ == "__main__"``, as processes of Python ask; else threads are used in the end.
    """
    told = progress or _unheard
    if workers is not None and workers < 1:
        raise InputError.one("workers", f"it is {workers}", "give one or more")
    if on is not None:
        return _on_cluster(list(jobs), work, on, told)
    return _Here(list(jobs), work, workers or _cores(), told).run()


def _unheard(_part: float) -> None:
    """Tell nobody how far the work is."""


def _cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _batch(work: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
    return [work(job) for job in jobs]


# --- here ------------------------------------------------------------------------------------------------------------


class _Here(Generic[J, R]):
    """Jobs on this machine; `done` are the results of the first of them, whatever happens."""

    def __init__(self, jobs: list[J], work: Callable[[J], R], workers: int, told: Callable[[float], None]) -> None:
        self.jobs, self.work, self.workers, self.told = jobs, work, workers, told
        self.done: list[R] = []
        self.where = "one core"

    def run(self) -> Runs[R]:
        """Run some jobs alone, to see how long they take and to compile what is not compiled yet, then the rest."""
        job_s = 0.0
        try:
            for job in self.jobs if self.workers == 1 else self.jobs[:2]:
                began = time.perf_counter()
                self.done.append(self.work(job))
                job_s = time.perf_counter() - began
                self.told(len(self.done) / len(self.jobs))
            if len(self.done) < len(self.jobs):
                self._side_by_side(job_s)
        except KeyboardInterrupt:
            pass
        return Runs(tuple(self.done), len(self.jobs), self.where)

    def _side_by_side(self, job_s: float) -> None:
        left = len(self.jobs) - len(self.done)
        size = min(math.ceil(left / (BATCHES_EACH * self.workers)), int(BATCH_S / max(job_s, 1e-6)))
        if job_s < SHORT_JOB_S and job_s * left > WORTH_PROCESSES_S and _can_be_sent(self.work):
            self.where = f"{self.workers} processes"
            try:
                self._in_pool(_processes(self.workers), max(1, size))
            except BrokenProcessPool:  # a process was killed, or the caller's script cannot be started twice
                pass
            else:
                return
        self.where = f"{self.workers} threads"
        self._in_pool(ThreadPoolExecutor(self.workers), max(1, size))

    def _in_pool(self, pool: Executor, size: int) -> None:
        """Run the jobs that are left in batches; raise what the first of them that failed has raised."""
        ready = len(self.done)
        futures: list[Future[list[R]]] = []
        try:
            with _unbroken():
                for k in range(ready, len(self.jobs), size):
                    futures.append(pool.submit(_batch, self.work, self.jobs[k : k + size]))
            for future in as_completed(futures):
                if future.exception() is not None:
                    break
                ready += len(future.result())
                self.told(ready / len(self.jobs))
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
            self._keep(futures)
        for future in futures:
            if not future.cancelled():
                future.result()

    def _keep(self, futures: Sequence[Future[list[R]]]) -> None:
        for future in futures:
            if future.cancelled() or future.exception() is not None:
                return
            self.done.extend(future.result())


def _can_be_sent(work: object) -> bool:
    try:
        pickle.dumps(work)
    except (pickle.PicklingError, AttributeError, TypeError):
        return False
    return True


def _processes(workers: int) -> ProcessPoolExecutor:
    """Return a pool of fresh processes, which leave it to this one to hear the user break off."""
    fresh = multiprocessing.get_context("spawn")  # a fork would copy the locks of threads that it leaves behind
    ignore = (signal.SIGINT, signal.SIG_IGN)
    return ProcessPoolExecutor(workers, mp_context=fresh, initializer=signal.signal, initargs=ignore)


@contextmanager
def _unbroken() -> Iterator[None]:
    """
    Hear the user break off only at the end, and let no process that is started meanwhile hear it at all.

    Python that is interrupted while it starts a process leaves one behind that waits for ever for what it is to do.
    """
    if threading.current_thread() is not threading.main_thread() or signal.getsignal(signal.SIGINT) is None:
        yield  # only the main thread hears it
        return
    heard: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: heard.append(number))
    held = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if hasattr(signal, "pthread_sigmask") else None
    try:
        yield
    finally:
        if held is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, held)
        signal.signal(signal.SIGINT, before)
    if heard:
        raise KeyboardInterrupt


# --- on a cluster ----------------------------------------------------------------------------------------------------


def _on_cluster(jobs: list[J], work: Callable[[J], R], address: str, told: Callable[[float], None]) -> Runs[R]:
    try:
        from distributed import Client
    except ImportError as missing:
        mend = "install it with Hotchpot's extra 'cluster', here and on the cluster"
        raise InputError.one("on", "the package 'distributed' is not installed here", mend) from missing
    client = Client.__new__(Client)  # held by name, so that one which nobody answers can be let go
    try:
        client.__init__(address, timeout=ANSWER_S, set_as_default=False)  # type: ignore[misc]
    except (OSError, ValueError, RuntimeError) as silent:
        _let_go(client)
        mend = "start a scheduler and workers there, and give its address as tcp://host:port"
        raise InputError.one("on", f"no cluster answers at {address}", mend) from silent
    with client:
        cores = _check(client, address)
        size = max(1, min(math.ceil(len(jobs) / (BATCHES_EACH * cores)), MOST_IN_BATCH))
        batches = [jobs[k : k + size] for k in range(0, len(jobs), size)]
        found = _Sent(client, work, batches, address).gather(len(jobs), told)
    results: list[R] = []
    for k in range(len(batches)):
        if k not in found:
            break
        results.extend(found[k])
    return Runs(tuple(results), len(jobs), address)


def _let_go(client: Any) -> None:
    """Stop what a client that never got an answer has begun; closing it would wait for the scheduler in vain."""
    client.status = "closed"
    runner = getattr(client, "_loop_runner", None)
    if runner is not None and runner.is_started():
        runner.stop()


def _versions() -> tuple[str, ...]:
    """Return the versions of what makes the numbers; on whichever machine it is called."""
    import numba
    import numpy

    return f"hotchpot {hotchpot.__version__}", f"numpy {numpy.__version__}", f"numba {numba.__version__}"


def _check(client: Any, address: str) -> int:
    """Hold a cluster's workers to this machine's versions; return how many cores they have."""
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except TimeoutError as none:
        mend = "start workers for it"
        raise InputError.one("on", f"the scheduler at {address} has no workers", mend) from none
    here = _versions()
    there = client.run(_versions, on_error="return")
    unlike = {worker: found for worker, found in there.items() if found != here and not isinstance(found, OSError)}
    if unlike:
        worker, found = next(iter(unlike.items()))
        told = f"fails ({found})" if isinstance(found, Exception) else f"has {', '.join(found)}"
        raise InputError.one("on", f"the worker at {worker} {told}", f"install {', '.join(here)} there")
    return max(1, int(sum(client.nthreads().values())))


class _Sent(Generic[J, R]):
    """Batches on their way through a cluster; a batch whose worker is lost is sent again."""

    def __init__(self, client: Any, work: Callable[[J], R], batches: list[list[J]], address: str) -> None:
        self.client, self.work, self.batches, self.address = client, work, batches, address
        self.sent: dict[str, tuple[int, Any]] = {}
        self.lost: dict[int, int] = {}

    def gather(self, wanted: int, told: Callable[[float], None]) -> dict[int, list[R]]:
        """Return the results by batch; all of them, unless the user breaks off."""
        from distributed import as_completed as in_turn

        found: dict[int, list[R]] = {}
        try:
            sent = [self._send(k) for k in range(len(self.batches))]
            coming = in_turn(sent, loop=self.client.loop)  # type: ignore[no-untyped-call]
            for future in coming:
                k, _ = self.sent.pop(future.key)
                result = self._result(future, k)
                if result is None:
                    coming.add(self._send(k))  # type: ignore[no-untyped-call]
                    continue
                found[k] = result
                told(sum(map(len, found.values())) / wanted)
        except KeyboardInterrupt:
            pass
        finally:
            if self.client.status == "running":
                self.client.cancel([future for _, future in self.sent.values()])
        return found

    def _send(self, k: int) -> Any:
        future = self.client.submit(_batch, self.work, self.batches[k], pure=False)
        self.sent[future.key] = (k, future)
        return future

    def _result(self, future: Any, k: int) -> list[R] | None:
        """Return a batch's results, or None where its worker was lost and it is to be sent again."""
        from concurrent.futures import CancelledError

        from distributed import KilledWorker
        from distributed.comm.core import CommClosedError

        try:
            return list(future.result())
        except (KilledWorker, CancelledError, CommClosedError) as gone:
            self.lost[k] = self.lost.get(k, 0) + 1
            if self.lost[k] > RETRIES or self.client.status != "running":
                what = f"the cluster at {self.address} lost the jobs from {self.batches[k][0]!r} on"
                raise InputError.one("on", what, "look into its logs, or run without a cluster") from gone
            return None
