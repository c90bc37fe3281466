"""Threads of a shared pool that end while they have a task in hand."""

from __future__ import annotations

import copy
import sys
import threading

import pytest
from probes_frames import columns_of

from idlehands._frames import Cursor
from idlehands._shared import SharedPool
from idlehands._shared_worker import notice_deaths
from idlehands._tables import DIED, FINISHED, LEFT, LOST
from idlehands.wire import Decoder


@pytest.fixture(autouse=True)
def noticed():
    """Have the probe notice deaths, and the class of threads be as it was afterwards."""
    notice_deaths()
    yield
    del threading.Thread._invoke_excepthook


def rows_of_a_thread_that(ends):
    """Return (outcome of its task, how it left its pool) of a thread that ends by a call."""
    pool, raised = SharedPool("quay", "queue and threads", 0, 4), []

    def work():
        pool.joined_worker().running(pool.queued(pool.add_kind("load")))
        ends()

    before = threading.excepthook
    threading.excepthook = lambda arguments: raised.append(arguments.exc_type)
    try:
        thread = threading.Thread(target=work)
        thread.start()
        thread.join()
    finally:
        threading.excepthook = before
    frames = Decoder().feed(b"".join(Cursor(pool).frames()))
    tables = {f["table"]: columns_of(f) for f in frames if f["frame"] == "rows"}
    return tables["tasks"]["outcome"], tables["stays"]["how"], raised


def fail():
    raise KeyError("harbour")


def test_the_task_of_a_thread_that_an_exception_ends_is_lost_and_the_job_gets_the_exception():
    assert rows_of_a_thread_that(fail) == ((LOST,), (DIED,), [KeyError])


@pytest.mark.parametrize("ends", [lambda: None, sys.exit])
def test_a_thread_that_returns_with_a_task_in_hand_has_done_it(ends):
    outcomes, how, _ = rows_of_a_thread_that(ends)
    assert (outcomes, how) == ((FINISHED,), (LEFT,))


def test_a_thread_that_looks_its_last_call_up_while_it_handles_an_exception_goes_on():
    def look():
        try:
            fail()
        except KeyError:
            assert callable(threading.current_thread()._invoke_excepthook)

    assert rows_of_a_thread_that(look)[:2] == ((FINISHED,), (LEFT,))


def test_nothing_of_a_thread_is_changed_by_its_being_a_worker():
    pool, seen = SharedPool("quay", "queue and threads", 0, 4), []
    thread = threading.Thread(
        target=lambda: (pool.joined_worker(), seen.append(dict(vars(thread))))
    )
    before = dict(vars(thread))
    thread.start()
    thread.join()
    (during,) = seen
    by_starting = {"_ident", "_native_id", "_tstate_lock", "_context"}  # the last from 3.14 on
    assert during.keys() == before.keys()
    assert {name for name in before if during[name] is not before[name]} <= by_starting
    assert vars(copy.copy(thread)) == vars(thread)
    assert not hasattr(threading.Thread, "_invoke_excepthook")


def test_a_thread_whose_last_call_is_set_or_deleted_has_or_lacks_it():
    thread = threading.Thread()
    thread._invoke_excepthook = repr
    assert (thread._invoke_excepthook, vars(thread)["_invoke_excepthook"]) == (repr, repr)
    del thread._invoke_excepthook
    assert not hasattr(thread, "_invoke_excepthook")
    with pytest.raises(AttributeError):
        del thread._invoke_excepthook
