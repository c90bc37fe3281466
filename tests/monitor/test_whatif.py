"""From a ledger to answers: a run whose truth is known is recorded, asked about, and tried."""

from __future__ import annotations

import math
from random import Random

import pytest

from histories import History, Ledger, Task, frames, levels_frame, names_frame, take_in
from idlehands_monitor.analysis.asking import ask
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.whatif.changing import kind_number
from idlehands_monitor.analysis.whatif.planning import Run, WhatIfError, answers, play
from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import Machine, Overheads, Team
from idlehands_monitor.analysis.whatif.simulator import simulate
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.changes import Question
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.model.whatif import Arrivals, Unit

MS = 1_000_000
MANY_CORES = Machine(64)


def program(tasks=200, seed=3, comes=None, gates=None):
    """Return tasks that are blocked for 9 ms and compute 1 ms on average; half of each kind."""
    random = Random(seed)
    lengths = [random.uniform(0.3, 1.7) for _ in range(tasks)]
    steps = tuple(((Do.OFF, round(9 * n * MS)), (Do.CORE, round(n * MS))) for n in lengths)
    comes = dict.fromkeys(range(tasks), 0) if comes is None else comes
    return Program(steps, comes, gates=gates or {})


def recorded(true, workers, overheads=None, first_ns=MS, batch=1000):
    """Return the frames of a process pool that ran a program."""
    team = Team(workers, overheads=overheads or Overheads())
    outcome = simulate(true, MANY_CORES, [team])
    history = History(workers, round(outcome.end_ns) + 2 * first_ns)
    free = [-1.0] * workers
    for task in sorted(range(len(true.steps)), key=lambda n: outcome.began_ns[n]):
        began, ended = outcome.began_ns[task], outcome.ended_ns[task]
        worker = max((w for w in range(workers) if free[w] <= began), key=lambda w: free[w])
        free[worker] = ended
        cpu = sum(n for do, n in true.steps[task] if do == Do.CORE)
        times = (round(t) + first_ns for t in (outcome.came_ns[task], began, ended))
        came, began, ended = times
        history.tasks.append(Task(task, came, worker, began, ended, cpu=cpu))
    names, *rest, _ = frames(history, batch=batch)
    named = names_frame(workers, kind="process pool", shared_queue=True, name="mill")
    return [{**names, **named}, *rest, levels_frame(history, deques=[])]


def source():
    return SourceReading("mill.idlehands", StreamState.REPLAY, cores=64)


def asked(question, *pools):
    """Return the answers of each pool to a question about a ledger with these frames."""
    held = Ledger()
    for number, pool in enumerate(pools):
        take_in(held, *({**frame, "pool": number} for frame in pool))
    plan = ask(held, read(held, source()), question)
    values = {run: play(plan, run) for run in plan.runs}
    return answers(plan, values)[0]


def one_answer(true, workers, *changes, **options):
    (pool,) = asked(Question((changes,), seeds=3), recorded(true, workers, **options))
    (answer,) = pool.answers
    return pool, answer


# -- the three sorts of arrivals, and what they are measured in ----------------------------------


def end_s(true, workers, overheads=None):
    team = Team(workers, overheads=overheads or Overheads())
    return simulate(true, MANY_CORES, [team]).end_ns / 1e9


@pytest.mark.parametrize("workers", [1, 2, 8, 32])
def test_a_batch_takes_as_long_with_other_workers_as_it_does_when_tried(workers):
    pool, answer = one_answer(program(), 4, change.Workers(workers))
    assert (pool.arrivals, pool.unit) == (Arrivals.BATCH, Unit.SECONDS)
    assert pool.recorded == pytest.approx(end_s(program(), 4), rel=1e-3)
    assert answer.median == pytest.approx(end_s(program(), workers), rel=0.02)
    assert answer.low <= end_s(program(), workers) <= answer.high
    assert answer.gain == pytest.approx(1 - answer.median / pool.recorded)


def test_a_closed_stream_is_measured_in_tasks_a_second():
    gates = {n: (n - 15, 50_000) for n in range(16, 400)}
    true = program(400, comes=dict.fromkeys(range(16), 0), gates=gates)
    pool, answer = one_answer(true, 4, change.Workers(8))
    assert (pool.arrivals, pool.unit) == (Arrivals.CLOSED, Unit.TASKS_PER_S)
    assert pool.recorded == pytest.approx(400, rel=0.05)
    assert answer.median == pytest.approx(800, rel=0.05)
    assert answer.gain == pytest.approx(1.0, abs=0.05)


def test_an_open_stream_is_measured_in_the_95th_percentile_from_hand_in_to_end():
    random, comes, now = Random(8), {}, 0.0
    for task in range(600):
        comes[task] = round(now)
        now += random.expovariate(0.8 * 4 / (10 * MS))
    true = program(600, comes=comes)
    pool, answer = one_answer(true, 4, change.Workers(5))
    assert (pool.arrivals, pool.unit) == (Arrivals.OPEN, Unit.P95_S)
    tried = simulate(true, MANY_CORES, [Team(5)])
    stays = sorted(end - came for came, end in zip(tried.came_ns, tried.ended_ns, strict=True))
    assert answer.median == pytest.approx(stays[570] / 1e9, rel=0.05)


def test_an_overhead_before_each_task_is_measured_and_falls_with_fewer_tasks():
    overheads = Overheads(hand_over_ns=0.8 * MS)
    true = program()
    _, answer = one_answer(true, 4, change.Grain(4), overheads=overheads)
    spared = 150 * 0.8 * MS / 4 / 1e9
    assert answer.median == pytest.approx(end_s(true, 4, overheads) - spared, rel=0.03)


