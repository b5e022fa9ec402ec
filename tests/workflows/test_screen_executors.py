"""The same answer whoever works the units: this process, a pool of processes, a cluster."""

from __future__ import annotations

import errno
import multiprocessing
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoirrig import processors
from geoirrig.city_records import WorkUnit
from geoirrig.errors import GeoirrigError, OutputError
from geoirrig.io import unit_journal
from geoirrig.units import FloatArray
from geoirrig.workflows import work_units
from geoirrig.workflows.load_city import LoadedCity
from geoirrig.workflows.screen_parcels import screen_parcels
from geoirrig.workflows.unit_executors import ThisProcess, unit_executor
from geoirrig.workflows.unit_measures import worked_unit
from geoirrig.workflows.work_units import UnitTask, Worked
from tests.external import require_module
from tests.workflows.small_city import exported, loaded, screened, write_small_city


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> LoadedCity:
    return loaded(write_small_city(tmp_path_factory.mktemp("city"), 24, seed=6, faults_each=1))


@pytest.fixture(scope="module")
def expected(city: LoadedCity, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("run")
    return exported(screened(city, folder / "out"), folder / "out")


@pytest.fixture
def many_units(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work_units, "MOST_UNIT_CELLS", 60_000)


def packed(city: LoadedCity) -> tuple[WorkUnit, ...]:
    return work_units.pack_units(
        city.inputs, cell_size_m=0.25, most_cells=work_units.most_unit_cells(city.ground)
    )


@pytest.mark.usefixtures("many_units")
def test_unit_executor_two_processes_give_the_same_bytes(
    city: LoadedCity, expected: dict[str, bytes], tmp_path: Path
) -> None:
    assert len(packed(city)) > 4
    with unit_executor(workers=2) as executor:
        found = screened(city, tmp_path / "out", executor=executor)
    assert exported(found, tmp_path / "out") == expected


@pytest.mark.usefixtures("many_units")
def test_unit_executor_this_process_works_units_too_but_not_all(
    city: LoadedCity, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worked_here: list[int] = []

    def noted(task: UnitTask) -> Worked:
        worked_here.append(task.number)
        return worked_unit(task)

    monkeypatch.setattr("geoirrig.workflows.unit_measures.worked_unit", noted)
    told: list[str] = []
    with unit_executor(workers=3) as executor:
        screen_parcels(
            city, executor, tmp_path / "out", run={}, progress=lambda step, *_: told.append(step)
        )
    (begun,) = [step for step in told if step.startswith("Working ")]
    assert 0 < len(worked_here) < int(begun.split()[-2])
    assert len(set(worked_here)) == len(worked_here)


def test_one_worker_reads_works_and_writes_in_one_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[str] = []
    start = threading.Thread.start

    def noted_start(thread: threading.Thread) -> None:
        started.append(thread.name)
        start(thread)

    site = write_small_city(tmp_path / "city", 24, seed=6)
    monkeypatch.setattr(processors, "_processors_there", lambda: 4)
    monkeypatch.setattr(threading.Thread, "start", noted_start)
    with unit_executor(workers=1) as executor:
        found = screened(loaded(site), tmp_path / "out", executor=executor)
        exported(found, tmp_path / "out")
    assert started == []
    with unit_executor(workers=2) as executor:
        loaded(site)
    assert started != []  # so the threads of reading are seen


def _write_sum(folder: Path, numbers: FloatArray, word: str) -> None:
    is_here = multiprocessing.parent_process() is None
    (folder / word).write_text(f"{numbers.sum()} {is_here}")


def _write_processor_count(folder: Path) -> None:
    (folder / "count").write_text(str(processors.processor_count()))


def _fail(word: str) -> None:
    raise GeoirrigError(word)


def test_unit_executor_process_does_something_else(tmp_path: Path) -> None:
    with unit_executor(workers=2) as executor:
        waits = [
            executor.aside(_write_sum, tmp_path, np.full(1000, float(k)), str(k)) for k in range(5)
        ]
        wait_for_failure = executor.aside(_fail, "so it is")
        for wait in waits:
            wait()
        with pytest.raises(GeoirrigError, match="so it is"):
            wait_for_failure()
    found = {path.name: path.read_text() for path in tmp_path.iterdir()}
    assert found == {str(k): f"{1000.0 * k} False" for k in range(5)}


def test_unit_executor_what_is_done_aside_takes_one_processor(tmp_path: Path) -> None:
    with unit_executor(workers=2) as executor:
        executor.aside(_write_processor_count, tmp_path)()
    assert (tmp_path / "count").read_text() == "1"


# Threads of the libraries count too, but for the one that cleans up in a store of Arrow's own,
# which is not used.
NOTING_FORKS = """
import os, sys
from pathlib import Path
def threads():
    names = [task.read_text().strip() for task in Path("/proc/self/task").glob("*/comm")]
    return [name for name in names if name != "jemalloc_bg_thd"]
os.register_at_fork(before=lambda: print("forked beside", len(threads()) - 1, "threads"))
from geoirrig import processors
from geoirrig.cli import main
processors._processors_there = lambda: 2
sys.argv[0] = "geoirrig"
main()
"""


def noted_forks(site: Path, programme: Path, out: Path) -> tuple[int, list[str]]:
    told = subprocess.run(
        [sys.executable, "-c", NOTING_FORKS, "screen", str(site), "--programme", str(programme),
         "--out", str(out), "--workers", "3"],
        capture_output=True, encoding="utf-8",
    )  # fmt: skip
    forks = [line for line in told.stdout.splitlines() if line.startswith("forked")]
    return told.returncode, forks


def test_screen_other_processes_are_started_before_there_are_threads(tmp_path: Path) -> None:
    """One for the checksums and two that work units."""
    site = write_small_city(tmp_path / "city", 24, seed=6)
    code, forks = noted_forks(site["site"], site["programme"], tmp_path / "out")
    assert (code, forks) == (0, ["forked beside 0 threads"] * 3)


def test_screen_nobody_is_started_where_a_file_is_missing(tmp_path: Path) -> None:
    site = write_small_city(tmp_path / "city", 24, seed=6)
    gone = tmp_path / "gone"
    for files in ((gone, site["programme"]), (site["site"], gone)):
        assert noted_forks(*files, tmp_path / "out") == (2, [])


def test_unit_executor_a_worker_that_cannot_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    before, forks, fork = set(multiprocessing.active_children()), [], os.fork

    def failing() -> int:
        forks.append(len(forks))
        if len(forks) == 3:
            raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        return fork()

    monkeypatch.setattr(os, "fork", failing)
    with (
        pytest.raises(GeoirrigError, match="3 more working processes cannot be started: "),
        unit_executor(workers=4),
    ):
        raise AssertionError("not all are there")
    assert len(forks) == 3
    assert set(multiprocessing.active_children()) <= before


@pytest.mark.usefixtures("many_units")
def test_unit_executor_a_worker_that_is_ended_from_outside(
    city: LoadedCity, tmp_path: Path
) -> None:
    with unit_executor(workers=2) as executor:
        ended = executor._others.submit(os._exit, 1)  # type: ignore[attr-defined]
        with pytest.raises(BrokenProcessPool):
            ended.result()
        executor.aside(_write_sum, tmp_path, np.ones(3), "word")()
        assert (tmp_path / "word").read_text() == "3.0 True"
        with pytest.raises(GeoirrigError, match=r"ended from outside.*--resume"):
            screened(city, tmp_path / "out", executor=executor)


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.usefixtures("many_units")
def test_screen_parcels_no_room_for_the_journal_is_told(
    city: LoadedCity, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    """The last unit finds none: what is written beside the work is waited for."""
    write, n_units = unit_journal._write_whole, len(packed(city))

    def full(path: Path, content: bytes) -> None:
        if len(list(path.parent.glob("unit-*.npz"))) == n_units - 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        write(path, content)

    monkeypatch.setattr(unit_journal, "_write_whole", full)
    with (
        unit_executor(workers=workers) as executor,
        pytest.raises(OutputError, match=r"No space left on device\. Make room there"),
    ):
        screened(city, tmp_path / "out", executor=executor)


def test_unit_executor_where_no_process_can_be_copied_all_is_done_here(
    city: LoadedCity, expected: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    with unit_executor(workers=2) as executor:
        assert isinstance(executor, ThisProcess)
        assert processors.processor_count() <= 2
        found = screened(city, tmp_path / "out", executor=executor)
    assert exported(found, tmp_path / "out") == expected


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """A cluster of two worker processes, started for the test."""
    distributed = require_module("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        yield cluster.scheduler_address


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
@pytest.mark.usefixtures("many_units")
def test_unit_executor_cluster_of_two_workers_gives_the_same_bytes(
    city: LoadedCity, expected: dict[str, bytes], scheduler: str, tmp_path: Path
) -> None:
    with unit_executor(scheduler=scheduler) as executor:
        found = screened(city, tmp_path / "out", executor=executor)
        workers: Any = executor._client.scheduler_info(n_workers=-1)["workers"]  # type: ignore[attr-defined]
        assert len(workers) == 2
        assert all(worker["metrics"]["task_counts"] is not None for worker in workers.values())
    assert exported(found, tmp_path / "out") == expected


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_unit_executor_scheduler_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    require_module("distributed")
    monkeypatch.setattr("geoirrig.workflows.unit_executors.SECONDS_TO_CONNECT", 1.0)
    with (
        pytest.raises(GeoirrigError, match="cannot be reached"),
        unit_executor(scheduler="tcp://127.0.0.1:9"),
    ):
        pass
