"""Two sides of captures compared: what is named, what is not, and in which unit."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reports import HOST
from runs import Job, run

from idlehands_monitor.analysis.contrast.contrasting import contrast
from idlehands_monitor.analysis.contrast.matching import partners
from idlehands_monitor.model.contrast import Presence
from idlehands_monitor.model.findings import Finding, GainReading
from idlehands_monitor.model.promises import PromiseReading
from idlehands_monitor.model.vocabulary import FindingCode, PromiseCode, Verdict
from idlehands_monitor.model.whatif import Arrivals, Unit
from idlehands_monitor.model.worker_time import WorkerTime
from idlehands_monitor.views.sections.contrast_headline import NONE, headline

TWO_KINDS = Job(kinds=("mill.grind", "mill.sift"), lengths=(8.0, 5.0, 9.0, 6.0, 8.5, 5.5))
SLOW_SIFT = replace(TWO_KINDS, slow_kind="mill.sift", slower=1.5)


def several(job, first=1, count=4):
    return [run(job, seed) for seed in range(first, first + count)]


def with_findings(one, *findings):
    """Return a run whose only pool has other findings."""
    ((name, pool),) = one.pools.items()
    readings = tuple(replace(reading, findings=findings) for reading in pool.readings)
    return replace(one, pools={name: replace(pool, readings=readings)})


def with_promises(one, *verdicts):
    promises = tuple(
        PromiseReading(code, str(code), verdict, 40, 0, 0.0, (), "", "")
        for code, verdict in zip(PromiseCode, verdicts, strict=False)
    )
    ((name, pool),) = one.pools.items()
    readings = tuple(replace(reading, promises=promises) for reading in pool.readings)
    return replace(one, pools={name: replace(pool, readings=readings)})


def finding(code=FindingCode.LOCK_WAIT, share=0.3, cost=0.2):
    gain = None
    if share is not None:
        gain = GainReading(Unit.SECONDS, 10.0, 1.0, 10 * share, 4.0, share, share, share)
    return Finding(code, 5.0, cost, "Tasks wait", "Split the lock", gain=gain)


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize(
    "job", [Job(), TWO_KINDS, Job(spacing=7.0)], ids=["batch", "kinds", "open"]
)
def test_runs_of_one_job_have_no_difference_worth_naming(job, count):
    found = contrast(several(job, 1, count), several(job, 11, count))
    assert not found.has_difference
    assert headline(found) == NONE


def test_a_batch_is_compared_by_the_time_until_its_last_task_ends():
    shorter = Job(lengths=(6.0, 9.0, 7.5, 6.75, 8.25))
    found = contrast(several(Job()), several(shorter, 11))
    first = found.end_to_end[0]
    assert (found.arrivals, first.unit) == (Arrivals.BATCH, Unit.SECONDS)
    assert first.gain == pytest.approx(0.25, abs=0.01)
    assert 0.23 < first.low < 0.25 < first.high < 0.27
    assert not first.is_within
    assert headline(found).startswith("After: 25 % sooner [2")


def test_one_run_each_gives_no_interval_for_the_time_to_the_end():
    first = contrast([run()], [run(seed=2)]).end_to_end[0]
    assert first.unit is Unit.SECONDS
    assert first.low is None
    assert first.high is None


def test_an_open_stream_is_compared_by_the_95th_percentile_from_hand_in_to_end():
    slower = Job(spacing=7.0, lengths=(12.0, 13.0, 11.0, 12.5))
    found = contrast([run(Job(spacing=7.0))], [run(slower, 2)])
    first = found.end_to_end[0]
    assert (found.arrivals, first.unit) == (Arrivals.OPEN, Unit.P95_S)
    assert first.is_within
    assert first.gain < -0.05
    assert first.low < first.gain < first.high


def test_runs_that_ended_with_the_time_are_compared_by_tasks_a_second():
    half = Job(lengths=(20.0,), tasks=100)
    found = contrast(several(Job(lengths=(10.0,))), several(half, 11))
    first = found.end_to_end[0]
    assert first.unit is Unit.TASKS_PER_S
    assert first.gain == pytest.approx(-0.5, abs=0.02)
    assert "50 % fewer tasks a second" in headline(found)


def test_a_closed_stream_that_ends_by_itself_is_compared_by_its_length():
    closed = Job(lengths=(8.0, 30.0, 5.0, 16.0, 11.0), in_flight=3, jitter=0.2)
    faster = replace(closed, lengths=(4.0, 15.0, 2.5, 8.0, 5.5))
    found = contrast([run(closed)], [run(faster, 2)])
    first = found.end_to_end[0]
    assert (found.arrivals, first.unit) == (Arrivals.CLOSED, Unit.SECONDS)
    assert first.gain == pytest.approx(0.5, abs=0.05)


def test_work_that_is_divided_anew_is_compared_by_its_length():
    found = contrast(several(Job(lengths=(10.0,))), several(Job(lengths=(30.0,), tasks=50), 11))
    first = found.end_to_end[0]
    assert first.unit is Unit.SECONDS
    assert first.gain == pytest.approx(0.25, abs=0.02)


def test_the_way_in_which_work_comes_can_be_set():
    found = contrast([run()], [run(seed=2)], Arrivals.CLOSED)
    assert found.end_to_end[0].unit is Unit.TASKS_PER_S


@pytest.mark.parametrize("count", [1, 3])
def test_a_slower_kind_is_named_and_the_other_is_not(count):
    found = contrast(several(TWO_KINDS, 1, count), several(SLOW_SIFT, 11, count))
    kinds = {one.kind: one for one in found.pools[0].kinds}
    sift, grind = kinds["mill.sift"], kinds["mill.grind"]
    assert sift.named
    assert sift.ratio == pytest.approx(1.5, abs=0.03)
    assert sift.low < sift.ratio < sift.high
    assert sift.p < 0.01
    assert sift.superiority > 0.9
    assert not grind.named
    assert "mill.sift slower by 50 %" in headline(found)


def test_a_kind_that_a_rank_test_tells_apart_is_not_named_where_the_effect_is_small():
    slightly = replace(TWO_KINDS, slow_kind="mill.sift", slower=1.1, jitter=0.001)
    found = contrast([run(TWO_KINDS)], [run(slightly)])
    sift = next(one for one in found.pools[0].kinds if one.kind == "mill.sift")
    assert sift.p < 0.05
    assert not sift.named


def test_each_kind_has_the_lengths_of_its_calls_in_the_order_of_their_ends():
    (pool,) = run(Job(kinds=("a", "b"), lengths=(1.0, 2.0, 3.0, 4.0), jitter=0.0)).pools.values()
    lengths = {kind: [round(1000 * one) for one in held] for kind, held in pool.lengths_s.items()}
    assert set(lengths) == {"a", "b"}
    assert sorted(lengths["a"]) == [1] * 50 + [3] * 50
    assert lengths["b"][:4] == [2, 4, 2, 4]


def test_kinds_that_only_one_side_ran_are_listed():
    other = Job(kinds=("mill.grind", "mill.bag"))
    (pool,) = contrast([run(TWO_KINDS)], [run(other)]).pools
    assert (pool.only_before, pool.only_after) == (("mill.sift",), ("mill.bag",))


def test_worker_time_that_came_is_named_with_its_shares():
    resting = Job(rest=3.0)
    found = contrast(several(Job()), several(resting, 11))
    time = found.pools[0].time
    assert sum(one.after for one in time) == pytest.approx(1.0)
    # 3 ms after each task of 10 ms, while others are queued: 3/13 of the worker time.
    named = [one for one in time if one.named]
    assert [one.category for one in named] == ["dispatch"]
    assert named[0].after - named[0].before == pytest.approx(3 / 13, abs=0.01)
    assert named[0].low <= named[0].after - named[0].before <= named[0].high
    assert "dispatch time new (23 %)" in headline(found)


def test_a_finding_that_is_gone_and_one_that_is_new_are_named():
    before = with_findings(run(), finding())
    after = with_findings(run(seed=2), finding(FindingCode.GRAIN_TOO_FINE, 0.2))
    found = contrast([before], [after])
    assert [(one.code, one.presence) for one in found.pools[0].findings] == [
        (FindingCode.LOCK_WAIT, Presence.GONE),
        (FindingCode.GRAIN_TOO_FINE, Presence.NEW),
    ]
    assert headline(found) == "After: lock-wait gone; new: grain-too-fine"


def test_a_finding_near_the_gain_at_which_it_begins_is_listed_and_not_named():
    found = contrast([with_findings(run(), finding(share=0.06))], [with_findings(run(seed=2))])
    (one,) = found.pools[0].findings
    assert one.presence is Presence.GONE
    assert not one.named


@pytest.mark.parametrize(("count", "named"), [(1, [True, False]), (2, [True, True])])
def test_of_one_capture_a_side_only_the_first_finding_is_named(count, named):
    both = finding(share=0.4), finding(FindingCode.TOO_FEW_WORKERS, 0.2)
    before = [with_findings(one, *both) for one in several(Job(), 1, count)]
    after = [with_findings(one) for one in several(Job(), 11, count)]
    assert [one.named for one in contrast(before, after).pools[0].findings] == named


def test_a_finding_about_several_pools_that_changes_its_pool_is_not_named():
    stranded = finding(FindingCode.STRANDED_IN_OTHER_POOL)
    names = ("a", "b")
    runs = [[run(Job(name=name), seed) for name in names] for seed in (1, 2)]
    sides = []
    for side, holder in zip(runs, names, strict=True):
        held = [
            with_findings(one, *((stranded,) if name == holder else ()))
            for one, name in zip(side, names, strict=True)
        ]
        sides.append(replace(held[0], pools={**held[0].pools, **held[1].pools}))
    found = contrast([sides[0]], [sides[1]])
    listed = [(pool.name, one.presence, one.named) for pool in found.pools for one in pool.findings]
    assert listed == [("a", Presence.GONE, False), ("b", Presence.NEW, False)]


def test_a_finding_of_fewer_than_half_of_the_captures_is_neither_gone_nor_new():
    before = [with_findings(run(seed=1), finding()), with_findings(run(seed=2))]
    after = [with_findings(run(seed=3)), with_findings(run(seed=4))]
    (one,) = contrast(before, after).pools[0].findings
    assert (one.presence, one.before, one.after) == (Presence.STAYS, 1, 0)


def test_a_promise_that_is_broken_now_is_named_and_one_that_is_unknown_is_not():
    before = with_promises(run(), Verdict.KEPT, Verdict.KEPT, Verdict.UNKNOWN)
    after = with_promises(run(seed=2), Verdict.BROKEN, Verdict.UNKNOWN, Verdict.BROKEN)
    found = contrast([before], [after])
    assert [one.named for one in found.pools[0].promises] == [True, False, False]
    assert headline(found) == "After: promise parks-when-empty broken"


def test_what_differs_in_versions_and_workers_is_listed():
    found = contrast([run()], [run(Job(python="3.13.0", workers=4))])
    listed = {one.what: (one.before, one.after) for one in found.circumstances}
    assert listed["Python"] == ("3.12.1", "3.13.0")
    assert listed["workers"] == ("2", "4")


def test_captures_without_a_kind_in_common_are_a_caution():
    (note,) = contrast([run(Job(kinds=("a",)))], [run(Job(kinds=("b",)))]).notes
    assert note.startswith("no kind of task ran on both sides")


def test_a_machine_that_was_busier_is_a_caution():
    before, after = run(), run(seed=2)
    (pool,) = after.reading.pools
    waiting = pool.time.working // 5
    time = replace(pool.time, working=pool.time.working - waiting, run_queue_wait=waiting)
    busier = replace(after, reading=replace(after.reading, pools=(replace(pool, time=time),)))
    assert contrast([before], [after]).notes == ()
    (note,) = contrast([before], [busier]).notes
    assert note.startswith("workers waited for a core for 0 % of their time before and for 20 %")


@pytest.mark.parametrize(
    ("waited", "working", "cores", "is_said"),
    [
        (0.05, 0.01, 2.0, True),
        (0.005, 0.001, 2.0, False),  # the kernel's own
        (0.05, 0.10, 2.0, False),  # they had cores for longer
        (0.60, 0.40, 0.8, False),  # the job used all there were
    ],
)
def test_cores_that_other_processes_took_are_a_caution(waited, working, cores, is_said):
    before, after = run(), run(seed=2)
    (pool,) = after.reading.pools
    total = pool.time.total
    time = WorkerTime(
        working=round(working * total),
        run_queue_wait=round(waited * total),
        blocked=round((1 - working - waited) * total),
    )
    host = replace(HOST, usable_cores=cores)
    reading = replace(after.reading, pools=(replace(pool, time=time),), host=(host,))
    notes = contrast([before], [replace(after, reading=reading)]).notes
    assert any(note.startswith("after: workers waited longer for a core") for note in notes) == (
        is_said
    )


def test_the_same_captures_give_the_same_answer():
    sides = [run()], [run(SLOW_SIFT)]
    assert contrast(*sides) == contrast(*sides)


# -- which pool is which ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "pairs"),
    [
        (["a", "b"], ["b", "a"], (("a", "a"), ("b", "b"))),
        (["mill.py:10"], ["mill.py:14"], (("mill.py:10", "mill.py:14"),)),
        (
            ["mill.py:9", "mill.py:20"],
            ["mill.py:11", "mill.py:25"],
            (("mill.py:9", "mill.py:11"), ("mill.py:20", "mill.py:25")),
        ),
        (["threads"], ["processes"], (("threads", "processes"),)),
        (["a", "old"], ["a", "new"], (("a", "a"), ("old", "new"))),
    ],
)
def test_pools_are_matched_by_name_then_by_file_then_as_the_last_ones_left(before, after, pairs):
    assert partners(before, after) == (pairs, (), ())


def test_pools_without_a_partner_are_listed():
    found = contrast([run(Job(name="a"))], [run(Job(name="a"))])
    assert (found.only_before, found.only_after) == ((), ())
    assert partners(["a", "b", "c"], ["a"]) == ((("a", "a"),), ("b", "c"), ())
