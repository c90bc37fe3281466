"""Simulated runs follow their record: hand-ins after ends, one way to the workers, few victims, a
lock before a spawn, merged tasks that come once. And a ring that grows.
"""

from __future__ import annotations

import random

import numpy as np

from idlehands._rings import Ring
from idlehands_monitor.analysis.whatif.arrivals import coming
from idlehands_monitor.analysis.whatif.grain import regrained
from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import Machine, Overheads, Rules, Taking, Team
from idlehands_monitor.analysis.whatif.scenario import Scenario
from idlehands_monitor.analysis.whatif.shaping import with_lock
from idlehands_monitor.analysis.whatif.simulator import simulate
from idlehands_monitor.model.whatif import Arrivals

MS = 1_000_000
OFF, CORE = int(Do.OFF), int(Do.CORE)


def test_hand_ins_right_after_ends_are_a_closed_stream_and_late_ones_are_not():
    draw = random.Random(1)
    came, ended, now = [], [], 0
    for _ in range(100):
        came.append(now)
        now += round(draw.expovariate(1 / 50) * MS) + MS
        ended.append(now)
        now += 1000
    assert coming(np.array(came), np.array(ended)).arrivals is Arrivals.CLOSED
    by_itself = np.array(came) + 20 * MS * np.arange(100)
    late = by_itself + np.array([round(draw.expovariate(1 / 5) * MS) for _ in came])
    assert coming(by_itself, np.sort(late)).arrivals is Arrivals.OPEN


def test_tasks_reach_the_workers_one_after_the_other():
    program = Program((((OFF, MS),),) * 8, dict.fromkeys(range(8), 0))
    team = Team(8, overheads=Overheads(feed_ns=10 * MS))
    assert simulate(program, Machine(8), [team]).end_ns == 81 * MS
    assert simulate(program, Machine(8), [Team(8)]).end_ns == MS


def test_a_thief_reaches_only_the_victims_that_it_tries():
    spawns = tuple((int(Do.SPAWN), n) for n in range(1, 9))
    joins = tuple((int(Do.JOIN), n) for n in range(8, 0, -1))
    program = Program((spawns + joins, *(((OFF, 10 * MS),),) * 8), {0: 0})
    everybody = Rules(Taking.DEQUES)
    nobody = Rules(Taking.DEQUES, tried=((1,), (2,), (3,), (2,)))  # not the worker 0 with the tasks
    fast, slow = (
        simulate(program, Machine(4), [Team(4, rules)]).end_ns for rules in (everybody, nobody)
    )
    assert slow == 80 * MS
    assert fast < slow / 2


def test_a_lock_is_held_in_the_longest_stretch_of_a_task():
    steps = ((OFF, 40 * MS), (int(Do.SPAWN), 1), (int(Do.JOIN), 1), (CORE, 5))
    held = with_lock(Program((steps, ((CORE, 1),)), {0: 0}), [0], 1.0).steps[0]
    assert [do for do, _ in held[:3]] == [Do.ACQUIRE, OFF, Do.RELEASE]


def test_a_merged_task_that_comes_by_itself_comes_once():
    program = Program((((OFF, 10 * MS),),) * 20, {0: 0}, gates={n: (n, 0) for n in range(1, 20)})
    one = Scenario(program, Machine(2), (Team(8),), Arrivals.CLOSED, (0,) * 20, ("a",))
    assert one.run().end_ns == regrained(one, 2).run().end_ns == 200 * MS


def test_a_ring_that_grows_keeps_its_rows_up_to_its_most():
    ring = Ring(4)
    for number in range(20):
        if ring.written == len(ring.slots):
            ring.grow(16)
        ring.put((number,))
    first, rows = ring.read(0, 100)
    assert len(ring.slots) == 16
    assert [row[0] for row in rows] == list(range(first, 20))
    assert first == 5
