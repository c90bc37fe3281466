"""What-if questions of a session: in other processes, until they are answered or somebody stops."""

from __future__ import annotations

import pickle

import pytest
from readings import SECOND
from test_whatif import program, recorded, source

from helpers import wait_until
from histories import Ledger, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.changes import Question
from idlehands_monitor.session.pickled import pickled
from idlehands_monitor.session.whatif import EARLIER_NS, State, WhatIf, answered

FASTER = Question(((change.Workers(8),),), seeds=6)


def is_answered(question):
    question.look()
    return question.state is not State.RUNNING


@pytest.fixture
def held():
    """Return a ledger with one recorded pool, and its reading."""
    ledger = Ledger()
    take_in(ledger, *recorded(program(), 4))
    return ledger, read(ledger, source())


@pytest.mark.parametrize("processes", [1, 2])
def test_answers_do_not_depend_on_the_number_of_processes(held, processes):
    parts = []
    found = answered(*held, FASTER, parts.append, processes=processes)
    assert parts[-1] == 1.0
    assert found.whole
    assert found.pools == answered(*held, FASTER, parts.append, processes=1).pools


def test_ctrl_c_keeps_what_has_been_simulated(held):
    def stop(part):
        if part > 0.4:
            raise KeyboardInterrupt

    found = answered(*held, FASTER, stop, processes=1)
    assert not found.whole
    assert found.pools[0].answers[0].seeds in (2, 3)


def test_each_change_gets_a_run_however_little_time_there_is(held):
    found = answered(*held, Question(), lambda _: None, seconds=0.0, processes=1)
    assert not found.whole
    assert {answer.seeds for answer in found.pools[0].answers} == {1}


def test_a_screens_question_is_answered_in_another_process(held):
    question = WhatIf(lambda _: held)
    assert question.state is State.IDLE
    question.ask()
    assert question.state is State.RUNNING
    wait_until(lambda: is_answered(question), "an answer", 60)
    assert (question.state, question.refusal) == (State.DONE, "")
    assert question.reading.pools[0].answers


def test_the_rows_of_the_window_are_enough_for_the_answers_and_older_ones_are_not_handed_on():
    """Ten tasks a second come for twenty seconds; the window is the last five."""
    ledger = Ledger()
    comes = {task: task * SECOND // 10 for task in range(200)}
    take_in(ledger, *recorded(program(comes=comes), 1, batch=5))
    reading = read(ledger, source(), window_ns=5 * SECOND)
    since_ns = reading.pools[0].begin_ns - EARLIER_NS
    state = pickled((ledger, reading), since_ns, attempts=False)
    part, same = pickle.loads(state)  # noqa: S301 - made here
    assert 80 <= len(part.pools[0].tasks) <= 90
    whole, cut = (
        answered(*held, FASTER, lambda _: None).pools for held in ((ledger, reading), (part, same))
    )
    assert whole == cut


def test_a_screens_question_that_cannot_be_answered_says_why(held):
    question = WhatIf(lambda _: held)
    question.ask(Question(((change.KindTime("grain", 0.5),),)))
    wait_until(lambda: is_answered(question), "an answer", 60)
    assert question.state is State.REFUSED
    assert question.refusal == "no task of the kind grain: it was not recorded: task"


def test_a_screens_question_can_be_taken_back(held):
    question = WhatIf(lambda _: held)
    question.ask()
    question.cancel()
    assert question.state is State.IDLE
    assert not question.look()
    question.ask(FASTER)
    wait_until(lambda: is_answered(question), "an answer", 60)
    assert question.state is State.DONE
