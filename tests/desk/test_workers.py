"""
Many runs side by side give what one run after the other gives, whatever becomes of those who run them.

The referee is the plain loop over the jobs. The cluster is a real one on this machine, of two worker processes behind a
scheduler; one of them is killed while it works.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

import hotchpot
from hotchpot.bank.bank import Bank
from hotchpot.bank.notation import parse
from hotchpot.bank.plan import Plan
from hotchpot.bench.state import state_of
from hotchpot.circuit.drive import Stop, Stretch, drive_of
from hotchpot.desk import workers
from hotchpot.desk.workers import Runs, run_samples
from hotchpot.errors import InputError
from hotchpot.pile.unit import Unit
from hotchpot.trial.samples import Sample, Study
from hotchpot.trial.scenario import Scenario

DRAWS = 24
IDS = tuple("ABCD")


@pytest.fixture(scope="module")
def study() -> Study:
    """Return a study of an invented bank: two strings of two unlike units, discharged to a cut-off at short steps."""
    units = [
        Unit(
            id=name, chemistry="lead_agm", cells=6, rated_ah=100.0, rated_hours=20.0, capacity_ah=95.0 - 4.0 * k,
            resistance_mohm=5.0 + k, rest_v=12.75, rest_hours=48.0,
        )
        for k, name in enumerate(IDS)
    ]  # fmt: skip
    bank = Bank(parse("(A + B) // (C + D)", known=IDS), {unit.id: state_of(unit) for unit in units})
    scenario = Scenario(
        name="run", says="Until the cut-off.", drive=drive_of([Stretch(seconds=40 * 3600, load_a=15)]),
        stop=Stop(low_v=21.6), step_s=2.0,
    )  # fmt: skip
    return Study(bank, Plan(), scenario, seed=5)


@pytest.fixture(scope="module")
def plain(study: Study) -> tuple[Sample, ...]:
    """Return the study's draws, one after the other in a plain loop."""
    return tuple(study(index) for index in range(DRAWS))


def square(number: int) -> int:
    """Return the square of a number."""
    return number * number


def slow_square(number: int) -> int:
    """Return the square of a number, after a while."""
    time.sleep(0.01)
    return number * number


def square_of_few(number: int) -> int:
    """Return the square of a number under seven, and fail from there on."""
    if number >= 7:
        raise InputError.one(f"job {number}", "it is seven or more", "give less")
    return number * number


def square_in_the_first_process_only(number: int) -> int:
    """Return the square of a number; any process that was started to help dies of it."""
    if multiprocessing.parent_process() is not None:
        os._exit(1)
    return number * number


@dataclass
class Breaking:
    """A progress that breaks off, as a user does, once more than a part is done."""

    after: float
    heard: list[float] = field(default_factory=list)

    def __call__(self, part: float) -> None:
        """Note the part, and break off."""
        self.heard.append(part)
        if part > self.after:
            raise KeyboardInterrupt


