"""The what-if question of a screen: answered by a process of its own, which ends with it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from types import SimpleNamespace

import psutil
import pytest
from readings import SECOND, source
from test_dashboard import StillFeed, shown

from helpers import wait_until
from histories import History, Task, ledger
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.stats.cache import FRESH
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.model.changes import Question, Workers
from idlehands_monitor.session import whatif
from idlehands_monitor.session.session import Session
from idlehands_monitor.session.whatif import NO_ANSWER, State, WhatIf
from idlehands_monitor.views.terminal.app import Dashboard

FOUR_WORKERS = Question(changes=((Workers(4),),), seeds=2)
MANY_RUNS = Question(changes=tuple((Workers(n),) for n in range(1, 200)), seeds=200)


def recorded(tasks=40):
    """Return what one worker recorded that ran one task of a tenth of a second after the other."""
    step = SECOND // 10
    history = History(1, tasks * step)
    history.tasks = [Task(n, 0, 0, n * step, (n + 1) * step) for n in range(tasks)]
    held = ledger(history)
    past = JobHistory()
    past.extend(held)
    return held, read(held, source(), None, past, FRESH)


@pytest.fixture
def question():
    held = WhatIf(lambda _: recorded())
    yield held
    held.cancel()
    wait_until(lambda: not mine())


def mine():
    """Return the processes that simulate for this one."""
    found = []
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):  # one that has just ended
            if "whatif_process" in " ".join(child.cmdline()):
                found.append(child)
    return found


def looked(question):
    question.look()
    return question.state is not State.RUNNING


def test_a_question_is_answered_by_another_process_that_then_ends(question):
    question.ask(FOUR_WORKERS)
    assert question.state is State.RUNNING
    wait_until(lambda: looked(question))
    assert (question.state, question.refusal) == (State.DONE, "")
    (pool,) = question.reading.pools
    assert [answer.change.facts for answer in pool.answers] == [(("workers", 4),)]
    wait_until(lambda: not mine())


def test_a_question_that_has_no_answer_is_refused_with_the_reason(question):
    question.ask(Question(pool="no such pool"))
    wait_until(lambda: looked(question))
    assert question.state is State.REFUSED
    assert question.refusal.startswith("no pool is called no such pool")


def test_cancelling_ends_all_processes_that_simulate(question):
    question.ask(MANY_RUNS)
    wait_until(lambda: question.look() and len(mine()) > 1 and question.progress > 0)
    question.cancel()
    assert question.state is State.IDLE
    wait_until(lambda: not mine())


def test_cancelling_at_once_ends_a_process_that_is_still_starting(question):
    question.ask(MANY_RUNS)
    question.cancel()
    wait_until(lambda: not mine())
    assert (question.look(), question.state) == (False, State.IDLE)


def test_a_process_that_is_killed_leaves_a_refusal_and_no_process(question):
    question.ask(MANY_RUNS)
    wait_until(lambda: question.look() and len(mine()) > 1)
    asking, *simulating = mine()
    os.kill(asking.pid, signal.SIGKILL)
    wait_until(lambda: looked(question))
    assert (question.state, question.refusal) == (State.REFUSED, NO_ANSWER)
    wait_until(lambda: not any(map(is_running, simulating)))


def is_running(process):
    with contextlib.suppress(psutil.Error):
        return process.status() != psutil.STATUS_ZOMBIE
    return False


def test_where_no_process_can_be_started_the_question_is_refused(question, monkeypatch):
    monkeypatch.setattr(whatif, "SIMULATOR", ("/nowhere/python",))
    question.ask(FOUR_WORKERS)
    assert question.state is State.REFUSED
    assert question.refusal.startswith("no process could be started: ")


def test_a_screen_that_stands_in_for_standard_error_does_not_matter(question, monkeypatch):
    monkeypatch.setattr(sys, "stderr", SimpleNamespace(fileno=lambda: -1, write=len, flush=id))
    question.ask(FOUR_WORKERS)
    wait_until(lambda: looked(question))
    assert question.state is State.DONE


def test_a_second_question_takes_the_place_of_the_first(question):
    question.ask(MANY_RUNS)
    question.ask(FOUR_WORKERS)
    wait_until(lambda: looked(question))
    assert [len(pool.answers) for pool in question.reading.pools] == [1]


def test_closing_a_session_ends_its_simulation():
    held, reading = recorded()
    feed = StillFeed(reading)
    feed.ledger = held
    feed.source.close = lambda: None
    with Session(feed) as session:
        session.what_if.ask(MANY_RUNS)
        wait_until(mine)
    wait_until(lambda: not mine())


def test_the_screen_shows_the_answers_of_a_real_simulation():
    held, reading = recorded()
    feed = StillFeed(reading)
    feed.ledger = held

    async def run():
        app = Dashboard(Session(feed))
        async with app.run_test(size=(120, 40)) as pilot:
            await pilot.pause()
            await pilot.press("i")
            await shown(app, pilot, "› ")
            await shown(app, pilot, "simulated as it was: ")

    asyncio.run(run())
    wait_until(lambda: not mine())
