"""Stacks of a job are taken while its workers wait, at a rate that costs little."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os

import pytest

from histories import History, levels_frame, names_frame
from idlehands_monitor.ingest import checked_frames
from idlehands_monitor.ingest.sources import stack_sampler, stacks
from idlehands_monitor.ingest.sources.stack_sampler import (
    AGAIN_SECONDS,
    AT_FIRST_SECONDS,
    LEAST_SPACING_SECONDS,
    SHARE,
    Allowance,
    StackSampler,
    Waits,
    lasting,
)
from idlehands_monitor.ingest.sources.waiting_workers import LEAST_SAMPLES

PID = os.getpid()
DUMP_SECONDS = 0.012


def dumps_in(seconds, cost=DUMP_SECONDS):
    """Return when dumps that take so long are made."""
    allowance, now, made = Allowance(0.0), 0.0, []
    while (now := now + allowance.spacing(now)) < seconds:
        made.append(now)
        now += cost
        allowance.spend(cost, now)
    return made


def test_the_first_dumps_come_quickly():
    made = dumps_in(4)
    assert len(made) >= 14
    assert made[0] == LEAST_SPACING_SECONDS


@pytest.mark.parametrize("cost", [0.002, DUMP_SECONDS, 0.3])
def test_all_dumps_together_take_the_share_that_is_allowed_and_what_is_allowed_at_first(cost):
    seconds = 3600
    spent = cost * len(dumps_in(seconds, cost))
    assert spent <= SHARE * seconds + AT_FIRST_SECONDS + cost
    assert spent >= 0.9 * min(SHARE * seconds, cost * seconds / (LEAST_SPACING_SECONDS + cost))


def test_after_a_time_without_dumps_the_first_ones_come_quickly_again():
    allowance = Allowance(0.0)
    allowance.spend(1.0, 0.0)
    assert allowance.spacing(0.0) > 100
    assert allowance.spacing(600.0) == LEAST_SPACING_SECONDS


def test_a_long_time_without_dumps_saves_no_more_than_what_is_allowed_at_first():
    allowance = Allowance(0.0)
    allowance.spend(DUMP_SECONDS, 1e6)
    allowance.spend(AT_FIRST_SECONDS, 1e6)
    assert allowance.spacing(1e6) == pytest.approx(DUMP_SECONDS / SHARE)


# -- one job --------------------------------------------------------------------------------------


class Job:
    """A sampler of a job whose one worker waits in a task, and what the sampler took in."""

    def __init__(self, wait="lock"):
        self.taken = []
        self.sampler = StackSampler(lambda pieces, origin: self.taken.append((pieces, origin)))
        self.take(names_frame(1))
        for number in range(LEAST_SAMPLES):
            self.waits(wait, number + 1)

    def take(self, *frames):
        for frame in frames:
            self.sampler.note(PID, checked_frames(frame), {0: {(PID, 100)}})

    def waits(self, wait, number):
        at_ns = stack_sampler.monotonic_ns() - number
        row = [0, 1, -1, 0, 0, -1, -1, 0, -2]
        host = {"frame": "host", "at_ns": at_ns, "threads": {100: [0, 0]}, "waits": {100: wait}}
        self.take(host, levels_frame(History(1, at_ns), workers=[[row]]))

    def frames(self):
        return [frame for pieces, _ in self.taken for frame, _ in pieces]


def run(job, until, monkeypatch, dump, seconds=5.0):
    """Run a job's sampler, whose dumps are made by `dump`, until something holds."""
    monkeypatch.setattr(stacks, "dump", dump)
    monkeypatch.setattr(stack_sampler, "LEAST_SPACING_SECONDS", 0.001)

    async def main():
        running = asyncio.create_task(job.sampler.run())
        async with asyncio.timeout(seconds):
            while not until() and not running.done():
                await asyncio.sleep(0.001)
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running

    asyncio.run(main())


