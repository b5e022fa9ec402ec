"""How many processors are used, and who does the work."""

from __future__ import annotations

import threading
from concurrent.futures import Future
from contextlib import nullcontext

import pytest

from geoirrig import processors
from geoirrig.processors import (
    at_most_processors,
    processor_count,
    run_in_threads,
    run_on_all_processors,
    submit_after,
    threads_beside,
)


@pytest.fixture
def four_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processors, "_processors_there", lambda: 4)


@pytest.mark.usefixtures("four_processors")
def test_the_narrowest_limit_holds_and_goes_with_its_context() -> None:
    assert processor_count() == 4
    with at_most_processors(3):
        with at_most_processors(8):
            assert processor_count() == 3
        with pytest.raises(KeyError, match="1"), at_most_processors(1):
            {}[processor_count()]
        assert processor_count() == 3
    assert processor_count() == 4


@pytest.mark.usefixtures("four_processors")
@pytest.mark.parametrize("limit", [1, 4])
def test_pieces_make_the_whole_on_any_number_of_processors(limit: int) -> None:
    done, here = [0] * 1000, set[int]()

    def work(start: int, stop: int) -> None:
        here.add(threading.get_ident())
        for place in range(start, stop):
            done[place] += 1

    with at_most_processors(limit):
        run_in_threads(work, 1000, smallest=10)
    assert done == [1] * 1000
    assert (here == {threading.get_ident()}) == (limit == 1)


@pytest.mark.usefixtures("four_processors")
def test_on_one_processor_all_is_done_by_the_thread_that_asks() -> None:
    calls: list[int] = []
    with at_most_processors(1):
        run_on_all_processors(lambda: calls.append(threading.get_ident()), at_most=9)
        with threads_beside(2) as aside:
            first = aside.submit(threading.get_ident)
            assert first.done()
            assert list(aside.map(pow, (2, 3), (3, 2))) == [8, 9]
    assert calls == [first.result()] == [threading.get_ident()]


@pytest.mark.parametrize("limit", [1, 4])
@pytest.mark.usefixtures("four_processors")
def test_a_task_gets_what_the_tasks_among_its_arguments_found(limit: int) -> None:
    with at_most_processors(limit), threads_beside(2) as aside:
        two = aside.submit(int, "2")
        power = submit_after(aside, pow, two, 5)
        assert submit_after(aside, int, "11", base=3).result() == 4
        assert submit_after(aside, max, power, two, 7).result() == 32
        failed = submit_after(aside, abs, aside.submit(int, "seven"))
        with pytest.raises(ValueError, match="seven"):
            failed.result()


@pytest.mark.usefixtures("four_processors")
@pytest.mark.parametrize("limit", [None, 1])
def test_an_error_is_raised_where_the_result_is_asked_for(limit: int | None) -> None:
    with at_most_processors(limit) if limit else nullcontext(), threads_beside(1) as aside:
        failed: Future[int] = aside.submit(int, "seven")
        with pytest.raises(ValueError, match="seven"):
            failed.result()
