"""Limits that a capture is held to: what a person may write, what is judged, and how it is told."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from runs import PLAIN, Job, reading_of
from test_contrast import finding

from idlehands_monitor.analysis.verdicts.limits import judged
from idlehands_monitor.commands.limits import limits_of
from idlehands_monitor.model.errors import USAGE, CommandError
from idlehands_monitor.model.limits import LIMIT_NAMES, Limit, Limits, LimitUnit, Measure
from idlehands_monitor.model.vocabulary import Category, CoreTimeSource
from idlehands_monitor.views.junit import render
from idlehands_monitor.views.sections.check import check, sentence
from idlehands_monitor.views.text import page

MS = 0.001


def reading(job=PLAIN, **changes):
    """Return a reading whose only pool is changed."""
    _, found = reading_of(job)
    (pool,) = found.pools
    return replace(found, pools=(replace(pool, **changes),))


def one(found, *texts, **asked):
    """Return the only limit of a check, judged."""
    (limit,) = judged(found, limits_of(texts, **asked))
    return limit


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("starved=5%", Limit(Category.STARVED, 0.05, LimitUnit.SHARE)),
        ("run-queue-wait = 2.5 %", Limit(Category.RUN_QUEUE_WAIT, 0.025, LimitUnit.SHARE)),
        ("no_work=100%", Limit(Category.NO_WORK, 1.0, LimitUnit.SHARE)),
        ("wait_p95=50ms", Limit(Measure.WAIT_P95, 0.05, LimitUnit.SECONDS)),
        ("duration_median=2s", Limit(Measure.DURATION_MEDIAN, 2.0, LimitUnit.SECONDS)),
        ("lost_rows=0", Limit(Measure.LOST_ROWS, 0.0, LimitUnit.COUNT)),
        ("failures=3", Limit(Measure.FAILURES, 3.0, LimitUnit.COUNT)),
        ("failures=1%", Limit(Measure.FAILURES, 0.01, LimitUnit.SHARE)),
    ],
)
def test_a_limit_is_a_name_and_at_most_so_much(text, limit):
    assert limits_of([text]).limits == (limit,)


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        ({"limits": ["lazy=5%"]}, f"no limit is called 'lazy': there are {', '.join(LIMIT_NAMES)}"),
        ({"limits": ["starved"]}, "'starved' is not of the form starved=5%"),
        ({"limits": ["starved=5ms"]}, "starved: '5ms' is no share from 0% to 100%"),
        ({"limits": ["starved=500%"]}, "starved: '500%' is no share from 0% to 100%"),
        ({"limits": ["wait_p95=5%"]}, "wait_p95: '5%' is no duration"),
        ({"limits": ["lost_rows=few"]}, "lost_rows: 'few' is no number such as 0"),
        ({"no_finding": ["laziness"]}, "no finding is called 'laziness': there are lost-worker,"),
        ({"gain_below": "much"}, "gain-below: 'much' is no share"),
        ({}, "nothing to check: give --limit, --no-finding or --gain-below"),
    ],
)
def test_a_limit_that_does_not_exist_is_refused_in_one_line(asked, line):
    with pytest.raises(CommandError) as refused:
        limits_of(**asked)
    assert str(refused.value).startswith(line)
    assert "\n" not in str(refused.value)
    assert refused.value.status == USAGE


def test_a_share_of_the_worker_time_is_held_to_its_limit():
    found = reading()
    (pool,) = found.pools
    share = pool.time.no_work / pool.time.total
    assert 0 < share < 0.2
    assert one(found, "no_work=20%").holds
    broken = one(found, "no_work=0%")
    assert not broken.holds
    assert broken.found == pytest.approx(share)


def test_waits_and_durations_are_held_to_their_median_and_95th_percentile():
    # 200 tasks of about 10 ms on 2 workers, all handed in at once: the last begins after a second.
    found = reading(Job(jitter=0.0, lengths=(10.0,)))
    assert one(found, "duration_median=10ms").found == pytest.approx(10 * MS)
    assert one(found, "duration_p95=9ms").holds is False
    assert one(found, "wait_median=1s").found == pytest.approx(0.495, abs=0.01)
    assert one(found, "wait_p95=1s").found == pytest.approx(0.945, abs=0.01)


def test_failures_are_held_to_a_number_or_to_a_share():
    found = reading(Job(failing=4))
    assert one(found, "failures=4").holds
    assert not one(found, "failures=3").holds
    assert one(found, "failures=2%").holds
    assert not one(found, "failures=1.9%").holds


def test_lost_rows_are_held_to_a_number():
    assert one(reading(), "lost_rows=0").holds
    assert not one(reading(lost_rows=7), "lost_rows=6").holds


def test_a_finding_that_is_forbidden_breaks_the_check_with_its_sentence():
    found = reading(findings=(finding(),))
    assert one(found, no_finding=["grain-too-fine"]).holds
    broken = one(found, no_finding=["lock-wait"])
    assert not broken.holds
    assert "Tasks wait" in sentence(broken)


def test_no_finding_may_gain_as_much_as_the_limit():
    found = reading(findings=(finding(share=0.1), finding(share=0.05)))
    assert one(found, gain_below="11%").holds
    broken = one(found, gain_below="10%")
    assert (broken.holds, broken.found) == (False, 0.1)
    assert one(reading(findings=()), gain_below="1%").holds


def test_what_is_not_known_is_broken():
    found = reading(core_time=CoreTimeSource.ASSUMED)
    broken = one(found, "blocked=50%")
    assert (broken.found, broken.holds) == (None, False)
    assert sentence(broken) == ("blocked is not known: time on a core was not measured (pool mill)")
    simulated_nothing = replace(
        finding(share=None), no_gain="nothing was simulated: it is 30 % off"
    )
    refused = one(reading(findings=(simulated_nothing,)), gain_below="10%")
    assert (refused.found, refused.holds) == (None, False)


def test_every_pool_is_judged_that_can_be():
    found = reading()
    (pool,) = found.pools
    idle = replace(pool, name="kiln", tasks=replace(pool.tasks, p95_run_s=None))
    both = replace(found, pools=(idle, pool))
    assert [limit.pool for limit in judged(both, limits_of(["duration_p95=1s"]))] == ["mill"]
    assert [limit.pool for limit in judged(both, limits_of(["lost_rows=0"]))] == ["kiln", "mill"]
    only = limits_of(["lost_rows=0"], pool="kiln")
    assert [limit.pool for limit in judged(both, only)] == ["kiln"]


def test_the_report_has_broken_limits_first_and_counts_them():
    found = judged(reading(Job(failing=4)), limits_of(["lost_rows=0", "failures=0"]))
    lines = page(check("night.idlehands", found)).splitlines()
    assert lines[0] == "night.idlehands: 1 limit broken"
    assert lines[2].split() == ["BROKEN", "failures", "at", "most", "0", "4", "mill"]
    assert lines[3].split() == ["holds", "lost_rows", "at", "most", "0", "0", "mill"]


def test_junit_has_a_case_for_each_limit_a_failure_for_a_broken_one_and_an_error_for_an_unknown():
    found = (
        *judged(reading(Job(failing=4)), limits_of(["lost_rows=0", "failures=0"])),
        *judged(reading(core_time=CoreTimeSource.ASSUMED), limits_of(["blocked=1%"])),
    )
    root = ET.fromstring(render("night.idlehands", found))  # noqa: S314 - our own document
    (suite,) = root
    assert (root.tag, suite.tag) == ("testsuites", "testsuite")
    counts = {"tests": "3", "failures": "1", "errors": "1", "skipped": "0"}
    assert counts.items() <= root.attrib.items()
    assert counts.items() <= suite.attrib.items()
    assert [case.get("name") for case in suite] == [
        "lost_rows: at most 0",
        "failures: at most 0",
        "blocked: at most 1 %",
    ]
    assert [[child.tag for child in case] for case in suite] == [[], ["failure"], ["error"]]
    assert suite[1][0].get("message") == "failures is 4, at most 0 is allowed (pool mill)"


def test_a_hostile_name_cannot_change_the_document():
    hostile = 'a"/><x>\x1b[31m\x00\ud800]]>'
    found = judged(reading(name=hostile, lost_rows=1), limits_of(["lost_rows=0"]))
    (suite,) = ET.fromstring(render(hostile, found))  # noqa: S314 - our own document
    assert len(suite) == 1
    assert "\x1b" not in suite[0].get("classname")


def test_limits_of_categories_need_no_simulation():
    assert not limits_of(["starved=5%"]).needs_causes
    assert limits_of(no_finding=["lock-wait"]).needs_causes
    assert Limits().is_empty
