"""What each change does to a scenario, and only that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from idlehands_monitor.analysis.whatif.changing import changed
from idlehands_monitor.analysis.whatif.measured import piped
from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import Machine, Overheads, Rules, Taking, Team
from idlehands_monitor.analysis.whatif.scenario import Scenario
from idlehands_monitor.analysis.whatif.shaping import with_lock
from idlehands_monitor.analysis.whatif.varying import varied
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.whatif import Arrivals

TASK = ((Do.OFF, 30), (Do.LOCKED, 10))
OVERHEADS = Overheads(4, 3, 5, hand_over_ns=8, poll_ns=50, dispatch_locked=True)


def scenario(**changes):
    """Return four tasks of two kinds, two workers, two cores and every overhead."""
    rules = Rules(Taking.DEQUES, wakes=False, owners_newest=False, thieves_oldest=False)
    rules = replace(rules, random_victims=False, attempts=1)
    known = {
        "program": Program((TASK,) * 4, {0: 0, 1: 2}, gates={2: (1, 6), 3: (2, 6)}),
        "machine": Machine(2, one_lock=True, others=1.5),
        "teams": (Team(2, rules, OVERHEADS),),
        "arrivals": Arrivals.CLOSED,
        "kinds": (0, 1, 0, 1),
        "names": ("mill.grind", "mill.pour"),
    }
    return Scenario(**{**known, **changes})


def made(*changes, **options):
    return changed(scenario(**options), changes)


def test_so_many_workers():
    assert made(change.Workers(7)).workers == 7


def test_so_many_workers_of_two_teams_are_shared_as_before():
    teams = (Team(2), Team(6))
    assert [team.workers for team in made(change.Workers(4), teams=teams).teams] == [1, 3]


def test_so_many_cores_are_all_free():
    assert made(change.Cores(6)).machine == Machine(6, one_lock=True)


def test_nobody_else_wants_the_cores():
    assert made(change.Undisturbed()).machine == Machine(2, one_lock=True)


def test_no_thread_of_the_job_wants_the_cores_but_its_workers():
    machine = Machine(2, others=1.5, of_the_job=0.5)
    assert changed(scenario(machine=machine), (change.OnlyWorkers(),)).machine == Machine(
        2, others=1.0
    )


@pytest.mark.parametrize("made_change", [change.Undisturbed(), change.Cores(2)])
def test_threads_of_the_job_still_want_the_cores(made_change):
    machine = Machine(2, others=1.5, of_the_job=0.5)
    assert changed(scenario(machine=machine), (made_change,)).machine.others == 0.5


def test_without_the_interpreter_lock_nothing_holds_it():
    found = made(change.NoInterpreterLock())
    assert not found.machine.one_lock
    assert not found.teams[0].overheads.dispatch_locked


def test_all_the_time_of_one_kind_is_shorter():
    steps = made(change.KindTime("pour", 0.5)).program.steps
    assert steps[0] == TASK
    assert steps[1] == ((Do.OFF, 15), (Do.LOCKED, 5))


def test_only_the_waits_of_one_kind_are_shorter():
    assert made(change.KindWait("mill.pour", 0.1)).program.steps[3] == (
        (Do.OFF, 3),
        (Do.LOCKED, 10),
    )


def test_a_lock_that_is_gone_is_not_taken():
    held = scenario(program=with_lock(scenario().program, range(4), 0.5))
    assert changed(held, (change.SplitLock(0),)).program.work_ns == held.program.work_ns
    assert not any(
        do in (Do.ACQUIRE, Do.RELEASE)
        for steps in changed(held, (change.SplitLock(0),)).program.steps
        for do, _ in steps
    )


def test_a_lock_that_is_split_is_several():
    program = Program((TASK,) * 64, dict.fromkeys(range(64), 0))
    held = scenario(program=with_lock(program, range(64), 0.5), kinds=(0,) * 64)
    split = changed(held, (change.SplitLock(4),))
    locks = [n for steps in split.program.steps for do, n in steps if do == Do.ACQUIRE]
    assert set(locks) == {0, 1, 2, 3}
    assert all(8 <= locks.count(lock) <= 24 for lock in range(4))


@pytest.mark.parametrize(
    ("made_change", "rules"),
    [
        (change.WakeAtOnce(), {"wakes": True}),
        (change.ParkWhenEmpty(), {"attempts": 0}),
        (change.EvenVictims(), {"random_victims": True}),
        (change.RightEnds(), {"owners_newest": True, "thieves_oldest": True}),
    ],
)
def test_a_rule_of_the_scheduler_is_another_one(made_change, rules):
    before = scenario().teams[0].rules
    assert made(made_change).teams[0].rules == replace(before, **rules)


def test_a_wake_at_once_takes_no_time():
    overheads = made(change.WakeAtOnce()).teams[0].overheads
    assert (overheads.wake_ns, overheads.poll_ns) == (0, 0)


def test_two_teams_become_one():
    program = replace(scenario().program, teams=(0, 1, 0, 1))
    found = made(change.OnePool(), teams=(Team(2), Team(5)), program=program)
    assert [team.workers for team in found.teams] == [7]
    assert found.program.teams == ()


def test_all_tasks_are_there_at_first():
    found = made(change.HandInAtOnce())
    assert found.program.comes_ns == dict.fromkeys(range(4), 0)
    assert found.program.gates == {}


def test_hand_overs_are_shorter_dispatch_too():
    overheads = made(change.HandOver(0.5)).teams[0].overheads
    assert (overheads.dispatch_ns, overheads.hand_over_ns, overheads.wake_ns) == (2, 4, 5)


def test_hand_ins_that_wait_for_hand_overs_are_faster_with_them():
    assert made(change.HandOver(0.5)).program.comes_ns == scenario().program.comes_ns
    program = made(change.HandOver(0.5), piped=True).program
    assert program.comes_ns == made(change.HandInFaster(0.5)).program.comes_ns


@pytest.mark.parametrize(
    ("begins", "is_piped"),
    [
        (lambda n: 10 * n + 25, True),  # two tasks are on their way when the next one comes
        (lambda n: 10 * n + 1, False),  # each has begun when the next one comes
        (lambda n: 10 * n + (25 if n < 10 else 1), False),  # so were the first ones only
    ],
)
def test_tasks_that_come_while_others_are_on_their_way_wait_for_the_pipe(begins, is_piped):
    came = np.arange(40) * 10
    assert piped(came, np.array([begins(n) for n in range(40)])) is is_piped
    assert not piped(came[:5], came[:5] + 25), "too few to tell"


def test_whoever_hands_in_is_faster():
    program = made(change.HandInFaster(0.5)).program
    assert program.comes_ns == {0: 0, 1: 1}
    assert program.gates == {2: (1, 3), 3: (2, 3)}


def test_twice_as_many_are_in_flight():
    assert made(change.InFlight(2)).program.gates == {2: (0, 6), 3: (0, 6)}


def test_a_burst_at_the_beginning_does_not_count_as_in_flight():
    """12 tasks come at once; then the next one comes when one more ends, with 2 in flight."""
    steps = tuple(((Do.CORE, 10),) for _ in range(20))
    gates = {task: (task - 1, 0) for task in range(12, 20)}
    program = Program(steps, dict.fromkeys(range(12), 0), gates=gates)
    more = changed(scenario(program=program, kinds=(0,) * 20), (change.InFlight(2),))
    assert more.program.gates == {task: (task - 3, 0) for task in range(12, 20)}


# -- the same run as it might have been ----------------------------------------------------------


def many(**changes):
    steps = tuple(((Do.CORE, n),) for n in range(1, 201))
    program = Program(steps, {n: 10 * n for n in range(200)})
    return scenario(program=program, kinds=(0,) * 200, **changes)


def test_the_recorded_tasks_are_seed_zero():
    assert varied(many(), 0) is not None
    assert varied(many(), 0).program == many().program


def test_tasks_are_drawn_again_from_those_nearby():
    drawn = [steps[0][1] for steps in varied(many(), 1).program.steps]
    assert drawn != list(range(1, 201))
    assert all(abs(length - place) <= 10 for place, length in enumerate(drawn, 1))


def test_a_seed_draws_the_same_again():
    assert varied(many(), 5) == varied(many(), 5)


def test_tasks_of_another_kind_are_not_drawn():
    held = replace(many(), kinds=tuple(n % 2 for n in range(200)))
    drawn = [steps[0][1] for steps in varied(held, 1).program.steps]
    assert all((length - 1) % 2 == place % 2 for place, length in enumerate(drawn))


def test_times_between_hand_ins_are_drawn_again_in_an_open_stream_only():
    program = replace(many().program, comes_ns={n: n * n for n in range(200)})
    opened = replace(many(), program=program, arrivals=Arrivals.OPEN)
    assert varied(opened, 1).program.comes_ns != program.comes_ns
    closed = replace(opened, arrivals=Arrivals.CLOSED)
    assert varied(closed, 1).program.comes_ns == program.comes_ns
