"""Causes: which change names which, what comes first, what is silent, and a healthy pool."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import reading
from whatifs import answer, batch, curve, open_pool, what_if

from idlehands_monitor.analysis.asking import with_causes
from idlehands_monitor.analysis.verdicts.causes import LEAST_GAIN, caused, stranded
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.findings import Finding
from idlehands_monitor.model.graph import CriticalReading, GraphReading, SerialReading
from idlehands_monitor.model.tasks import KindReading
from idlehands_monitor.model.vocabulary import FindingCode, StreamState
from idlehands_monitor.model.whatif import Arrivals, Unit
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.session.causes import FIRST_SECONDS, Causes
from idlehands_monitor.session.whatif import NICENESS, State
from idlehands_monitor.views.sections.findings import gain_text


def pool(*findings):
    """Return a pool of four workers, with the findings of its categories replaced."""
    (held,) = reading().pools
    return replace(held, findings=findings)


def plain(code, seconds=3.0):
    return Finding(code, seconds, seconds / 40, f"{code} is so.", "Do otherwise.")


def named(*answers, findings=(), **changes):
    """Return the findings of a pool to which these answers were given."""
    return caused(pool(*findings), batch(answers=answers, curve=None, **changes)).findings


CASES = [
    (change.Workers(8), "too-few-workers"),
    (change.Workers(2), "more-workers-than-cores"),
    (change.NoInterpreterLock(), "interpreter-lock"),
    (change.SplitLock(), "lock-wait"),
    (change.HandInAtOnce(), "barrier-wait"),
    (change.Grain(8), "grain-too-fine"),
    (change.Grain(0.5), "grain-too-coarse"),
    (change.HandOver(0.5), "slow-hand-over"),
    (change.ParkWhenEmpty(), "starved-beside-work"),
    (change.WakeAtOnce(), "starved-beside-work"),
    (change.EvenVictims(), "uneven-victims"),
    (change.RightEnds(), "wrong-steal-end"),
    (change.OnePool(), "stranded-in-other-pool"),
    (change.Undisturbed(), "cores-busy-elsewhere"),
    (change.OnlyWorkers(), "cores-busy-elsewhere"),
    (change.HandInFaster(0.5), "slow-submitter"),
    (change.InFlight(2), "too-little-parallelism"),
]


@pytest.mark.parametrize(("made", "code"), CASES, ids=lambda case: str(case)[:24])
def test_a_change_that_gains_names_the_cause_that_it_mends(made, code):
    (finding,) = named(answer((made,), 7.0, 0.37))
    assert finding.code == code
    assert finding.gain.share == 0.37
    assert finding.sentence
    assert finding.advice


@pytest.mark.parametrize(("made", "code"), CASES, ids=lambda case: str(case)[:24])
def test_a_change_that_gains_too_little_names_none(made, code):
    assert named(answer((made,), 10.7, LEAST_GAIN - 0.001)) == ()


def test_a_gain_that_may_be_none_names_no_cause():
    assert named(answer((change.Workers(8),), 10.0, 0.08, spread=0.1)) == ()


@pytest.mark.parametrize("made", [change.KindTime("mill", 0.5), change.KindWait("mill", 0.5)])
def test_tasks_that_do_what_they_are_for_are_no_cause(made):
    assert named(answer((made,), 5.6, 0.5)) == ()


def test_what_gains_most_comes_first():
    found = named(
        answer((change.Grain(0.5),), 10.0, 0.1),
        answer((change.Workers(8),), 6.0, 0.46),
        answer((change.HandOver(0.5),), 9.0, 0.2),
    )
    assert [one.code for one in found] == ["too-few-workers", "slow-hand-over", "grain-too-coarse"]


@pytest.mark.parametrize("made", [change.NoInterpreterLock(), change.SplitLock()])
def test_a_lock_comes_before_more_workers_that_would_only_gain_somewhat_more(made):
    found = named(answer((made,), 7.0, 0.3), answer((change.Workers(8),), 6.0, 0.46))
    assert [one.code for one in found][1] == "too-few-workers"


@pytest.mark.parametrize(
    ("larger_pieces", "code"), [(0.19, "grain-too-fine"), (0.1, "slow-hand-over")]
)
def test_larger_pieces_are_the_cause_where_they_save_most_of_a_hand_over(larger_pieces, code):
    (finding,) = named(
        answer((change.Grain(2),), 10.0, larger_pieces), answer((change.HandOver(0.5),), 9.0, 0.2)
    )
    assert finding.code == code


def test_to_divide_tasks_that_come_one_after_the_other_is_no_cause_of_its_own():
    found = named(answer((change.InFlight(2),), 6.0, 0.4), answer((change.Grain(0.5),), 6.0, 0.4))
    assert [one.code for one in found] == ["too-little-parallelism"]


def test_time_that_nobody_lost_beside_queued_tasks_cannot_be_gained():
    (held,) = reading().pools
    nobody = replace(held, findings=(), time=replace(held.time, starved=0, waking=0))
    answers = (answer((change.WakeAtOnce(),), 6.0, 0.4),)
    assert caused(nobody, batch(answers=answers, curve=None)).findings == ()


def test_tiny_tasks_are_named_without_a_simulation():
    (held,) = reading().pools

    def found(finished, total_s=1.0, others=0):
        kinds = (KindReading("mill", finished, total_s, total_s / finished, 0),)
        tasks = replace(held.tasks, finished=finished + others, kinds=kinds)
        time = replace(held.time, dispatch=held.time.total // 2)
        tiny = replace(held, findings=(), tasks=tasks, time=time)
        pool = batch(answers=(), curve=None, refused="it was not whole")
        return [one.code for one in caused(tiny, pool).findings]

    assert found(10_000) == ["grain-too-fine"]
    assert found(999) == []  # too few
    assert found(10_000, total_s=11.0) == []  # not tiny
    assert found(10_000, others=2_600) == []  # not what the pool is for


def test_of_several_answers_for_one_cause_the_best_counts():
    (finding,) = named(
        answer((change.WakeAtOnce(),), 9.0, 0.2), answer((change.ParkWhenEmpty(),), 8.0, 0.28)
    )
    assert finding.gain.share == 0.28
    assert "park only when" in finding.advice


def test_of_a_curve_the_fewest_workers_that_come_near_the_best_are_advised():
    answers = tuple(answer((change.Workers(n),), 20 / n, 1 - 4 / n) for n in (8, 16, 32))
    (finding,) = caused(pool(), batch(answers=answers, curve=curve(best=8))).findings
    assert "8 workers" in finding.advice


def test_categories_that_no_change_mends_are_no_finding():
    assert named(findings=(plain(FindingCode.BLOCKED_IN_TASK),)) == ()


@pytest.mark.parametrize("code", ["cpu-quota", "memory-growth", "deque-contention"])
def test_what_cannot_be_simulated_stays_a_finding_behind_those_with_a_gain(code):
    kept = plain(FindingCode(code))
    found = named(answer((change.Workers(8),), 6.0, 0.46), findings=(kept,))
    assert [one.code for one in found] == ["too-few-workers", code]


def test_a_dead_worker_comes_first_whatever_else_gains():
    dead = plain(FindingCode.LOST_WORKER, 0.1)
    found = named(answer((change.Workers(8),), 6.0, 0.46), findings=(dead,))
    assert [one.code for one in found] == ["lost-worker", "too-few-workers"]


def test_a_broken_promise_stays_with_the_little_that_mending_it_gains():
    broken = plain(FindingCode.UNEVEN_VICTIMS, 0.2)
    (finding,) = named(answer((change.EvenVictims(),), 11.1, 0.01), findings=(broken,))
    assert finding.sentence == broken.sentence
    assert finding.gain.share == 0.01


def test_without_a_simulation_the_findings_stay_and_say_why_they_have_no_gain():
    (finding,) = named(
        findings=(plain(FindingCode.TOO_LITTLE_PARALLELISM),), refused="it was not whole"
    )
    assert finding.gain is None
    assert gain_text(finding) == "Gain: not known, nothing was simulated: it was not whole"


# -- the amount that is gained ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arrivals", "before", "median", "gain", "text"),
    [
        (
            Arrivals.BATCH,
            11.2,
            7.0,
            0.375,
            "the recorded work is done 4.20 s sooner than now (11.2 s), 38 % (36 to 40)",
        ),
        (
            Arrivals.CLOSED,
            100.0,
            150.0,
            0.5,
            "50.0 tasks/s more than now (100 tasks/s from outside), 50 % (48 to 52)",
        ),
        (
            Arrivals.OPEN,
            0.4,
            0.1,
            0.75,
            "95 % of the tasks end 300 ms sooner than now (400 ms), 75 % (73 to 77)",
        ),
    ],
)
def test_a_gain_is_in_the_unit_of_the_job(arrivals, before, median, gain, text):
    (finding,) = named(
        answer((change.Workers(8),), median, gain), arrivals=arrivals, recorded=before
    )
    assert gain_text(finding) == f"Gain: {text}"
    assert finding.gain.low <= finding.gain.median <= finding.gain.high


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (change.HandOver(0.5), "if hand-overs take 50 % of the time, "),
        (change.HandInFaster(0.5), "if hand-ins take 50 % of the time, "),
        (change.Workers(8), ""),
    ],
)
def test_a_gain_says_what_was_supposed_where_the_advice_does_not(made, said):
    (finding,) = named(answer((made,), 7.0, 0.375), arrivals=Arrivals.BATCH, recorded=11.2)
    assert gain_text(finding).startswith(f"Gain: {said}the recorded work is done")


def test_a_gain_is_of_the_whole_batch_where_the_last_tasks_of_it_were_simulated():
    told = {"recorded": 2.0, "whole": 20.0, "tasks": 3_000, "all_tasks": 30_000}
    (finding,) = named(answer((change.Workers(8),), 1.5, 0.25), **told)
    assert (finding.gain.before, finding.gain.median) == (20.0, pytest.approx(5.0))
    assert "all 30,000 tasks gain as much as the last 3,000 of them" in finding.evidence


# -- several pools, and none that could be better --------------------------------------------------


def test_a_pool_to_which_nothing_gains_is_healthy_and_says_what_the_limit_is():
    held = caused(pool(), batch(answers=(answer((change.Workers(8),), 11.0, 0.01),), curve=None))
    assert held.findings == ()
    assert held.health.startswith("Nothing to gain above 5 %: ")


def test_a_gain_that_may_be_none_is_said_where_there_is_nothing_else():
    unsure = answer((change.Workers(8),), 10.0, 0.08, spread=0.1)
    health = caused(pool(), batch(answers=(unsure,), curve=None)).health
    assert health.startswith("Nothing surely gains 5 %. To use 8 workers may gain 8 %")


def test_a_pool_with_a_finding_is_not_called_healthy():
    held = caused(pool(), batch(answers=(answer((change.Workers(8),), 6.0, 0.4),), curve=None))
    assert held.health == ""


def test_one_pool_of_all_is_a_finding_of_the_idlest_pool():
    busy, idle = reading().pools[0], reading(workers=6).pools[0]
    busy = replace(busy, number=0, findings=())
    idle = replace(idle, number=1, findings=())
    several = batch(answers=(answer((change.OnePool(),), 7.0, 0.37),), curve=None, number=-1)
    found = stranded((busy, idle), several)
    assert found[0].findings == ()
    assert found[1].findings[0].code == "stranded-in-other-pool"


def test_the_headline_of_a_job_is_the_finding_that_gains_most():
    held = reading()
    (one,) = held.pools
    small, large = replace(one, number=0, findings=()), replace(one, number=1, findings=())
    answers = what_if(
        batch(number=0, answers=(answer((change.Grain(2),), 10.0, 0.1),), curve=None),
        batch(number=1, answers=(answer((change.Workers(8),), 6.0, 0.4),), curve=None),
    )
    headed = with_causes(replace(held, pools=(small, large)), answers.pools)
    assert headed.headline[0].number == 1
    assert headed.headline[1].code == "too-few-workers"


# -- live readings ---------------------------------------------------------------------------------


class Search:
    """Stands in for the process that simulates: its answer comes with the next look."""

    def __init__(self):
        self.state, self.reading, self.asked, self.answers = State.IDLE, None, 0, ()

    def ask(self, _question, about, *, niceness):
        self.state, self.asked, self.niceness = State.RUNNING, self.asked + 1, niceness
        self.about = about

    def look(self):
        self.reading = what_if(batch(number=0, answers=self.answers, curve=None))
        self.state = State.DONE
        return True


@pytest.fixture
def live():
    """Return a clock that can be set, a search, and the causes of a live reading."""
    clock, search = [0.0], Search()
    return clock, search, Causes(search, lambda: clock[0])


def test_a_search_is_about_the_reading_that_is_shown(live):
    clock, search, causes = live
    held = reading()
    causes.of(held)
    clock[0] = 20.0
    causes.of(held)
    assert search.about is held


def headline(causes, end_s=0.0, findings=(), state=StreamState.LIVE):
    held = reading()
    held = replace(held, source=replace(held.source, state=state))
    end_ns = held.pools[0].end_ns + int(end_s * 1e9)
    time = WorkerTime(blocked=20 * 10**9, working=5 * 10**9) if findings else held.pools[0].time
    pool = replace(held.pools[0], findings=findings, end_ns=end_ns, time=time)
    held = replace(held, pools=(pool,))
    shown = causes.of(held)
    return shown.headline[1].code if shown.headline else ""


def searched(live, *answers, at, findings=()):
    """Let a search begin and be answered; return the headline that is shown then."""
    clock, search, causes = live
    search.answers = answers
    clock[0] = at
    headline(causes, at, findings)
    return headline(causes, at, findings)


MORE, FINER = answer((change.Workers(8),), 6.0, 0.4), answer((change.Grain(0.5),), 8.0, 0.3)


def test_causes_are_looked_for_a_while_after_the_first_reading(live):
    clock, search, causes = live
    assert headline(causes) == ""
    clock[0] = FIRST_SECONDS - 0.1
    assert headline(causes) == ""
    assert search.asked == 0
    assert searched(live, MORE, at=FIRST_SECONDS + 0.1) == "too-few-workers"
    assert search.asked == 1


def test_a_headline_changes_only_when_two_searches_agree(live):
    headline(live[2])
    assert searched(live, MORE, at=10) == "too-few-workers"
    assert searched(live, FINER, at=30) == "too-few-workers"
    assert searched(live, FINER, at=70) == "grain-too-coarse"


def test_a_single_doubt_is_forgotten(live):
    headline(live[2])
    assert searched(live, MORE, at=10) == "too-few-workers"
    assert searched(live, at=30) == "too-few-workers"
    assert searched(live, MORE, at=70) == "too-few-workers"
    assert searched(live, at=130) == "too-few-workers"


def test_a_cause_in_the_place_of_nothing_to_gain_is_shown_at_once(live):
    headline(live[2])
    assert searched(live, at=10) == ""
    assert searched(live, MORE, at=30) == "too-few-workers"


def test_nothing_to_gain_is_not_said_after_one_search_where_workers_are_blocked(live):
    """The first samples of waits come late: one search may not know of a lock yet."""
    blocked = (Finding("blocked-in-task", 20.0, 0.8, "Blocked.", "Wait less."),)
    headline(live[2], findings=blocked)
    assert searched(live, at=10, findings=blocked) == "blocked-in-task"
    assert searched(live, at=30, findings=blocked) == ""


def test_when_the_job_has_ended_all_of_it_is_searched_at_once_and_that_counts(live):
    _, search, causes = live
    headline(causes)
    assert searched(live, MORE, at=10) == "too-few-workers"
    search.answers = (FINER,)
    assert headline(causes, 11, state=StreamState.ENDED) == "too-few-workers"
    assert headline(causes, 11, state=StreamState.ENDED) == "grain-too-coarse"
    headline(causes, 11, state=StreamState.ENDED)
    assert search.asked == 2


def test_only_the_search_for_the_first_answer_does_not_give_way_to_the_job(live):
    headline(live[2])
    searched(live, MORE, at=10)
    assert live[1].niceness == 0
    searched(live, MORE, at=30)
    assert live[1].niceness == NICENESS


def test_searches_become_rare(live):
    clock, search, causes = live
    headline(causes)
    for second in range(120):
        clock[0] = second
        headline(causes, second)
    assert 5 <= search.asked <= 7


def test_nothing_is_searched_again_once_the_job_has_ended(live):
    clock, search, causes = live
    headline(causes)
    for second in range(120):
        clock[0] = second
        headline(causes, 5)
    assert search.asked == 1


def test_units_of_gains_are_those_of_arrivals():
    (finding,) = named(answer((change.Workers(8),), 150.0, 0.5), arrivals=Arrivals.CLOSED)
    assert finding.gain.unit is Unit.TASKS_PER_S


# -- a backlog, a task that runs alone -------------------------------------------------------------


def test_a_queue_that_grows_is_a_finding():
    held = caused(pool(), open_pool())
    codes = [finding.code for finding in held.findings]
    assert "growing-backlog" in codes
    (backlog,) = (finding for finding in held.findings if finding.code == "growing-backlog")
    assert "grows by 1.75 tasks each second" in backlog.sentence


def test_a_queue_that_does_not_grow_is_none():
    steady = replace(open_pool().sizing, growth_per_s=0.0)
    found = caused(pool(), open_pool(sizing=steady)).findings
    assert "growing-backlog" not in [finding.code for finding in found]


def alone(longest=1.5, kind="mill"):
    """Return a pool in whose run of 11.2 s one task of a kind runs alone for 4 s."""
    held = pool()
    serial = SerialReading(4.0, 0.8, longest, 0.0, kind)
    critical = CriticalReading(9, 9, (), (), (1.0, 4.0), serial)
    graph = GraphReading(9, 4, 10.0, 5.0, 2.0, 2.5, 6.0, 6.2, 0.0, critical=critical)
    return replace(held, graph=graph)


def test_a_task_that_runs_alone_is_a_finding_with_what_half_of_it_would_gain():
    (finding,) = caused(alone(), batch(answers=(), curve=None)).findings
    assert (finding.code, finding.where) == ("serial-stretch", "mill")
    assert finding.gain.median == 2.0
    assert finding.gain.share == pytest.approx(2.0 / 11.2)


@pytest.mark.parametrize("held", [alone(longest=0.5), pool()])
def test_a_task_that_runs_alone_for_a_moment_is_none(held):
    assert caused(held, batch(answers=(), curve=None)).findings == ()


def test_a_stream_without_an_end_has_no_stretch_that_others_wait_for():
    held = batch(answers=(), curve=None, arrivals=Arrivals.CLOSED)
    assert caused(alone(), held).findings == ()


@pytest.mark.parametrize(("tasks", "code"), [(1, "serial-stretch"), (50, "grain-too-coarse")])
def test_pieces_too_large_and_a_piece_that_runs_alone_are_one_finding(tasks, code):
    held = alone()
    kinds = (KindReading("mill", tasks, 9.0, 9.0 / tasks, 0),)
    held = replace(held, tasks=replace(held.tasks, kinds=kinds))
    finer = answer((change.Grain(0.5),), 8.0, 0.28)
    (finding,) = caused(held, batch(answers=(finer,), curve=None)).findings
    assert finding.code == code


def test_idle_workers_of_another_pool_come_before_more_workers():
    busy, idle = reading().pools[0], reading(workers=6).pools[0]
    more = caused(busy, batch(answers=(answer((change.Workers(8),), 6.0, 0.5),), curve=None))
    several = batch(answers=(answer((change.OnePool(),), 7.0, 0.3),), curve=None, number=-1)
    found = stranded((replace(more, number=0), replace(idle, number=1, findings=())), several)
    assert found[0].findings == ()
    assert [one.code for one in found[1].findings] == ["stranded-in-other-pool"]


@pytest.mark.parametrize("made", [change.RightEnds(), change.ParkWhenEmpty(), change.EvenVictims()])
def test_a_fault_of_the_scheduler_comes_before_more_workers_that_would_hide_it(made):
    found = named(answer((change.Workers(8),), 4.0, 0.64), answer((made,), 8.0, 0.28))
    assert [one.code for one in found][1] == "too-few-workers"
