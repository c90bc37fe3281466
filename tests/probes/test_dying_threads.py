"""Threads of a shared pool that end while they have a task in hand."""

from __future__ import annotations

import sys
import threading

import pytest
from probes_frames import columns_of

from idlehands._frames import Cursor
from idlehands._shared import SharedPool
from idlehands._tables import DIED, FINISHED, LEFT, LOST
from idlehands.wire import Decoder


def rows_of_a_thread_that(ends):
    """Return (outcome of its task, how it left its pool) of a thread that ends by a call."""
    pool, told = SharedPool("quay", "queue and threads", 0, 4), []

    def work():
        pool.newcomer().running(pool.queued(pool.add_kind("load")))
        ends()

    before = threading.excepthook
    threading.excepthook = lambda arguments: told.append(arguments.exc_type)
    try:
        thread = threading.Thread(target=work)
        thread.start()
        thread.join()
    finally:
        threading.excepthook = before
    frames = Decoder().feed(b"".join(Cursor(pool).frames()))
    tables = {f["table"]: columns_of(f) for f in frames if f["frame"] == "rows"}
    return tables["tasks"]["outcome"], tables["stays"]["how"], told


def fail():
    raise KeyError("harbour")


def test_the_task_of_a_thread_that_an_exception_ends_is_lost_and_the_job_is_told_as_ever():
    assert rows_of_a_thread_that(fail) == ((LOST,), (DIED,), [KeyError])


@pytest.mark.parametrize("ends", [lambda: None, sys.exit])
def test_a_thread_that_returns_with_a_task_in_hand_has_done_it(ends):
    outcomes, how, _ = rows_of_a_thread_that(ends)
    assert (outcomes, how) == ((FINISHED,), (LEFT,))