# --- here ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3])
def test_any_count_of_workers_gives_the_same(study: Study, plain: tuple[Sample, ...], count: int) -> None:
    """One, two or three workers give the draws of the plain loop, bit for bit, in order, with progress up to one."""
    heard: list[float] = []
    runs = run_samples(range(DRAWS), study, workers=count, progress=heard.append)
    assert runs.results == plain
    assert not runs.broken_off
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_processes_give_the_same(study: Study, plain: tuple[Sample, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Processes of their own give the draws of the plain loop too."""
    monkeypatch.setattr(workers, "WORTH_PROCESSES_S", 0.0)
    monkeypatch.setattr(workers, "SHORT_JOB_S", 1e9)
    runs = run_samples(range(DRAWS), study, workers=2)
    assert runs == Runs(plain, DRAWS, "2 processes")


def test_processes_that_die_are_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where processes are killed the jobs that are left run in threads."""
    monkeypatch.setattr(workers, "WORTH_PROCESSES_S", -1.0)
    runs = run_samples(range(40), square_in_the_first_process_only, workers=2)
    assert runs == Runs(tuple(n * n for n in range(40)), 40, "2 threads")


@pytest.mark.parametrize("count", [1, 2])
def test_breaking_off_keeps_what_is_done(count: int) -> None:
    """Broken off in the middle, the results are those of the first jobs, without a gap."""
    runs = run_samples(range(1000), square, workers=count, progress=Breaking(0.3))
    assert runs.broken_off
    assert 300 <= len(runs.results) < 1000
    assert runs.results == tuple(n * n for n in range(len(runs.results)))


@pytest.mark.parametrize(("in_processes", "after_s"), [(False, 0.2), (True, 0.03), (True, 1.5)])
def test_a_real_interrupt_keeps_what_is_done(in_processes: bool, after_s: float) -> None:
    """The signal that a terminal sends does the same, also while processes start; and none of them is left over."""

    def unsent(number: int) -> int:
        return slow_square(number)

    user = threading.Timer(after_s, os.kill, (os.getpid(), signal.SIGINT))
    user.start()
    runs = run_samples(range(2000), slow_square if in_processes else unsent, workers=2)
    user.join()
    assert runs.broken_off
    assert runs.results == tuple(n * n for n in range(len(runs.results)))
    assert multiprocessing.active_children() == []


@pytest.mark.parametrize("count", [1, 2])
def test_what_a_job_raises_comes_through(count: int) -> None:
    """A job that fails ends the run with its own error, that of the first that failed."""
    with pytest.raises(InputError, match="job 7: it is seven or more"):
        run_samples(range(7 * count + 1), square_of_few, workers=count)


def test_no_jobs_have_no_results() -> None:
    """Nothing to do is done at once."""
    assert run_samples([], square, workers=2) == Runs((), 0, "one core")


def test_no_workers_are_refused() -> None:
    """Nought workers do nothing."""
    with pytest.raises(InputError, match="workers: it is 0"):
        run_samples(range(3), square, workers=0)


# --- on a cluster ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Yield a scheduler with two worker processes of one thread each, on this machine."""
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as started:
        yield started


def test_a_cluster_gives_the_same(cluster: Any, study: Study, plain: tuple[Sample, ...]) -> None:
    """Two processes behind a scheduler give the draws of the plain loop, bit for bit, in order."""
    heard: list[float] = []
    runs = run_samples(range(DRAWS), study, on=cluster.scheduler_address, progress=heard.append)
    assert runs == Runs(plain, DRAWS, cluster.scheduler_address)
    assert heard[-1] == 1.0


def test_a_worker_killed_in_mid_run_changes_nothing(cluster: Any, study: Study, plain: tuple[Sample, ...]) -> None:
    """One of two workers is killed while it has draws in hand: the study ends all the same, with the same numbers."""
    killed: list[int] = []

    def kill(part: float) -> None:
        busy = [w for w in cluster.scheduler.workers.values() if w.processing]
        if part < 1.0 and busy and not killed:
            pid = next(n.pid for n in cluster.workers.values() if n.worker_address == busy[0].address)
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)

    runs = run_samples(range(4 * DRAWS), study, on=cluster.scheduler_address, progress=kill)
    assert len(killed) == 1
    assert not runs.broken_off
    assert runs.results[:DRAWS] == plain
    assert runs.results == tuple(study(index) for index in range(4 * DRAWS))


def test_breaking_off_a_cluster_keeps_what_is_done(cluster: Any) -> None:
    """Broken off in the middle, the results are those of the first jobs, without a gap, and the cluster is free."""
    runs = run_samples(range(400), square, on=cluster.scheduler_address, progress=Breaking(0.5))
    assert runs.broken_off
    assert runs.results == tuple(n * n for n in range(len(runs.results)))
    assert run_samples(range(5), square, on=cluster.scheduler_address).results == (0, 1, 4, 9, 16)


def test_what_a_job_raises_on_a_cluster_comes_through(cluster: Any) -> None:
    """A job that fails there ends the run with its own error here."""
    with pytest.raises(InputError, match="seven or more"):
        run_samples(range(9), square_of_few, on=cluster.scheduler_address)


def test_a_cluster_of_another_version_is_refused(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers whose versions are not this machine's would give other numbers: the error names what to install."""
    monkeypatch.setattr(hotchpot, "__version__", "99")
    with pytest.raises(InputError, match=r"has hotchpot .*, numpy .*install hotchpot 99, numpy .* there"):
        run_samples(range(3), square, on=cluster.scheduler_address)


def test_where_nothing_answers_the_error_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """An address without a scheduler, or that is none, is named, with what to do."""
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    monkeypatch.setattr(workers, "ANSWER_S", 0.5)
    unheard: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", unheard.append)
    for address in ("tcp://127.0.0.1:1", "nowhere://x", "foo", ""):
        with pytest.raises(InputError, match="on: no cluster answers at"):
            run_samples(range(3), square, on=address)
    gc.collect()
    assert unheard == []  # nothing is left behind that complains when it is thrown away


def test_without_the_package_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the extra is not installed a cluster is refused, and nothing else."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"'distributed' is not installed.*extra 'cluster'"):
        run_samples(range(3), square, on="tcp://127.0.0.1:8786")
    assert run_samples(range(3), square).results == (0, 1, 4)


def test_a_cluster_without_workers_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A scheduler that nobody works for answers, but the study would never end."""
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    monkeypatch.setattr(workers, "ANSWER_S", 1.0)
    with (
        contextlib.closing(distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=":0")) as empty,
        pytest.raises(InputError, match="has no workers"),
    ):
        run_samples(range(3), square, on=empty.scheduler_address)
