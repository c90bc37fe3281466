"""The reading of an external process, from made-up samples of its threads."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace

import pytest
from readings import HOSTILE, source
from test_dashboard import drive, screen_text
from test_dashboard import shown as on_screen

from histories import take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.external.pools import external_pools
from idlehands_monitor.analysis.external.roles import chain, role_of
from idlehands_monitor.analysis.stats.summary import wilson
from idlehands_monitor.ingest.sources import stack_frames, stacks
from idlehands_monitor.ingest.sources.external import spacing
from idlehands_monitor.ingest.sources.thread_ids import by_stack, in_order
from idlehands_monitor.ledger import Ledger, StackFrame
from idlehands_monitor.ledger.stacks import Samples
from idlehands_monitor.model.shares import Estimate, Share
from idlehands_monitor.session.machine import Machine
from idlehands_monitor.views.formatting import amount
from idlehands_monitor.views.html import render as render_html
from idlehands_monitor.views.json import render as render_json
from idlehands_monitor.views.line import second_line
from idlehands_monitor.views.palette import CATEGORY_STYLES, EXTERNAL_STYLES
from idlehands_monitor.views.sections.external import advice_lines
from idlehands_monitor.views.terminal.external import rows
from idlehands_monitor.views.text import explain

SECOND = 1_000_000_000
LIB = "/usr/lib/python3.11"
PID, PARENT = 4711, 1


def at(function, file, line=1):
    return [function, file, line]


THREAD_START = [
    at("Thread.run", f"{LIB}/threading.py"),
    at("Thread._bootstrap_inner", f"{LIB}/threading.py"),
    at("Thread._bootstrap", f"{LIB}/threading.py"),
]
PROCESS_START = [
    at("BaseProcess.run", f"{LIB}/multiprocessing/process.py"),
    at("BaseProcess._bootstrap", f"{LIB}/multiprocessing/process.py"),
]
TASK = [at("parse", "/home/me/job.py", 12)]
RUN = [at("_WorkItem.run", f"{LIB}/concurrent/futures/thread.py", 58)]
EXECUTOR = [at("_worker", f"{LIB}/concurrent/futures/thread.py", 81)]
PROCESS_EXECUTOR = [at("_process_worker", f"{LIB}/concurrent/futures/process.py", 240)]
LOKY = [at("_process_worker", "/x/site-packages/joblib/externals/loky/process_executor.py", 453)]
POOL = [at("worker", f"{LIB}/multiprocessing/pool.py", 114)]
SERVE = [at("main.<locals>.serve", "/home/me/job.py", 35)]
FROM_PIPE = [
    at("Connection._recv", f"{LIB}/multiprocessing/connection.py"),
    at("Connection._recv_bytes", f"{LIB}/multiprocessing/connection.py"),
    at("Queue.get", f"{LIB}/multiprocessing/queues.py", 103),
]
FROM_LOCK = [
    at("SemLock.__enter__", f"{LIB}/multiprocessing/synchronize.py"),
    at("SimpleQueue.get", f"{LIB}/multiprocessing/queues.py", 364),
]
FROM_POLL = [
    at("_PollLikeSelector.select", f"{LIB}/selectors.py"),
    at("wait", f"{LIB}/multiprocessing/connection.py"),
    at("_ConnectionBase.poll", f"{LIB}/multiprocessing/connection.py"),
    at("Queue.get", f"{LIB}/multiprocessing/queues.py", 113),
]
FROM_QUEUE = [at("Condition.wait", f"{LIB}/threading.py"), at("Queue.get", f"{LIB}/queue.py", 171)]
PUT = [
    at("Connection._send", f"{LIB}/multiprocessing/connection.py"),
    at("SimpleQueue.put", f"{LIB}/multiprocessing/queues.py"),
]

PARKED = [*EXECUTOR, *THREAD_START]
WORKS = [*TASK, *RUN, *EXECUTOR, *THREAD_START]


def stack(frames):
    return tuple(StackFrame(*frame) for frame in frames)


def thread(native, frames, name="fetch_0", wait="lock", **changes):
    return {
        "pid": PID,
        "native_id": native,
        "ident": native + 10_000,
        "name": name,
        "owns_lock": False,
        "wait": wait,
        "frames": frames,
        **changes,
    }


def stacks_frame(at_s, threads, pid=PID, parent=PARENT, missing=""):
    return {
        "frame": "stacks",
        "at_ns": int(at_s * SECOND),
        "began_ns": -1,
        "pid": pid,
        "parent": parent,
        "missing": missing,
        "threads": threads,
    }


def counters(at_s, threads, waits=None):
    frame = {"frame": "host", "at_ns": int(at_s * SECOND), "threads": threads}
    return frame if waits is None else {**frame, "waits": waits}


def ledger(*frames):
    held = Ledger()
    take_in(held, {"frame": "hello", "version": 1, "pid": PID, "sampled": True})
    for frame in frames:
        take_in(held, frame)
    return held


def two_workers(parked_dumps, dumps=10, working=0.0, waits=None):
    """Return a ledger of ten seconds of two workers, parked together in so many dumps."""
    ends = {native: [int(working * 10 * SECOND), 0] for native in (1, 2)}
    held = ledger(
        counters(0, {1: [0, 0], 2: [0, 0]}, waits),
        counters(10, ends, waits),
    )
    for number in range(dumps):
        frames = PARKED if number < parked_dumps else WORKS
        take_in(
            held,
            stacks_frame(
                number + 0.5, [thread(1, frames), thread(2, frames, "fetch_1", wait="sleep")]
            ),
        )
    return held


def only_pool(held, window_ns=None):
    (pool,) = external_pools(held, window_ns)
    return pool


@pytest.mark.parametrize(
    ("frames", "kind", "parked"),
    [
        (PARKED, "thread pool", True),
        (WORKS, "thread pool", False),
        ([*FROM_QUEUE, *EXECUTOR, *THREAD_START], "thread pool", True),
        ([*FROM_PIPE, *PROCESS_EXECUTOR, *PROCESS_START], "process pool", True),
        ([*PROCESS_EXECUTOR, *PROCESS_START], "process pool", False),
        ([*PUT, *PROCESS_EXECUTOR, *PROCESS_START], "process pool", False),
        ([*TASK, *PROCESS_EXECUTOR, *PROCESS_START], "process pool", False),
        ([*FROM_POLL, *LOKY, *PROCESS_START], "loky pool", True),
        ([*FROM_LOCK, *POOL, *PROCESS_START], "process pool", True),
        ([*POOL, *PROCESS_START], "process pool", False),
        ([*POOL, *THREAD_START], "thread pool", True),
        ([*TASK, *POOL, *THREAD_START], "thread pool", False),
        ([*FROM_QUEUE, *SERVE, *THREAD_START], "threads", True),
        ([*TASK, *SERVE, *THREAD_START], "threads", False),
        ([*FROM_QUEUE, *TASK, *SERVE, *THREAD_START], "threads", False),
        ([at("Condition.wait", f"{LIB}/threading.py"), *SERVE, *THREAD_START], "threads", False),
    ],
)
def test_a_stack_shows_the_pool_and_whether_its_worker_is_parked(frames, kind, parked):
    role = role_of(stack(frames), "fetch_0", main=PROCESS_START[0] in frames)
    assert (role.kind, role.parked) == (kind, parked)


@pytest.mark.parametrize(
    ("frames", "main"),
    [
        (TASK, True),
        ([], True),
        ([*FROM_PIPE, at("Pool._handle_results", f"{LIB}/multiprocessing/pool.py")], False),
        (
            [
                at("Condition.wait", f"{LIB}/threading.py"),
                at("Queue._feed", f"{LIB}/multiprocessing/queues.py"),
            ],
            False,
        ),
        ([at("_ExecutorManagerThread.run", f"{LIB}/concurrent/futures/process.py")], False),
        ([at("main", f"{LIB}/multiprocessing/resource_tracker.py")], True),
        ([at("Outlet._run", "/site/idlehands/_outlet.py")], False),
        ([at("Publisher._run", "/site/idlehands/_publisher.py")], False),
    ],
)
def test_main_threads_and_the_helpers_of_pools_are_no_workers(frames, main):
    assert role_of(stack([*frames, *([] if main else THREAD_START)]), "x", main=main) is None


def test_a_thread_that_hands_work_in_is_no_helper_of_the_pool():
    frames = [at("submit", f"{LIB}/concurrent/futures/process.py"), *SERVE, *THREAD_START]
    assert role_of(stack(frames), "x", main=False).kind == "threads"


def test_a_worker_forked_from_another_pools_thread_belongs_to_its_own_pool():
    frames = [*TASK, *PROCESS_EXECUTOR, *PROCESS_START, *EXECUTOR, *THREAD_START]
    assert role_of(stack(frames), "fetch_0", main=True).kind == "process pool"


def test_a_chain_is_the_innermost_frame_and_the_programs_own():
    deep = [
        at("SSLSocket.read", f"{LIB}/ssl.py", 1),
        at("begin", f"{LIB}/http/client.py", 2),
        at("send", "/v/lib/python3.11/site-packages/web/client.py", 3),
        *WORKS,
    ]
    role = role_of(stack(deep), "fetch_0", main=False)
    assert [frame.function for frame in chain(stack(deep), role)] == [
        "SSLSocket.read",
        "send",
        "parse",
    ]


def test_a_parked_chain_is_the_get_and_who_called_it():
    frames = stack([*FROM_PIPE, *PROCESS_EXECUTOR, *PROCESS_START])
    role = role_of(frames, "x", main=True)
    assert [frame.function for frame in chain(frames, role)] == ["Queue.get", "_process_worker"]


def test_working_is_the_growth_of_the_kernels_counters():
    held = two_workers(0)
    take_in(held, counters(20, {1: [2 * SECOND, 4 * SECOND], 2: [0, 0]}))
    time = only_pool(held).workers[0].time
    assert (time.seconds, time.working, time.run_queue_wait) == pytest.approx((20, 0.1, 0.2))
    assert only_pool(held).time.working == pytest.approx(0.05)


def test_parked_is_the_share_of_dumps_with_the_interval_of_so_many_dumps():
    time = only_pool(two_workers(3)).time
    assert time.parked.value == pytest.approx(0.3)
    assert (time.parked.low, time.parked.high) == pytest.approx(wilson(3, 10))
    assert time.blocked.value == pytest.approx(0.7)


def test_workers_of_one_dump_do_not_narrow_the_interval():
    pool = only_pool(two_workers(3))
    assert pool.time.dumps == pool.workers[0].time.dumps == 10
    assert pool.time.parked == pool.workers[0].time.parked


@pytest.mark.parametrize("working", [0.0, 0.4, 0.9, 1.0])
@pytest.mark.parametrize("parked_dumps", [0, 5, 10])
def test_the_parts_add_up_and_none_is_negative(working, parked_dumps):
    time = only_pool(two_workers(parked_dumps, working=working)).time
    assert sum(share.value for share in time.shares) == pytest.approx(1.0)
    for estimate in (time.parked, time.blocked):
        assert 0 <= estimate.low <= estimate.value <= estimate.high <= time.off_core + 1e-12


def test_a_wait_that_parked_workers_are_in_too_is_counted_where_they_are_not_parked():
    # A second each: parked (a lock to the kernel), at a lock in a task, and asleep in two more.
    dumps = ((PARKED, "lock"), (WORKS, "lock"), (WORKS, "sleep"), (WORKS, "sleep"))
    held = ledger()
    for second, (frames, sort) in enumerate(dumps):
        for quarter in range(4):
            take_in(held, counters(second + quarter / 4, {1: [0, 0]}, {1: sort}))
        take_in(held, stacks_frame(second + 0.8, [thread(1, frames, wait=sort)]))
    time = only_pool(held).time
    assert {wait.sort: wait.share for wait in time.waits} == pytest.approx(
        {"sleep": 0.5, "lock": 0.25}
    )


def test_blocked_is_shared_out_by_the_samples_of_the_kernel():
    held = two_workers(0, waits={1: "interpreter lock", 2: "running"})
    time = only_pool(held).time
    assert [(wait.sort, wait.share) for wait in time.waits] == [("interpreter lock", 1.0)]


def test_threads_seen_waiting_at_a_queue_once_are_its_workers():
    serving = [*TASK, *SERVE, *THREAD_START]
    other = [*TASK, at("beat", "/home/me/job.py", 3), *THREAD_START]
    held = ledger(
        stacks_frame(1, [thread(1, [*FROM_QUEUE, *SERVE, *THREAD_START]), thread(2, serving)]),
        stacks_frame(2, [thread(1, serving), thread(2, serving), thread(3, other)]),
        counters(0, {1: [0, 0], 2: [0, 0], 3: [0, 0]}),
        counters(3, {1: [0, 0], 2: [0, 0], 3: [0, 0]}),
    )
    queue, rest = external_pools(held, None)
    assert (queue.kind, [worker.native_id for worker in queue.workers]) == (
        "queue and threads",
        [1, 2],
    )
    assert (rest.kind, [worker.native_id for worker in rest.workers]) == ("threads", [3])


def test_worker_processes_of_one_parent_are_one_pool():
    frames = [*FROM_LOCK, *POOL, *PROCESS_START]
    held = ledger(
        *(stacks_frame(pid, [thread(pid, frames)], pid=pid, parent=7) for pid in (8, 9)),
        counters(0, {8: [0, 0], 9: [0, 0]}),
        counters(10, {8: [0, 0], 9: [0, 0]}),
    )
    pool = only_pool(held)
    assert (pool.pid, pool.kind, pool.module) == (7, "process pool", "multiprocessing.pool")
    assert [worker.name for worker in pool.workers] == ["process 8", "process 9"]
    assert pool.time.dumps == 2


def test_pools_of_threads_are_distinguished_by_their_threads_names():
    held = ledger(
        stacks_frame(1, [thread(1, PARKED, "fetch_0"), thread(2, PARKED, "store_0")]),
        counters(0, {1: [0, 0], 2: [0, 0]}),
        counters(2, {1: [0, 0], 2: [0, 0]}),
    )
    assert {pool.name for pool in external_pools(held, None)} == {"fetch", "store"}


def test_stacks_are_counted_where_workers_were_blocked_or_parked():
    pool = only_pool(two_workers(3))
    assert [(s.frames[0].function, s.samples) for s in pool.parked_stacks] == [("_worker", 6)]
    assert [(s.frames[0].function, s.samples) for s in pool.blocked_stacks] == [("parse", 14)]


def test_a_worker_on_the_core_is_not_counted_as_blocked():
    held = ledger(
        stacks_frame(1, [thread(1, WORKS, wait="running")]),
        counters(0, {1: [0, 0]}),
        counters(2, {1: [2 * SECOND, 0]}),
    )
    pool = only_pool(held)
    assert pool.blocked_stacks == ()
    assert pool.workers[0].state == "working"


def test_only_the_window_counts():
    held = two_workers(5)  # parked in the first five seconds
    take_in(held, counters(10, {1: [0, 0], 2: [0, 0]}))
    time = only_pool(held, 5 * SECOND).time
    assert (time.dumps, time.parked.value, time.seconds) == (5, 0.0, pytest.approx(10.0))


def test_without_stacks_the_kernels_shares_are_left():
    held = ledger(
        stacks_frame(1, [thread(1, [], "python", wait="")], missing="not permitted"),
        counters(0, {1: [0, 0]}),
        counters(4, {1: [SECOND, SECOND]}),
    )
    pool = only_pool(held)
    assert pool.missing == "not permitted"
    assert (pool.time.working, pool.time.run_queue_wait, pool.time.off_core) == (0.25, 0.25, 0.5)
    assert pool.time.parked is None
    assert pool.time.blocked is None


def test_a_kernel_id_that_is_known_late_is_still_the_same_worker():
    held = ledger(
        stacks_frame(1, [thread(-1, PARKED, ident=77)]),
        stacks_frame(2, [thread(5, PARKED, ident=77)]),
        counters(0, {5: [0, 0]}),
        counters(3, {5: [0, 0]}),
    )
    assert [worker.native_id for worker in only_pool(held).workers] == [5]


def test_equal_stacks_are_held_once_and_old_ones_go():
    held = two_workers(10).samples
    assert len({id(t.stack) for dump in held.dumps for t in dump.threads}) == 1
    held.forget_before(5 * SECOND)
    assert [dump.at_ns / SECOND for dump in held.dumps] == [5.5, 6.5, 7.5, 8.5, 9.5]


def test_above_its_bound_the_store_forgets_the_older_half():
    held = Samples(most=20)
    for second in range(40):
        held.add_dump(stacks_frame(second, [thread(1, PARKED)]))
    assert len(held.dumps) <= 20
    assert held.dumps[-1].at_ns == 39 * SECOND
    assert held.first_ns > 0


def test_a_dump_in_two_frames_is_one_dump():
    held = ledger(
        stacks_frame(1, [thread(1, PARKED)]), stacks_frame(1, [thread(2, PARKED, "fetch_1")])
    )
    (dump,) = held.samples.dumps
    assert [t.native_id for t in dump.threads] == [1, 2]


@pytest.mark.parametrize(
    "damage",
    [
        {"at_ns": "x"},
        {"at_ns": -5},
        {"at_ns": 2**70},
        {"pid": None},
        {"threads": 7},
        {"threads": [{"native_id": 1}]},
        {"threads": [thread(1, [["f"]])]},
    ],
)
def test_a_damaged_frame_is_counted_and_skipped(damage):
    held = ledger({**stacks_frame(1, []), **damage})
    assert held.skipped_frames == 1
    assert external_pools(held, None) == ()


@pytest.mark.parametrize("waits", [7, {"x": "lock"}])
def test_damaged_waits_are_counted_and_skipped(waits):
    assert ledger(counters(1, {}, waits)).skipped_frames == 1


def test_long_text_from_the_process_is_cut():
    frames = stack_frames.frames_of([{"name": "f" * 9999, "filename": "/x" * 9999, "line": 3}])
    assert max(len(text) for text in frames[0][:2]) <= stack_frames.MOST_LETTERS


def test_a_deep_stack_keeps_both_of_its_ends():
    deep = [{"name": f"f{number}", "filename": "job.py", "line": 1} for number in range(500)]
    frames = stack_frames.frames_of(deep)
    assert len(frames) == stack_frames.MOST_FRAMES
    assert (frames[0][0], frames[-1][0]) == ("f0", "f499")


def test_what_a_forked_child_has_from_its_parent_is_left_out():
    inherited = [*TASK, *PROCESS_START, *EXECUTOR, *THREAD_START]
    given = [{"name": name, "filename": file, "line": line} for name, file, line in inherited]
    assert stack_frames.frames_of(given) == [*TASK, *PROCESS_START]


@pytest.mark.parametrize(
    ("processes", "dump_seconds", "cores", "idle_interval"),
    [
        (1, 0.0001, 64, 1.0),  # never more than one a second of a process
        (4, 0.001, 64, 0.25),
        (64, 0.016, 64, 0.1),  # more often would take over 0.25 % of 64 cores
        (64, 0.016, 4, 1.6),
        (64, 0.1, 2, 2.0),  # one in two seconds is always made
    ],
)
def test_dumps_are_spaced_by_what_they_cost(processes, dump_seconds, cores, idle_interval):
    assert spacing(processes, dump_seconds, cores) == pytest.approx(idle_interval)


def test_a_thread_is_found_by_the_stack_its_pointer_is_in():
    maps = "1000-2000 rw-p 0 0:0 0\n2000-3000 ---p 0 0:0 0\n3000-4000 rw-p 0 0:0 0\n"
    found = by_stack(maps, {11: 0x1800, 12: 0x3800, 13: 0x9000}, [0x1F00, 0x3F00, 0x7000])
    assert found == {0x1F00: 11, 0x3F00: 12}


def test_threads_not_found_by_a_stack_are_paired_in_the_order_of_their_start():
    assert in_order(10, [100, 200, 300], [12, 10, 11]) == {100: 10, 200: 11, 300: 12}
    assert in_order(10, [100, 200], [10, 11, 12]) == {100: 10}  # one thread runs no Python


@pytest.mark.parametrize(
    ("complaint", "kind", "words"),
    [
        ("Error: Permission Denied: Try running again", stacks.StackError, "CAP_SYS_PTRACE"),
        ("Failed to find python version from target process", stacks.NotPython, "not a Python"),
        ("Failed to get process executable name.", stacks.Gone, "has ended"),
        (
            "Error: Failed to get stack traces\n\nCaused by:\n  0: main",
            stacks.Torn,
            "changed while",
        ),
        ("\nError: none of these\n  10: main", stacks.StackError, "py-spy: Error: none of these"),
    ],
)
def test_each_complaint_of_py_spy_becomes_one_line(complaint, kind, words):
    error = stacks.failure(4194305, complaint)
    assert type(error) is kind
    assert words in str(error)
    assert "\n" not in str(error)


@pytest.mark.parametrize("torn", [2, 100])
def test_stacks_that_changed_while_they_were_read_are_read_again_a_few_times(
    monkeypatch, tmp_path, torn
):
    """A stand-in for py-spy, as its own fails so only now and then."""
    program, reads = tmp_path / "py-spy", tmp_path / "reads"
    program.write_text(
        f'#!/bin/sh\necho >> "{reads}"\n[ $(wc -l < "{reads}") -gt {torn} ] && echo "[]" && exit\n'
        'echo "Error: Failed to get stack traces" >&2\nexit 1\n'
    )
    program.chmod(0o700)
    monkeypatch.setenv(stacks.ENVIRONMENT, str(program))
    if torn < stacks.TRIES:
        assert asyncio.run(stacks.dump_whole(1)) == []
    else:
        with pytest.raises(stacks.Torn):
            asyncio.run(stacks.dump_whole(1))
    assert len(reads.read_text()) == min(torn + 1, stacks.TRIES)


@pytest.mark.parametrize(
    ("estimate", "text"),
    [
        (None, "41 %"),
        (Estimate(0.41, 0.29, 0.54), "41 % ± 13"),
        (Estimate(0.41, 0.11, 0.84), "41 % (11–84)"),
        (Estimate(0.41, 0.0, 0.41), "41 % (0–41)"),
        (Estimate(0.41, 0.41, 0.41), "41 %"),
    ],
)
def test_an_estimate_is_written_with_its_interval(estimate, text):
    assert amount(Share("parked", 0.41, estimate)) == text


def shown(held=None, **changes):
    return read(held or two_workers(3), source(is_external=True, **changes))


def test_every_view_says_that_it_is_sampled_and_not_recorded():
    reading = shown()
    assert "is sampled, not recorded" in explain(reading)
    assert "is sampled, not recorded" in render_html(reading)
    assert "external" in second_line(reading)
    document = json.loads(render_json(reading))
    assert document["source"]["sampled"] is True
    (pool,) = document["sampled"]
    assert pool["recorded"] is False
    assert "number-of-tasks" in pool["unanswered"]


def test_the_json_has_shares_intervals_and_stacks():
    (pool,) = json.loads(render_json(shown()))["sampled"]
    assert (pool["kind"], pool["workers"], pool["time"]["dumps"]) == ("thread pool", 2, 10)
    assert pool["time"]["parked"]["share"] == pytest.approx(0.3)
    assert pool["parked_stacks"][0]["frames"][0]["function"] == "_worker"


def test_parked_is_never_drawn_or_called_no_work():
    reading = shown()
    assert EXTERNAL_STYLES["parked"].glyph not in {
        style.glyph for style in CATEGORY_STYLES.values()
    }
    drawn = "\n".join(
        "".join(text for text, _ in row) for row in rows(reading.external[0], 78, 24)[0]
    )
    assert "parked 30 %" in drawn
    assert "· no work" not in drawn


@pytest.mark.parametrize("cells", [60, 78, 118, 198])
def test_no_row_is_wider_than_the_screen(cells):
    for row in rows(shown().external[0], cells, 24)[0]:
        assert sum(len(text) for text, _ in row) <= cells


def test_hostile_names_reach_no_view_unescaped():
    frames = [at(HOSTILE, f"/x/{HOSTILE}"), *WORKS]
    held = ledger(
        stacks_frame(1, [thread(1, frames, f"{HOSTILE}_0")]),
        counters(0, {1: [0, 0]}),
        counters(2, {1: [0, 0]}),
    )
    reading = shown(held, program=HOSTILE)
    drawn = "".join(text for row in rows(reading.external[0], 118, 36)[0] for text, _ in row)
    for text in (explain(reading), second_line(reading), drawn):
        assert "\x1b" not in text
    assert "<b>" not in render_html(reading)


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (120, 36), (200, 60)])
def test_the_screen_shows_sampled_pools_instead_of_the_recorded_view(columns, lines):
    async def look(app, pilot):
        await pilot.pause()
        text = screen_text(app)
        for words in ("sampled, not recorded", "10 dumps", "parked 30 %", "parse (job.py:12)"):
            assert words in text
        assert "worker-seconds" not in text

    drive(look, shown(), (columns, lines))


def test_the_screen_says_when_no_worker_has_been_seen():
    (row, *_) = rows(None, 78, 24)
    assert "No worker thread has been seen yet" in row[0][0][0]


def test_enter_opens_a_worker_of_an_external_process_with_its_stack():
    async def dumped(_pid):
        frames = [{"name": "parse", "filename": "/x/job.py", "line": 12}]
        return [{"thread_id": 10_002, "owns_gil": False, "frames": frames}]

    async def look(app, pilot):
        await on_screen(app, pilot, "parked 30 %")
        await pilot.press("down", "enter")
        await on_screen(app, pilot, "Worker 1 of fetch")
        await on_screen(app, pilot, "/x/job.py:12")
        await pilot.press("escape")
        await pilot.pause()
        assert "Worker 1 of fetch" not in screen_text(app)

    drive(look, shown(), (80, 24), machine=Machine(dump=dumped))


def test_a_worker_of_an_ended_external_process_has_no_stack():
    async def look(app, pilot):
        await on_screen(app, pilot, "parked 30 %")
        await pilot.press("enter")
        await on_screen(app, pilot, "only a running process has one")

    drive(look, shown(state="ended"), (80, 24))


def test_the_keys_are_there_for_an_external_process_too():
    async def look(app, pilot):
        await on_screen(app, pilot, "? keys")
        await pilot.press("question_mark")
        await on_screen(app, pilot, "begin a capture")

    drive(look, shown(), (80, 24))


PROCESS = [
    at("BaseProcess.run", f"{LIB}/multiprocessing/process.py"),
    at("BaseProcess._bootstrap", f"{LIB}/multiprocessing/process.py"),
]
PEBBLE = "/v/lib/python3.11/site-packages/pebble/pool"
PEBBLE_LOOP = [
    at("process_tasks", f"{PEBBLE}/process.py", 504),
    at("worker_process", f"{PEBBLE}/process.py", 495),
    *PROCESS,
]
PEBBLE_WAITS = [
    at("WorkerChannel._make_poll_method.<locals>.unix_poll", f"{PEBBLE}/channel.py"),
    at("fetch_task", f"{PEBBLE}/process.py"),
    at("worker_get_next_task", f"{PEBBLE}/process.py"),
]
PEBBLE_RUNS = [at("grind", "/x/job.py", 5), at("process_execute", f"{PEBBLE}/../common/process.py")]
MPIRE = "/v/lib/python3.11/site-packages/mpire"
MPIRE_LOOP = [at("AbstractWorker.run", f"{MPIRE}/worker.py", 161), *PROCESS]
MPIRE_WAITS = [*FROM_POLL, at("WorkerComms.get_task", f"{MPIRE}/comms.py")]
MPIRE_RUNS = [at("grind", "/x/job.py", 5), at("AbstractWorker._call_func", f"{MPIRE}/worker.py")]
MPIRE_SENDS = [
    at("SemLock.__enter__", f"{LIB}/multiprocessing/synchronize.py"),
    at("JoinableQueue.put", f"{LIB}/multiprocessing/queues.py"),
    at("WorkerComms.add_results", f"{MPIRE}/comms.py"),
]


@pytest.mark.parametrize(
    ("frames", "module", "parked"),
    [
        ([*PEBBLE_WAITS, *PEBBLE_LOOP], "pebble.pool.process", True),
        ([*PEBBLE_RUNS, *PEBBLE_LOOP], "pebble.pool.process", False),
        ([*MPIRE_WAITS, *MPIRE_LOOP], "mpire.worker", True),
        ([*MPIRE_RUNS, *MPIRE_LOOP], "mpire.worker", False),
        ([*MPIRE_SENDS, *MPIRE_LOOP], "mpire.worker", False),
    ],
)
def test_worker_processes_of_libraries_without_an_adapter_are_known(frames, module, parked):
    role = role_of(stack(frames), "MainThread", main=True)
    assert (role.kind, role.module, role.parked) == ("process pool", module, parked)


def test_the_threads_of_such_a_library_are_no_workers():
    own = [at("task_scheduler_loop", f"{PEBBLE}/process.py", 192), *THREAD_START]
    assert role_of(stack([*FROM_QUEUE, *own]), "Thread-1", main=False) is None


def test_every_view_names_the_library_and_does_not_advise_what_would_not_help():
    worker = thread(7, [*PEBBLE_RUNS, *PEBBLE_LOOP], "MainThread", pid=7)
    held = ledger(
        counters(0, {7: [0, 0]}),
        stacks_frame(1, [worker], pid=7, parent=PID),
        counters(2, {7: [SECOND, 0]}),
    )
    reading = shown(held)
    (pool,) = json.loads(render_json(reading))["sampled"]
    assert pool["library"] == "pebble"
    drawn = " ".join(
        "".join(text for text, _ in row) for row in rows(reading.external[0], 78, 24)[0]
    )
    for text in (explain(reading), render_html(reading), " ".join(drawn.split())):
        assert "The worker processes of pebble are not probed" in text
        assert "run the job with a probe" not in text


def test_the_screen_of_a_sampled_job_advises_what_its_text_does():
    seen = shown()
    for program in ("job.py", "-m idlehands"):
        (advice,) = advice_lines(replace(seen, source=replace(seen.source, program=program)))
        drawn = rows(seen.external[0], 200, 40, program=program)[0]
        assert advice in "".join(cell for row in drawn for cell, _ in row)
