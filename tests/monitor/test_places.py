"""Places in the code: where the workers of a finding wait, and who holds the lock."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from readings import HOSTILE, source
from reports import Page, markdown_page

from histories import History, Task, frames, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.places.frames import place_of
from idlehands_monitor.analysis.places.of_finding import FURTHER_ON, LEAST_DUMPS, NOBODY
from idlehands_monitor.analysis.places.places import MOST_DUMPS, REACH_NS, Places
from idlehands_monitor.analysis.stats.summary import wilson
from idlehands_monitor.ledger import Ledger, StackFrame
from idlehands_monitor.model.findings import Finding
from idlehands_monitor.model.places import PlaceReading
from idlehands_monitor.model.vocabulary import FindingCode, WorkerState
from idlehands_monitor.views import html, markdown, text
from idlehands_monitor.views.json import render as render_json
from idlehands_monitor.views.sections.places import place_phrase, places_lines
from idlehands_monitor.views.terminal.header import headline_text

SECOND = 1_000_000_000
END_S = 20
PID = 4711
MAIN, FIRST = PID, 100
LIB = "/usr/lib/python3.11"
WELL = "/home/me/well.py"
POOL = [
    ["_WorkItem.run", f"{LIB}/concurrent/futures/thread.py", 58],
    ["_run", "/srv/probes/idlehands/adapters/_work_runs.py", 80],
    ["_worker", f"{LIB}/concurrent/futures/thread.py", 81],
]
TAKES = [["draw", WELL, 13], *POOL]
HOLDS = [["draw", WELL, 14], *POOL]
READS = [["readinto", f"{LIB}/socket.py", 706], ["fetch", "/home/me/net.py", 40], *POOL]
SLEEPS = [["fetch", "/home/me/net.py", 44], *POOL]
PARKED = [["_worker", f"{LIB}/concurrent/futures/thread.py", 81]]
GRINDS = [["grind", "/home/me/main.py", 7], ["<module>", "/home/me/main.py", 90]]


def thread(native, stack, wait="lock", **changes):
    return {
        "pid": PID,
        "native_id": native,
        "ident": native + 10_000,
        "name": f"well_{native}",
        "owns_lock": False,
        "wait": wait,
        "frames": stack,
        **changes,
    }


def dump(at_s, *threads, missing=""):
    return {
        "frame": "stacks",
        "at_ns": int(at_s * SECOND),
        "pid": PID,
        "missing": missing,
        "threads": list(threads),
    }


def recorded(*dumps, in_tasks=(0, 1, 2), end_s=END_S):
    """Return the ledger of four workers, of which these are in a task all the time."""
    history = History(4, end_s * SECOND)
    history.tasks = [Task(n, 0, worker, 0, history.end) for n, worker in enumerate(in_tasks)]
    held = Ledger()
    take_in(held, {"frame": "hello", "version": 1, "pid": PID}, *frames(history), *dumps)
    assert held.skipped_frames == 0
    return held


def finding(code, where=""):
    return Finding(FindingCode(code), 5.0, 0.25, f"{code} is so.", "Do otherwise.", where=where)


def pool_with(pool):
    """Return the reading of a pool with a finding that has places."""
    return replace(pool, findings=(finding("lock-wait"),))


def placed(held, *findings, places=None, **changes):
    """Return the reading of a ledger whose pool has these findings, with places."""
    reading = read(held, source(), None)
    (pool,) = reading.pools
    pool = replace(pool, findings=findings, **changes)
    return (places or Places()).added(held, replace(reading, pools=(pool,)))


def places_of(code, *dumps, where="", **changes):
    """Return the places of a finding in a pool of four workers, three of them in tasks."""
    (pool,) = placed(recorded(*dumps), finding(code, where), **changes).pools
    return pool.findings[0].places


def well(number=LEAST_DUMPS, *, holder=True):
    """Return dumps in which two workers wait for a lock that a third one holds."""
    third = thread(102, HOLDS, "sleep") if holder else thread(102, SLEEPS, "sleep")
    return [
        dump(n + 0.5, thread(100, TAKES), thread(101, TAKES), third, thread(103, PARKED))
        for n in range(number)
    ]


# -- which frame is the program's own --------------------------------------------------------------


@pytest.mark.parametrize(
    ("files", "own"),
    [
        (["/home/me/job.py", f"{LIB}/threading.py"], 0),
        ([f"{LIB}/threading.py", "/home/me/job.py", "/home/me/main.py"], 1),
        (["/venv/lib/python3.11/site-packages/net/io.py", "/home/me/job.py"], 1),
        (["/usr/lib/python3/dist-packages/net.py", "/home/me/job.py"], 1),
        (["<frozen runpy>", "<string>"], 1),
        (["/x/python312.zip/threading.py", "/home/me/job.py"], 1),
        (["/opt/lib/python3.13t/queue.py", "/home/me/job.py"], 1),
        (["/srv/idlehands/_worker.py", "/srv/idlehands/adapters/thread_pool.py", "/home/j.py"], 2),
        (["/home/me/idlehands/job.py", "/home/me/main.py"], 0),
        ([f"{LIB}/queue.py", "/v/lib/python3.11/site-packages/idlehands_demo/tapes.py"], 1),
        ([f"{LIB}/queue.py", "/v/lib/python3.11/site-packages/app/jobs.py"], 1),
        ([f"{LIB}/queue.py", f"{LIB}/threading.py"], 0),
    ],
)
def test_a_place_is_the_innermost_frame_of_the_programs_own(files, own):
    stack = tuple(StackFrame("f", file, line) for line, file in enumerate(files, 1))
    place, inside = place_of(stack)
    assert place == PlaceReading("f", files[own], own + 1)
    assert inside == (PlaceReading("f", files[0], 1) if own else None)


def test_a_thread_without_frames_has_no_place():
    assert place_of(()) == (None, None)


# -- where workers wait ----------------------------------------------------------------------------


def test_a_lock_is_named_by_the_line_that_takes_it_and_by_the_thread_that_is_past_it():
    found = places_of("lock-wait", *well())
    (waits,), (holds,) = found.waiting, found.holding
    assert (waits.place, waits.inside) == (PlaceReading("draw", WELL, 13), None)
    assert (waits.who, waits.samples, waits.share) == ("task", 10, 1.0)
    assert (holds.place, holds.who) == (PlaceReading("draw", WELL, 14), "a worker in task")
    assert (holds.samples, holds.share, found.dumps, found.samples) == (5, 1.0, 5, 10)
    assert found.spacing_s == pytest.approx(1.0)


def test_the_thread_that_holds_the_interpreter_lock_is_named_the_main_thread_too():
    dumps = [
        dump(
            n + 0.5,
            thread(100, [["mill", WELL, 3], *POOL], "interpreter lock"),
            thread(101, [["mill", WELL, 3], *POOL], "running", owns_lock=n == 0),
            thread(MAIN, GRINDS, "running", owns_lock=n > 0),
        )
        for n in range(5)
    ]
    found = places_of("interpreter-lock", *dumps)
    assert [one.place.function for one in found.waiting] == ["mill"]
    assert [(one.who, one.place.function, one.share) for one in found.holding] == [
        ("the main thread", "grind", 0.8),
        ("a worker in task", "mill", 0.2),
    ]


def test_the_lines_of_a_function_are_one_place_where_the_interpreter_lock_is_waited_for_or_held():
    dumps = [
        dump(
            n + 0.5,
            thread(100, [["mill", WELL, 3 + (n > 2)]], "interpreter lock"),
            thread(103, [["grind", WELL, 20 + (n > 2)]], "running", owns_lock=True),
        )
        for n in range(5)
    ]
    found = places_of("interpreter-lock", *dumps)
    (waits,), (holds,) = found.waiting, found.holding
    assert (waits.place.line, waits.share) == (3, 1.0)
    assert (holds.place.line, holds.share, holds.who) == (20, 1.0, "a worker between tasks")


def test_the_places_of_blocked_tasks_have_their_shares_of_samples_and_intervals_by_dumps():
    dumps = [
        dump(
            n + 0.5,
            thread(100, READS, "input/output"),
            thread(101, READS if n % 2 else SLEEPS, "sleep"),
            thread(102, [["mill", WELL, 3]], "interpreter lock"),
        )
        for n in range(8)
    ]
    found = places_of("blocked-in-task", *dumps)
    assert [(one.place.line, one.samples, one.share) for one in found.waiting] == [
        (40, 12, 0.75),
        (44, 4, 0.25),
    ]
    assert found.waiting[0].inside.function == "readinto"
    # E. B. Wilson's interval of three quarters of eight dumps, which are fewer than the samples.
    assert (found.waiting[0].low, found.waiting[0].high) == wilson(6, 8)
    assert found.holding == ()
    assert found.unknown_holder == ""


def test_a_place_is_given_for_each_kind_of_task():
    history = History(2, END_S * SECOND, [Task(0, 0, 0, 0, END_S * SECOND)])
    names, *rest = frames(history)
    names["task_kinds"] = ["task", "other"]
    held = Ledger()
    open_task = [0, 9, -1, 1, 0, -1, -1, SECOND // 10, -2]
    rest[-1]["workers"] = [[], [open_task]]
    dumps = [dump(n + 0.5, thread(100, READS), thread(101, READS)) for n in range(5)]
    take_in(held, {"frame": "hello", "version": 1, "pid": PID}, names, *rest, *dumps)
    (pool,) = placed(held, finding("blocked-in-task")).pools
    assert {one.who for one in pool.findings[0].places.waiting} == {"task", "other"}


@pytest.mark.parametrize(
    ("code", "wait"),
    [
        ("lock-wait", "sleep"),
        ("interpreter-lock", "lock"),
        ("blocked-in-task", "interpreter lock"),
        ("too-few-workers", "lock"),
        ("nested-wait", "interpreter lock"),
        ("stuck-worker", "running"),
    ],
)
def test_a_thread_that_waits_for_something_else_is_no_sample_of_a_finding(code, wait):
    dumps = [dump(n + 0.5, thread(100, SLEEPS, wait)) for n in range(5)]
    found = places_of(code, *dumps, where="task")
    assert found.waiting == ()
    assert found.missing == "only 0 of the 5 dumps that it takes found workers that wait"


def test_a_parked_worker_and_a_thread_of_no_pool_are_no_samples():
    dumps = [dump(n + 0.5, thread(103, PARKED), thread(900, TAKES)) for n in range(9)]
    (pool,) = placed(recorded(*dumps), finding("lock-wait")).pools
    assert pool.findings[0].places is None


def test_a_dump_between_two_tasks_of_a_worker_is_no_sample():
    history = History(1, END_S * SECOND)
    history.tasks = [Task(n, 0, 0, n * SECOND, n * SECOND + SECOND // 2) for n in range(END_S)]
    inside = [dump(n + 0.25, thread(100, TAKES)) for n in range(5)]
    between = [dump(n + 0.75, thread(100, TAKES)) for n in range(5)]
    held = Ledger()
    dumps = sorted([*inside, *between], key=lambda one: one["at_ns"])
    take_in(held, {"frame": "hello", "version": 1, "pid": PID}, *frames(history), *dumps)
    (pool,) = placed(held, finding("lock-wait")).pools
    assert pool.findings[0].places.samples == 5


def test_a_worker_that_began_its_task_while_its_stack_was_read_is_no_sample():
    history = History(1, END_S * SECOND, [Task(0, 0, 0, SECOND, END_S * SECOND)])
    held = Ledger()
    frame = dump(1.25, thread(100, TAKES))
    dumps = [{**frame, "at_ns": frame["at_ns"] + n, "began_ns": SECOND + n - 3} for n in range(8)]
    take_in(held, {"frame": "hello", "version": 1, "pid": PID}, *frames(history), *dumps)
    (pool,) = placed(held, finding("lock-wait")).pools
    assert pool.findings[0].places.dumps == 5


def test_a_finding_that_is_about_no_wait_has_no_places():
    (pool,) = placed(recorded(*well()), finding("long-searches"), finding("lock-wait")).pools
    assert pool.findings[0].places is None
    assert pool.findings[1].places.waiting


def test_without_stacks_there_are_no_places_and_nothing_is_said_of_them():
    assert places_of("lock-wait") is None
    assert places_lines(finding("lock-wait")) == []
    assert place_phrase(finding("lock-wait")) == ""


def test_one_dump_less_than_needed_names_no_place():
    found = places_of("lock-wait", *well(LEAST_DUMPS - 1))
    assert (found.waiting, found.holding) == ((), ())
    assert found.missing == "only 4 of the 5 dumps that it takes found workers that wait"


def test_without_the_right_to_trace_the_finding_says_what_is_needed():
    why = "reading the stack of process 4711 is not permitted: it needs the right to trace it"
    found = places_of("interpreter-lock", dump(1, missing=why))
    assert found.missing == why
    said = replace(finding("interpreter-lock"), places=found)
    assert places_lines(said) == [f"Where: not known, {why}"]


def test_of_a_worker_that_hangs_only_the_samples_of_its_task_count():
    held = recorded(*well(10), *[dump(n + 0.5, thread(100, SLEEPS)) for n in range(10, 17)])
    reading = read(held, source(), None)
    workers = tuple(
        replace(one, doing="task", state=WorkerState.WORKING, for_s=10.2 if not one.index else 2.0)
        for one in reading.pools[0].workers
    )
    (pool,) = placed(held, finding("stuck-worker", "task"), workers=workers).pools
    found = pool.findings[0].places
    assert [(one.place.line, one.samples) for one in found.waiting] == [(44, 7)]


def test_places_of_a_live_window_are_of_a_minute():
    dumps = well(5)
    for code, end_s in (("lock-wait", 40), ("lock-wait", 90)):
        held = recorded(*dumps, end_s=end_s)
        (pool,) = placed(held, finding(code), begin_ns=(end_s - 10) * SECOND).pools
        assert (pool.findings[0].places is not None) == (end_s * SECOND <= REACH_NS)


def test_places_are_counted_anew_only_after_another_dump():
    places, held = Places(), recorded(*well(6))
    (first,) = placed(held, finding("lock-wait"), places=places).pools
    (again,) = placed(held, finding("lock-wait"), places=places).pools
    assert again.findings[0].places is first.findings[0].places
    take_in(held, dump(9.5, thread(100, TAKES)))
    (later,) = placed(held, finding("lock-wait"), places=places).pools
    assert later.findings[0].places.samples == first.findings[0].places.samples + 1


def test_stacks_of_a_recorded_job_make_no_external_pool_of_it():
    held = recorded(*well())
    for at_s in (1, 5):
        threads = {100 + worker: [at_s * SECOND, 0] for worker in range(4)}
        take_in(held, {"frame": "host", "at_ns": at_s * SECOND, "threads": threads})
    assert read(held, source(), None).external == ()


def test_at_most_three_places_are_shown_and_none_below_a_tenth():
    def at(line):
        return [["fetch", "/home/me/net.py", line], *POOL]

    lines = [*[1] * 8, *[2] * 6, *[3] * 4, *[4] * 2]
    dumps = [dump(n / 2 + 0.5, thread(100, at(line), "sleep")) for n, line in enumerate(lines)]
    found = places_of("blocked-in-task", *dumps)
    assert [one.place.line for one in found.waiting] == [1, 2, 3]
    lines = [*[1] * 18, *[2] * 2, *[3]]
    dumps = [dump(n / 2 + 0.5, thread(100, at(line), "sleep")) for n, line in enumerate(lines[:20])]
    assert len(places_of("blocked-in-task", *dumps).waiting) == 2
    dumps.append(dump(19.5, thread(100, at(1), "sleep")))
    assert len(places_of("blocked-in-task", *dumps).waiting) == 1


def test_of_very_many_dumps_some_are_used():
    dumps = [dump(n / 400 + 0.5, thread(100, TAKES)) for n in range(MOST_DUMPS + 100)]
    found = places_of("lock-wait", *dumps)
    assert found.dumps == (MOST_DUMPS + 100) // 2


def test_rows_that_contradict_each_other_give_no_place():
    history = History(1, END_S * SECOND)
    history.tasks = [Task(n, 0, 0, 0, history.end) for n in range(100)]
    held = Ledger()
    dumps = [dump(n + 0.5, thread(100, TAKES)) for n in range(6)]
    take_in(held, {"frame": "hello", "version": 1, "pid": PID}, *frames(history), *dumps)
    pool = read(recorded(), source(), None).pools[0]
    reading = replace(read(recorded(), source(), None), pools=(pool_with(pool),))
    assert Places().added(held, reading).pools[0].findings[0].places is None


# -- who holds a lock ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "others",
    [
        [thread(102, SLEEPS, "sleep")],
        [thread(102, [["draw", WELL, 12], *POOL], "running")],
        [thread(102, TAKES, "running")],
        [thread(102, [["draw", "/home/me/other.py", 14], *POOL], "running")],
        [thread(102, HOLDS, "sleep"), thread(901, HOLDS, "running")],
    ],
    ids=["elsewhere", "before the line", "at the line", "another file", "two at once"],
)
def test_a_holder_that_stacks_do_not_show_is_not_known(others):
    dumps = [dump(n + 0.5, thread(100, TAKES), *others) for n in range(5)]
    found = places_of("lock-wait", *dumps)
    assert (found.holding, found.unknown_holder) == ((), FURTHER_ON)


def test_a_lock_that_a_library_takes_is_held_further_on_in_the_librarys_function():
    logging = f"{LIB}/logging/__init__.py"
    log = [["log", WELL, 30], *POOL]
    takes = [["acquire", logging, 901], ["handle", logging, 966], *log]
    holds = [["emit", logging, 1100], ["handle", logging, 968], *log]
    dumps = [dump(n + 0.5, thread(100, takes), thread(101, holds, "running")) for n in range(5)]
    found = places_of("lock-wait", *dumps)
    assert found.waiting[0].place == PlaceReading("log", WELL, 30)
    assert found.holding[0].inside.function == "emit"


def test_threads_inside_a_primitive_of_the_standard_library_hold_nothing_by_that():
    waits = [["Condition.wait", f"{LIB}/threading.py", 355], ["take", WELL, 50], *POOL]
    timed = [["Condition.wait", f"{LIB}/threading.py", 359], ["idle", WELL, 70]]
    dumps = [dump(n + 0.5, thread(100, waits), thread(900, timed)) for n in range(5)]
    assert places_of("lock-wait", *dumps).holding == ()


def test_of_two_locks_the_one_that_more_threads_wait_for_has_its_holder_named():
    other = [["pour", WELL, 33], *POOL]
    dumps = [
        dump(
            n + 0.5,
            thread(100, TAKES),
            thread(101, TAKES),
            thread(102, other),
            thread(900, HOLDS, "running"),
            thread(901, [["pour", WELL, 34]], "running"),
        )
        for n in range(5)
    ]
    (holds,) = places_of("lock-wait", *dumps).holding
    assert (holds.place.function, holds.who) == ("draw", "thread well_900")


def test_an_interpreter_lock_that_nobody_holds_in_the_dumps_has_no_holder():
    dumps = [dump(n + 0.5, thread(100, SLEEPS, "interpreter lock")) for n in range(5)]
    found = places_of("interpreter-lock", *dumps)
    assert (found.holding, found.unknown_holder) == ((), NOBODY)


# -- what is shown ---------------------------------------------------------------------------------


def shown():
    return placed(recorded(*well(8)), finding("lock-wait", "task"))


LINES = [
    "Where: task at draw (well.py:13), in 100 % (68 to 100) of 16 samples",
    "Held by: a worker in task at draw (well.py:14), in 100 % (68 to 100) of 8 dumps",
    "Stacks: 8 dumps, one in 1.0 s, taken while workers wait in tasks",
]


def test_each_place_is_a_line_with_its_share_and_one_says_what_it_rests_on():
    assert places_lines(shown().pools[0].findings[0]) == LINES


def test_what_a_place_waits_in_is_beside_it():
    dumps = [dump(n + 0.5, thread(100, READS, "input/output")) for n in range(5)]
    found = replace(finding("blocked-in-task"), places=places_of("blocked-in-task", *dumps))
    assert places_lines(found)[0].startswith("Where: task at fetch (net.py:40) in readinto (sock")


def test_every_view_has_the_places():
    reading = shown()
    for written in (
        " ".join(text.explain(reading).split()),
        Page(html.render(reading)).text,
    ):
        for line in LINES:
            assert line in written
    brief = markdown_page(markdown.render(reading)).text
    assert brief.count(place_phrase(reading.pools[0].findings[0])) == 2  # its headline, its table


def test_the_headline_names_the_most_frequent_place_and_its_holder():
    sentence, _ = headline_text(shown().pools[0], "")
    assert sentence == (
        "lock-wait: lock-wait is so. Mostly at draw (well.py:13), held at draw (well.py:14)."
    )


def test_the_headline_names_a_holder_that_is_no_worker():
    dumps = [
        dump(
            n + 0.5,
            thread(100, TAKES, "interpreter lock"),
            thread(MAIN, GRINDS, "running", owns_lock=True),
        )
        for n in range(5)
    ]
    (pool,) = placed(recorded(*dumps), finding("interpreter-lock")).pools
    assert headline_text(pool, "")[0].endswith(
        "Mostly at draw (well.py:13), held by the main thread at grind (main.py:7)."
    )


def test_the_headline_names_the_kind_of_task_where_no_place_is_known():
    (pool,) = placed(recorded(*well(2)), finding("lock-wait", "task")).pools
    assert headline_text(pool, "")[0] == "lock-wait: lock-wait is so. (task)"


def test_the_json_has_function_file_line_share_and_number_of_samples():
    (pool,) = json.loads(render_json(shown()))["pools"]
    found = pool["findings"][0]["places"]
    assert found["waiting"] == [
        {
            "place": {"function": "draw", "file": WELL, "line": 13},
            "inside": None,
            "who": "task",
            "samples": 16,
            "share": 1.0,
            "low": pytest.approx(wilson(8, 8)[0]),
            "high": 1.0,
        }
    ]
    assert (found["dumps"], found["samples"]) == (8, 16)


def test_hostile_names_of_functions_and_files_reach_no_view_as_they_are():
    hostile = [[HOSTILE, f"/x/{HOSTILE}.py", 1]]
    dumps = [dump(n + 0.5, thread(100, hostile)) for n in range(5)]
    reading = placed(recorded(*dumps), finding("lock-wait"))
    for written in (text.explain(reading), markdown.render(reading), html.render(reading)):
        assert "\x1b" not in written
    assert "\x1b" not in headline_text(reading.pools[0], "")[0]
    assert "<b>" not in html.render(reading)


def feeding(*dumps):
    """Return the finding that a pool waits for what feeds it, with places."""
    (pool,) = placed(recorded(*dumps, in_tasks=()), finding("slow-submitter")).pools
    return pool.findings[0]


def test_of_a_pool_that_waits_for_what_feeds_it_the_thread_that_runs_meanwhile_is_named():
    runs = thread(MAIN, GRINDS, "running")
    found = feeding(*(dump(n + 0.5, runs, thread(101, PARKED)) for n in range(9)))
    assert place_phrase(found) == "Meanwhile the main thread is mostly at grind (main.py:7)."
    assert places_lines(found) == [
        "Where: the main thread at grind (main.py:7), in 100 % (70 to 100) of 9 samples",
        "Stacks: 9 dumps, one in 1.0 s, taken while workers wait for work",
    ]


def test_threads_that_wait_themselves_feed_nothing():
    sleeps = thread(MAIN, GRINDS, "sleep")
    found = feeding(*(dump(n + 0.5, sleeps) for n in range(9)))
    assert found.places.waiting == ()
    assert "a thread that runs beside" in found.places.missing


def test_without_another_thread_in_the_dumps_nothing_is_said_of_what_feeds_a_pool():
    assert feeding(*(dump(n + 0.5, thread(101, PARKED)) for n in range(9))).places is None
