"""Which exceptions end tasks: counted by kind and class, of threads and processes, and bounded."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from idlehands import FAILED
from idlehands._pool_frames import levels_frame
from idlehands._raised import (
    ENTRIES,
    MOST_RAISED,
    MOST_SENT,
    OTHERS,
    RAISED_CELLS,
    count,
    count_in,
    counted_in,
    error_in,
    together,
)

JOB = """\
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import Pool, ThreadPool

def say(line):
    sys.stdout.write(f"{line}\\n")
    sys.stdout.flush()

def told(expected):
    assert sys.stdin.readline().strip() == expected

class Burst(Exception):
    pass

def cool(bowl):
    if bowl % 2 == 0:
        raise Burst(bowl)
    if bowl % 5 == 0:
        raise KeyError(bowl)
    return bowl

def fails(get):
    try:
        get()
    except (Burst, KeyError):
        return True

if __name__ == "__main__":
    make = {"threads": ThreadPoolExecutor, "processes": ProcessPoolExecutor,
            "pool": Pool, "thread pool": ThreadPool}[sys.argv[1]]
    with make(2) as pool:
        list(pool.map(cool, [1]))  # a probe serves from the first worker on
        say("ready")
        told("go")
        if hasattr(pool, "submit"):
            calls = [pool.submit(cool, bowl).result for bowl in range(10)]
        else:
            calls = [pool.apply_async(cool, (bowl,)).get for bowl in range(10)]
        failed = sum(map(bool, map(fails, calls)))
        if hasattr(pool, "submit"):
            pool.shutdown()
        else:
            pool.close()
            pool.join()
    say(failed)
    say("done")
    told("end")
"""
"""Of ten bowls five burst, and one more raises a KeyError."""


@pytest.fixture
def cells():
    """Return the entries of an unused slot."""
    return memoryview(bytearray(RAISED_CELLS * 8)).cast("q")


def last_levels(frames):
    return [frame for frame in frames if frame["frame"] == "levels"][-1]


@pytest.mark.parametrize("sort", ["threads", "processes", "pool", "thread pool"])
def test_the_exceptions_of_stock_pools_are_counted_by_their_class(sort, start_job, attach):
    job = start_job(JOB, sort)
    assert job.says() == "ready"
    reader = attach(job.pid)
    reader.take_in_thread()
    job.tell("go")
    assert job.says() == "6"
    assert job.says() == "done"
    job.tell("end")
    assert job.ends() == ""
    frames = reader.take_all()
    kinds = [frame for frame in frames if frame["frame"] == "names"][-1]["task_kinds"]
    raised = {name: (kinds[kind], times) for kind, name, times in last_levels(frames)["raised"]}
    assert raised == {"Burst": ("__main__.cool", 5), "KeyError": ("__main__.cool", 1)}


def test_a_hand_written_pool_names_the_exception_of_a_task(pool):
    worker = pool.worker(0)
    worker.running(worker.spawned("glaze"))
    worker.raised(KeyError("colour"))
    assert worker.tasks.read(0, 1)[1][0][-1] == FAILED
    assert levels_frame(pool, 1, [])["raised"] == [[0, "KeyError", 1]]


def test_a_hand_written_pool_that_names_no_exception_is_told_so_and_its_task_ends(pool, lenient):
    worker = pool.worker(0)
    worker.running(worker.spawned("glaze"))
    worker.raised("colour")
    assert pool.misuses == 1
    assert worker.token is None
    assert worker.errors == {}


def test_without_a_failed_task_nothing_is_counted(pool):
    worker = pool.worker(0)
    worker.running(worker.spawned("glaze"))
    worker.finished()
    assert levels_frame(pool, 1, [])["raised"] == []


def test_the_class_of_an_exception_is_found_inside_what_a_library_sends():
    class Sent:
        def __init__(self, exc):
            self.exc = exc

    assert error_in(ValueError()) is ValueError
    assert error_in(Sent(ValueError())) is ValueError
    assert error_in(Sent("no exception")) is None
    assert error_in(None) is None


def test_more_exceptions_than_a_thread_counts_apart_count_under_no_name():
    raised = {}
    for number in range(MOST_RAISED + 3):
        count(raised, number, KeyError)
    assert len(raised) == MOST_RAISED + 1
    assert raised[OTHERS] == 3


def test_more_exceptions_than_a_slot_has_entries_count_under_no_name(cells):
    for number in range(ENTRIES + 2):
        count_in(cells, 0, number, KeyError)
        count_in(cells, 0, number, KeyError)
    found = counted_in(cells, 0)
    assert found[0, "KeyError"] == 2
    assert found[OTHERS] == 6
    assert sum(found.values()) == 2 * (ENTRIES + 2)


def test_a_long_name_is_cut_to_the_room_that_a_slot_has(cells):
    long = type("E" * 80, (Exception,), {})
    count_in(cells, 0, 1, long)
    assert counted_in(cells, 0) == {(1, "E" * 48): 1}


def test_readers_get_the_most_frequent_ones():
    rare = {(number, "KeyError"): 1 for number in range(MOST_SENT)}
    sent = together([rare, {(7, "ValueError"): 9}])
    assert sent[0] == [7, "ValueError", 9]
    assert len(sent) == MOST_SENT


@given(st.binary(min_size=RAISED_CELLS * 8, max_size=RAISED_CELLS * 8))
def test_whatever_the_job_writes_there_reading_and_counting_go_on(damage):
    cells = memoryview(bytearray(damage)).cast("q")
    assert all(times > 0 for times in counted_in(cells, 0).values())
    count_in(cells, 0, 1, KeyError)
    assert len(together([counted_in(cells, 0)])) <= ENTRIES