def test_changes_are_made_together():
    _, both = one_answer(program(), 4, change.Workers(8), change.KindTime("task", 0.5))
    assert both.median == pytest.approx(end_s(program(), 8) / 2, rel=0.02)
    assert dict(both.change.facts) == {"workers": 8, "kind": "task", "time": 0.5}


def test_shorter_waits_leave_the_computing_as_it_is():
    _, answer = one_answer(program(), 4, change.KindWait("task", 0.0))
    assert answer.median == pytest.approx(end_s(program(), 4) / 10, rel=0.03)


def test_two_pools_made_one_share_their_workers():
    busy, idle = recorded(program(200), 2), recorded(program(20, seed=9), 2)
    (pool,) = asked(Question(((change.OnePool(),),), seeds=2), busy, idle)
    (answer,) = pool.answers
    together = Program(
        (*program(200).steps, *program(20, seed=9).steps), dict.fromkeys(range(220), 0)
    )
    assert pool.workers == 4
    assert answer.median == pytest.approx(end_s(together, 4), rel=0.03)


# -- the list, the curve -------------------------------------------------------------------------


def test_without_changes_the_whole_list_is_tried_best_first_with_a_curve():
    (pool,) = asked(Question(seeds=1), recorded(program(), 4))
    gains = [answer.gain for answer in pool.answers]
    assert gains == sorted(gains, reverse=True)
    sentences = {answer.change.sentence for answer in pool.answers}
    assert {"use 8 workers", "make the waits of task 50 % shorter"} <= sentences
    assert [point.workers for point in pool.curve.points] == [1, 2, 4, 8, 16]
    assert (pool.curve.present, pool.curve.best) == (4, 16)


def test_a_range_of_workers_gives_one_answer_a_number_in_order():
    (pool,) = asked(Question(workers=(1, 2, 3), seeds=1), recorded(program(), 4))
    assert [dict(one.change.facts)["workers"] for one in pool.answers] == [1, 2, 3]
    assert pool.curve.work_law_s(2) == pytest.approx(program().work_ns / 2e9, rel=0.01)


def test_a_change_of_a_range_is_made_with_each_number():
    question = Question(((change.KindTime("task", 0.5),),), workers=(4, 8), seeds=1)
    (pool,) = asked(question, recorded(program(), 4))
    assert pool.answers[0].median == pytest.approx(end_s(program(), 4) / 2, rel=0.02)


# -- what cannot be answered ---------------------------------------------------------------------


def test_a_kind_that_was_not_recorded_is_said():
    with pytest.raises(WhatIfError, match="no task of the kind grain: it was not recorded: task"):
        one_answer(program(), 4, change.KindTime("grain", 0.5))


def test_a_pool_that_is_not_there_is_said():
    with pytest.raises(WhatIfError, match="no pool is called bakery: there is mill"):
        asked(Question(pool="bakery"), recorded(program(), 4))


def test_a_run_without_a_finished_task_is_said():
    frames_of_none = recorded(program(1), 1)[:1]
    with pytest.raises(WhatIfError, match="no task began and ended"):
        asked(Question(), [*frames_of_none, levels_frame(History(1, 5 * MS), deques=[])])


def test_one_pool_of_one_is_said():
    with pytest.raises(WhatIfError, match="there is only one pool with tasks"):
        asked(Question(((change.OnePool(),),)), recorded(program(), 4))


def test_a_run_that_does_not_come_out_again_is_refused_with_the_reason():
    """Once the worker stands still for a second, beside queued tasks."""
    history = History(1, 3_000 * MS)
    for n in range(100):
        began = (1 + 10 * n + (1000 if n > 50 else 0)) * MS
        history.tasks.append(Task(n, MS, 0, began, began + 10 * MS, cpu=MS))
    names, *rest, _ = frames(history)
    named = names_frame(1, kind="process pool", shared_queue=True)
    stood = [{**names, **named}, *rest, levels_frame(history, deques=[])]
    (pool,) = asked(Question(((change.Workers(2),),), seeds=1), stood)
    assert pool.answers == ()
    assert "off the recorded value, more than 10 %" in pool.refused


def test_answers_are_of_the_runs_that_were_made():
    held = Ledger()
    take_in(held, *recorded(program(), 4))
    plan = ask(held, read(held, source()), Question(((change.Workers(8),),), seeds=5))
    some = {run: play(plan, run) for run in plan.runs if run.seed < 2}
    (pool,), whole = answers(plan, some)
    assert not whole
    assert pool.answers[0].seeds == 2
    assert plan.runs[:2] == (Run(0, 0, 0), Run(0, 1, 0))


def test_nothing_that_was_not_simulated_is_answered():
    held = Ledger()
    take_in(held, *recorded(program(), 4))
    plan = ask(held, read(held, source()), Question(((change.Workers(8),),), seeds=5))
    (pool,), _ = answers(plan, {})
    assert pool.answers == ()
    assert math.isnan(pool.reproduced)
    assert pool.refused


def test_a_kind_can_be_called_without_its_module():
    names = ("mill.grind", "mill.pour", "yard.pour", "pour.")
    assert kind_number(names, "grind") == 0
    assert kind_number(names, "yard.pour") == 2
    with pytest.raises(ValueError, match=r"several are called so: mill\.pour, yard\.pour"):
        kind_number(names, "pour")
