"""Findings of external processes: from samples to a sentence with its interval, in every view."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from finding_cases import a_host, seen
from test_external import (
    PARKED,
    WORKS,
    counters,
    ledger,
    only_pool,
    shown,
    stacks_frame,
    thread,
    two_workers,
)
from test_host import process_frame

from histories import take_in
from idlehands_monitor.analysis.stats.summary import wilson
from idlehands_monitor.analysis.verdicts.external_findings import NO_GAIN, with_external_findings
from idlehands_monitor.views.html import render as render_html
from idlehands_monitor.views.json import render as render_json
from idlehands_monitor.views.line import second_line
from idlehands_monitor.views.markdown import render as render_markdown
from idlehands_monitor.views.terminal.external import rows
from idlehands_monitor.views.text import explain

MIB = 2**20


def findings(*hosts, **told):
    (pool,) = with_external_findings((seen(**told),), hosts)
    return pool.findings


def test_a_share_of_samples_is_said_with_its_interval():
    (finding,) = findings(waits=(("lock", 0.4),))
    low, high = wilson(160, 400)
    assert f"for 40 % ({100 * low:.0f} to {100 * high:.0f}) of their time" in finding.sentence
    assert "400 samples" in finding.evidence
    assert finding.where == "fetch, job.py:12"
    assert finding.no_gain == NO_GAIN
    assert finding.worker_seconds == pytest.approx(0.4 * 240)


def test_without_stacks_a_parked_worker_is_not_called_one_that_waits_for_a_lock():
    pool = seen(waits=(("lock", 0.9), ("interpreter lock", 0.05)))
    pool = replace(pool, time=replace(pool.time, parked=None, blocked=None, dumps=0))
    assert with_external_findings((pool,), ())[0].findings == ()


def test_the_interpreter_lock_is_found_without_stacks_too():
    pool = seen(waits=(("interpreter lock", 0.5),))
    pool = replace(pool, time=replace(pool.time, parked=None, blocked=None, dumps=0))
    assert with_external_findings((pool,), ())[0].findings[0].code == "interpreter-lock"


def test_what_the_quota_explains_is_not_explained_by_other_programs_too():
    held = a_host(throttled_share=0.6)
    found = findings(held, queued=0.3, workers=2)
    assert [one.code for one in found] == ["cpu-quota"]
    assert found[0].share == pytest.approx(0.3)


def test_all_pools_of_a_process_together_use_the_cores():
    pools = (seen(working=0.25, queued=0.2), seen(working=0.25, queued=0.2))
    found = with_external_findings(pools, (a_host(),))
    assert [pool.findings[0].code for pool in found] == ["more-workers-than-cores"] * 2


def test_a_stuck_worker_comes_before_what_costs_more():
    found = findings(same=(40.0, 40), waits=(("lock", 0.7),))
    assert [one.code for one in found] == ["stuck-worker", "lock-wait"]
    assert found[0].sentence == ("Worker 0 has been at the same line for 40 s, waiting for a lock")


def test_for_how_long_a_worker_was_blocked_alike_is_counted_back_from_its_last_sample():
    other = [["parse", "/home/me/job.py", 13], *WORKS[1:]]
    held = ledger(counters(0, {1: [0, 0]}), counters(10, {1: [0, 0]}))
    for second, frames in enumerate([PARKED, WORKS, other, WORKS, WORKS, WORKS]):
        take_in(held, stacks_frame(second + 0.5, [thread(1, frames, wait="sleep")]))
    (worker,) = only_pool(held).workers
    assert (worker.same_for_s, worker.same_samples) == (2.0, 3)


def test_a_worker_may_have_been_at_its_line_since_before_the_window():
    held = two_workers(0, dumps=10)
    pool = only_pool(held, 2 * 1_000_000_000)
    assert pool.time.dumps == 2
    assert (pool.workers[0].same_for_s, pool.workers[0].same_samples) == (9.0, 10)


def test_a_worker_that_is_parked_or_runs_is_at_no_line():
    assert only_pool(two_workers(10)).workers[0].same_samples == 0
    running = ledger(
        stacks_frame(1, [thread(1, WORKS, wait="running")]),
        counters(0, {1: [0, 0]}),
        counters(2, {1: [2_000_000_000, 0]}),
    )
    assert only_pool(running).workers[0].same_samples == 0


def test_the_host_reports_on_an_external_process():
    held = two_workers(3)
    for second in range(11):
        grown = (100 + 20 * second) * MIB
        # The median slope over sixths of ten seconds is 1296 MiB a minute.
        take_in(held, process_frame(second, resident_bytes=grown, memory_left_bytes=600 * MIB))
    reading = shown(held)
    assert reading.host[0].resident_bytes == 300 * MIB
    (finding,) = reading.external[0].findings
    assert finding.code == "memory-growth"
    assert "; at this growth no memory is left in about 28 s" in finding.sentence


def found():
    held = shown()
    (pool,) = held.external
    finding = findings(waits=(("lock", 0.4),))[0]
    return replace(held, external=(replace(pool, findings=(finding,)),))


@pytest.mark.parametrize("view", [explain, render_markdown, render_html])
def test_every_report_has_the_finding_with_what_to_try(view):
    text = " ".join(view(found()).replace("\\", "").split())
    assert "Workers in tasks wait for a lock for 40 %" in text
    assert "Try: Hold the lock for less of each task" in text


def test_json_has_the_findings_of_an_external_pool():
    (pool,) = json.loads(render_json(found()))["sampled"]
    assert pool["findings"][0]["code"] == "lock-wait"
    assert pool["findings"][0]["gain"] is None
    assert pool["headline"]["code"] == "lock-wait"


def test_the_line_of_a_second_ends_with_the_code_of_the_headline():
    assert "; lock-wait" in second_line(found())
    assert "lock-wait" not in second_line(shown())


@pytest.mark.parametrize("cells", [78, 160])
def test_the_screen_has_the_headline_above_the_stacks(cells):
    lines = ["".join(text for text, _ in row) for row in rows(found().external[0], cells, 40)[0]]
    text = " ".join(" ".join(lines).split())
    assert "lock-wait: Workers in tasks wait for a lock" in text
    assert "Try: Hold the lock" in text
    assert text.index("lock-wait") < text.index("most often")
    assert all(len(line) <= cells for line in lines)