def test_the_stacks_of_a_process_whose_worker_waits_reach_the_stream(monkeypatch):
    job = Job()
    frames = [{"name": "draw", "filename": "well.py", "line": 13, "locals": None}]

    async def dump(pid, *, gives_way):
        assert gives_way
        return [{"thread_id": 7, "thread_name": "well_0", "owns_gil": True, "frames": frames}]

    run(job, lambda: job.taken, monkeypatch, dump)
    (frame, *_) = job.frames()
    assert job.taken[0][1] == PID
    assert (frame["frame"], frame["pid"], frame["missing"]) == ("stacks", PID, "")
    (thread,) = frame["threads"]
    assert (thread["name"], thread["owns_lock"]) == ("well_0", True)
    assert thread["frames"] == [("draw", "well.py", 13)]


@pytest.mark.parametrize(
    ("before", "after", "wait"),
    [("lock", "lock", "lock"), ("sleep", "lock", ""), ("running", "running", "running")],
)
def test_a_thread_has_a_wait_only_if_it_waited_for_the_same_before_and_after_the_dump(
    monkeypatch, before, after, wait
):
    job, waits = Job(), iter([before])
    monkeypatch.setattr(job.sampler._waits, "sample", lambda threads: {PID: next(waits, after)})

    async def dump(pid, *, gives_way):
        return [{"thread_id": 7, "os_thread_id": PID, "frames": []}]

    run(job, lambda: job.taken, monkeypatch, dump)
    (thread,) = job.frames()[0]["threads"]
    assert (thread["native_id"], thread["wait"]) == (PID, wait)


def test_only_the_waits_around_the_reading_of_the_stacks_have_to_be_the_same():
    ms = 1_000_000
    samples = [Waits(at * ms, {1: wait}) for at, wait in enumerate(("sleep", *["lock"] * 9))]
    assert lasting(samples, threads=4) == ((6 * ms, 9 * ms), {1: "lock"})
    assert lasting(samples, threads=400) == ((0, 9 * ms), {})


def test_a_process_that_may_not_be_traced_says_so_once_in_a_minute(monkeypatch):
    job, asked = Job(), []

    async def dump(pid, *, gives_way):
        asked.append(pid)
        raise stacks.StackError("it needs the right to trace it")

    rounds = []
    wanted = job.sampler._waiting.processes
    monkeypatch.setattr(
        job.sampler._waiting, "processes", lambda now_ns: rounds.append(1) or wanted(now_ns)
    )
    run(job, lambda: len(rounds) > 5, monkeypatch, dump)
    assert asked == [PID]
    assert [frame["missing"] for frame in job.frames()] == ["it needs the right to trace it"]
    assert AGAIN_SECONDS == 60


def test_torn_stacks_are_left_out_and_read_again(monkeypatch):
    job, asked = Job(), []

    async def dump(pid, *, gives_way):
        asked.append(pid)
        if len(asked) == 1:
            raise stacks.Torn("the stacks changed")
        return []

    run(job, lambda: job.taken, monkeypatch, dump)
    assert len(asked) >= 2
    assert job.frames()[0]["missing"] == ""


def test_a_dump_is_not_charged_with_what_another_process_took_that_ended_meanwhile(monkeypatch):
    job, spent = Job(), itertools.count(0, 1000)
    monkeypatch.setattr(stack_sampler, "_spent", lambda: next(spent))

    async def dump(pid, *, gives_way):
        return []

    run(job, lambda: len(job.taken) >= 3, monkeypatch, dump)
    assert len(job.taken) >= 3


def test_a_process_that_has_ended_leaves_no_trace(monkeypatch):
    job, asked = Job(), []

    async def dump(pid, *, gives_way):
        asked.append(pid)
        raise stacks.Gone("it has ended")

    run(job, lambda: asked, monkeypatch, dump)
    assert job.taken == []


def test_no_stacks_are_taken_of_a_job_whose_workers_run(monkeypatch):
    job, rounds = Job("running"), []

    async def dump(pid, *, gives_way):
        raise AssertionError("a dump was made")

    wanted = job.sampler._waiting.processes
    monkeypatch.setattr(
        job.sampler._waiting, "processes", lambda now_ns: rounds.append(1) or wanted(now_ns)
    )
    run(job, lambda: len(rounds) > 5, monkeypatch, dump)
    assert job.taken == []
