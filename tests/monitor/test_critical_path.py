"""Critical paths, slack, and how many tasks could run: published projects, and a slow reference.

The reference runs a random program on unlimited workers, task by task, and never looks at times.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_graph import ATTEMPTS, fib_ledger, fibonacci, recorded, searched

from idlehands_monitor.analysis.graph.bounds import graph_reading
from idlehands_monitor.analysis.graph.critical import critical_path, slack_ns
from idlehands_monitor.analysis.graph.graph import TaskGraph, task_graph
from idlehands_monitor.analysis.graph.unlimited import could_run, serial
from idlehands_monitor.model.vocabulary import GraphGap
from idlehands_monitor.views.sections.graph import graph
from idlehands_monitor.views.text import section_lines

WEEKS = dict(zip("ABCDEFGHIJKLMN", (2, 4, 10, 6, 4, 5, 7, 9, 7, 8, 4, 5, 2, 6), strict=True))
AFTER = {"B": "A", "C": "B", "D": "C", "E": "C", "F": "E", "G": "D", "H": "EG", "I": "C"}
AFTER |= {"J": "FI", "K": "J", "L": "J", "M": "H", "N": "KL"}
"""F. S. Hillier, G. J. Lieberman, Introduction to Operations Research, project-management chapter
(8th edition, chapter 22), "Reliable Construction Co." Durations found in a public copy (H = 9
recalled); precedence and span recalled, and recomputed."""
WEEK_NS = 1_000_000_000


def project():
    """Return the project's tasks and joins, each task run by a worker of its own as soon as can be.

    All tasks are handed in at 0; each first waits for those that it comes after.
    """
    tasks, waits, ended = [], [], {}
    for number, (letter, weeks) in enumerate(WEEKS.items()):
        now = 0
        for other in AFTER.get(letter, ""):
            waits.append((number, now, max(now, ended[other]), "ABCDEFGHIJKLMN".index(other)))
            now = waits[-1][2]
        ended[letter] = now + weeks * WEEK_NS
        task = {"number": number, "parent": -1, "kind": number, "spawned": 0, "started": 0}
        tasks.append({**task, "ended": ended[letter], "worker": number})
    return recorded(tasks, waits, len(tasks), max(ended.values())), max(ended.values())


def project_graph():
    pool, end = project()
    return task_graph(pool, 0, end)


def test_the_project_has_the_work_and_span_of_the_book():
    found = project_graph()
    assert (found.work_ns, found.span_ns) == (79 * WEEK_NS, 44 * WEEK_NS)
    assert found.parallelism == pytest.approx(1.795, abs=0.001)


def test_the_earliest_finishes_of_the_project_are_those_of_the_book():
    arrays = project_graph().arrays
    earliest = arrays.paths.earliest_ns[arrays.strands.ends] // WEEK_NS
    assert earliest.tolist() == [2, 6, 16, 22, 20, 25, 29, 38, 23, 33, 37, 38, 40, 44]


def test_the_slacks_of_the_project_are_those_of_the_book():
    arrays = project_graph().arrays
    slack = slack_ns(arrays.strands, arrays.paths) // WEEK_NS
    assert slack.tolist() == [0, 0, 0, 4, 0, 0, 4, 4, 2, 0, 1, 0, 4, 0]


def test_the_critical_path_of_the_project_is_that_of_the_book():
    arrays = project_graph().arrays
    path = critical_path(arrays.strands, arrays.paths)
    assert "".join("ABCDEFGHIJKLMN"[task] for task in path.tasks) == "ABCEFJLN"
    assert (path.length_ns // WEEK_NS).tolist() == [2, 4, 10, 4, 5, 8, 5, 6]
    assert (path.began_ns // WEEK_NS).tolist() == [0, 2, 6, 16, 20, 25, 33, 38]


def project_reading():
    pool, end = project()
    return graph_reading(pool, replace(searched(14, 0), recorded_ns=end), ATTEMPTS, 0, end)


def test_the_reading_of_the_project_has_the_path_each_kinds_share_and_slack():
    held = project_reading().critical
    assert (held.tasks, held.stretches) == (8, 8)
    assert [(one.task, one.began_s, one.length_s) for one in held.path[:3]] == [
        (0, 0.0, 2.0),
        (1, 2.0, 4.0),
        (2, 6.0, 10.0),
    ]
    kinds = {one.kind: one for one in held.kinds}
    assert sum(one.path_s for one in kinds.values()) == pytest.approx(44)
    assert kinds["kind 2"].path_share == pytest.approx(10 / 44)
    idle = kinds["kind 7"]  # task H
    assert (idle.tasks, idle.work_s, idle.path_s, idle.least_slack_s) == (1, 9.0, 0.0, 4.0)
    assert held.kinds[0].kind == "kind 2"  # the most on the path


def test_stretches_of_the_project_in_which_one_task_can_run_are_serial():
    """By hand: A, B, C one after another to week 16, and N alone from week 40, M's end, to 44."""
    held = project_reading().critical.serial
    assert (held.total_s, held.longest_s, held.longest_began_s) == (20.0, 16.0, 0.0)
    assert held.share == pytest.approx(20 / 44)
    assert held.kind == "kind 2"  # C takes ten of the sixteen weeks


def test_the_slices_of_tasks_that_could_run_add_up_to_the_work():
    held = project_reading()
    slices = held.critical.could_run
    assert sum(slices) * held.span_s / len(slices) == pytest.approx(held.work_s)
    assert slices[0] == pytest.approx(1)
    assert max(slices) <= 4


def test_the_section_says_the_path_the_slack_and_what_is_serial():
    text = "\n".join(section_lines(graph(project_reading())))
    assert "The critical path leads through 8 tasks in 8 stretches; the longest: 10.0 s" in text
    assert "10.0 s of kind 2 (task 2) from 6.0 s on" in text
    (row,) = (line for line in text.splitlines() if line.split()[:2] == ["kind", "7"])
    assert row.split()[2:] == ["1", "9.0", "s", "0", "µs", "0", "%", "4.0", "s", "4.0", "s"]
    assert "In 20.0 s of Tinf (45 %) only one task can run" in text
    assert "takes 16.0 s from the start on, most of it kind 2" in text
    assert "Tasks that can run, over Tinf: " in text
    assert "at least" not in text  # nothing is missing


@pytest.mark.parametrize("n", [2, 5, 10, 20])
def test_the_strand_graph_of_fib_has_the_edges_of_the_book(n):
    """5(F(n+1) - 1): T. H. Cormen and others, 3rd edition, figure 27.2; recalled, recomputed."""
    pool, end = fib_ledger(n)
    found = task_graph(pool, 0, end)
    strands = found.arrays.strands
    spawns = found.tasks - len(strands.roots)
    joins = len(strands.others.tail)
    after_spawn = (strands.strands.tail < found.tasks) & (strands.strands.tail != strands.owner)
    goes_on = int((after_spawn & (strands.strands.length_ns > 0)).sum())
    assert spawns + joins + goes_on == 5 * (fibonacci(n + 1) - 1)
    assert (found.work_ns, found.span_ns) == (4 * fibonacci(n + 1) - 3, 2 * n)


def test_the_bounds_rank_the_versions_of_the_chess_lesson_differently_on_more_workers():
    """T. H. Cormen and others, 3rd edition, section 27.1: 65 s and 40 s on 32, 5 s and 10 s on 512.

    Found in a public copy. The lesson's T1/P + Tinf is the greedy bound and Tinf/P.
    """
    before, after = TaskGraph(2048, 1, 0, 0, 0, 1), TaskGraph(1024, 8, 0, 0, 0, 1)
    for workers, (slow, fast) in {32: (65, 40), 512: (5, 10)}.items():
        bounds = before.greedy_bound_ns(workers), after.greedy_bound_ns(workers)
        assert bounds[0] + 1 / workers == slow
        assert bounds[1] + 8 / workers == fast
        assert (bounds[0] < bounds[1]) == (slow < fast)


@pytest.mark.parametrize(
    ("measured", "works"),
    [
        ({4: 80, 10: 42, 64: 10}, range(0)),
        ({4: 80, 10: 42, 64: 9}, range(0)),
        ({4: 100, 64: 10}, range(370, 401)),
    ],
)
def test_the_bounds_hold_for_no_work_or_for_that_of_the_exercise(measured, works):
    """T. H. Cormen and others, 3rd edition, exercise 27.1-5: work from 330 to 320 and from 339 to
    320, so no greedy scheduler ran so; and from 370 to 400. Found in public copies."""
    graphs = [TaskGraph(work, span, 0, 0, 0, 1) for work in range(1, 900) for span in range(1, 101)]
    possible = {
        held.work_ns
        for held in graphs
        if all(
            max(held.work_ns / p, held.span_ns) <= took <= held.greedy_bound_ns(p)
            for p, took in measured.items()
        )
    }
    assert sorted(possible) == list(works)


@dataclass
class Program:
    """What a random task does: ("work", ns), ("spawn", task) or ("join", task), in order."""

    number: int
    steps: list = field(default_factory=list)


def random_program(seed):
    """Return programs of tasks; task 0 spawns the others, directly or not, and some come alone."""
    draw = random.Random(seed)
    programs = [Program(n) for n in range(draw.randint(1, 3))]
    roots = len(programs)
    open_tasks = list(programs)
    while open_tasks and len(programs) < 25:
        task = open_tasks.pop(draw.randrange(len(open_tasks)))
        spawned = []
        for _ in range(draw.randint(0, 4)):
            task.steps.append(("work", draw.randint(1, 50)))
            if spawned and draw.random() < 0.5:
                task.steps.append(("join", draw.choice(spawned)))
            else:
                child = Program(len(programs))
                programs.append(child)
                open_tasks.append(child)
                spawned.append(child.number)
                task.steps.append(("spawn", child.number))
    for task in programs:
        task.steps.append(("work", draw.randint(1, 50)))
    return programs, roots


def played(programs, roots, delay):
    """Return (tasks, waits) of a run; `delay`: how long each hand-in and join takes at most."""
    draw = random.Random(delay)
    tasks, waits = {}, []

    def late():
        return draw.randint(0, delay)

    def run(number, parent, spawned):
        now = started = spawned + late()
        for what, about in programs[number].steps:
            if what == "work":
                now += about
            elif what == "spawn":
                run(about, number, now)
            else:
                began = now
                now = max(now, tasks[about]["ended"]) + late()
                waits.append((number, began, now, about))
        times = {"spawned": spawned, "started": started, "ended": now}
        tasks[number] = {"number": number, "parent": parent, "kind": number % 3, **times}

    for root in range(roots):
        run(root, -1, late())
    return list(tasks.values()), waits


def graph_of(programs, roots, delay):
    tasks, waits = played(programs, roots, delay)
    end = max(task["ended"] for task in tasks)
    return task_graph(recorded(tasks, waits, 1, end), 0, end)


def strands_on_unlimited_workers(programs, roots):
    """Return (task, began, ended) of each piece of work, each as early as can be."""
    found = played(programs, roots, 0)
    ready = {task["number"]: task["spawned"] for task in found[0]}
    ended = {task["number"]: task["ended"] for task in found[0]}
    pieces = []
    for task in programs:
        now = ready[task.number]
        for what, about in task.steps:
            if what == "work":
                pieces.append((task.number, now, now + about))
                now += about
            elif what == "join":
                now = max(now, ended[about])
    return pieces


def span_of(programs, roots):
    return max(ended for _, _, ended in strands_on_unlimited_workers(programs, roots))


SEEDS = st.integers(0, 2**32)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(0, 200))
def test_work_and_span_are_those_of_the_program_however_late_its_tasks_ran(seed, delay):
    programs, roots = random_program(seed)
    pieces = strands_on_unlimited_workers(programs, roots)
    found = graph_of(programs, roots, delay)
    assert found.work_ns == sum(ended - began for _, began, ended in pieces)
    assert found.span_ns == max(ended for _, _, ended in pieces)
    assert found.missing in ((), (GraphGap.UNKNOWN_HAND_INS,))


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(0, 200))
def test_a_path_is_made_of_stretches_of_tasks_and_is_as_long_as_the_span(seed, delay):
    programs, roots = random_program(seed)
    found = graph_of(programs, roots, delay)
    path = critical_path(found.arrays.strands, found.arrays.paths)
    assert path.length_ns.sum() == found.span_ns
    assert (np.diff(path.tasks) != 0).all()
    pieces = strands_on_unlimited_workers(programs, roots)
    for task, began, length in zip(*path, strict=True):
        mine = [(low, high) for number, low, high in pieces if number == task]
        assert {began, began + length} <= {timestamp for piece in mine for timestamp in piece}
    slack = slack_ns(found.arrays.strands, found.arrays.paths)
    assert (slack[path.tasks] == 0).all()


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(0, 200))
def test_slack_is_how_much_longer_a_task_can_be_without_a_longer_span(seed, delay):
    programs, roots = random_program(seed)
    found = graph_of(programs, roots, delay)
    slack = slack_ns(found.arrays.strands, found.arrays.paths)
    much = found.span_ns + 1
    for task in programs:
        spans = []
        for place in range(len(task.steps) + 1):
            task.steps.insert(place, ("work", much))
            spans.append(span_of(programs, roots))
            del task.steps[place]
        assert slack[task.number] == found.span_ns + much - max(spans)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(0, 200))
def test_what_could_run_and_what_is_serial_are_counted_at_every_nanosecond(seed, delay):
    programs, roots = random_program(seed)
    found = graph_of(programs, roots, delay)
    pieces = strands_on_unlimited_workers(programs, roots)
    running = [
        sum(began <= now < ended for _, began, ended in pieces) for now in range(found.span_ns)
    ]
    strands, paths = found.arrays.strands.strands, found.arrays.paths
    began = paths.earliest_ns[strands.tail]
    each = could_run(began, strands.length_ns, found.span_ns, found.span_ns)
    assert each == pytest.approx(running)
    alone = serial(began, strands.length_ns)
    assert (alone.total_ns if alone else 0) == running.count(1)
    runs = "".join("1" if count == 1 else " " for count in running).split()
    assert (alone.ended_ns - alone.began_ns if alone else 0) == max(map(len, runs), default=0)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.data())
def test_a_part_of_the_window_has_no_more_work_and_no_longer_span(seed, data):
    programs, roots = random_program(seed)
    tasks, waits = played(programs, roots, 40)
    end = max(task["ended"] for task in tasks)
    pool = recorded(tasks, waits, 1, end)
    whole = task_graph(pool, 0, end)
    low, high = sorted(data.draw(st.tuples(st.integers(0, end), st.integers(0, end))))
    part = task_graph(pool, low, high)
    if part is not None:
        assert part.work_ns <= whole.work_ns
        assert part.span_ns <= whole.span_ns
        across = any(task["started"] < high < task["ended"] for task in tasks)
        assert (GraphGap.CUT_TASKS in part.missing) >= across


def two_tasks(**child):
    """A parent from 0 to 100 that joins its child, from 20 to 60 unless said, from 30 to 60."""
    parent = {"number": 0, "parent": -1, "spawned": 0, "started": 0, "ended": 100}
    child = {"number": 1, "parent": 0, "spawned": 10, "started": 20, "ended": 60, **child}
    return task_graph(recorded([parent, child], [(0, 30, 60, 1)], 1, 200), 0, 200)


def test_a_join_that_ends_before_the_stamp_of_the_joined_task_counts_as_far_as_it_went():
    # The child's chain is 10 + 40 at its end; the parent goes on with it for 40 more.
    assert two_tasks().span_ns == 90
    # Woken 5 before the stamp: 45 of the child's 55 were over.
    late = two_tasks(ended=65)
    assert late.span_ns == 10 + 40 + 40
    path = critical_path(late.arrays.strands, late.arrays.paths)
    assert [part.tolist() for part in path] == [[0, 1, 0], [0, 10, 50], [10, 40, 40]]


def test_a_task_that_its_parent_handed_in_after_its_end_follows_that_end():
    """As a call that the end of a task sets off does."""
    found = two_tasks(spawned=100, started=120, ended=150)
    assert found.span_ns == 70 + 30  # the parent joined nothing that it can have waited for


@pytest.mark.parametrize(
    ("tasks", "waits"),
    [
        ([(0, 1, 0, 10, 20), (1, 0, 0, 10, 20)], []),  # each is the other's parent
        ([(0, 0, 5, 10, 20)], []),  # its own parent
        ([(0, -1, 5, 10, 20)], [(0, 12, 15, 0)]),  # joins itself
        ([(0, -1, 0, 10, 20), (1, 0, 50, 5, 9)], [(0, 0, 99, 1), (0, 5, 7, 1), (1, 6, 8, 0)]),
    ],
)
def test_damaged_rows_have_a_span_between_the_longest_task_and_the_work(tasks, waits):
    columns = ("number", "parent", "spawned", "started", "ended")
    rows = [dict(zip(columns, task, strict=True)) for task in tasks]
    found = task_graph(recorded(rows, waits, 1, 100), 0, 100)
    assert 0 <= found.span_ns <= found.work_ns
    path = critical_path(found.arrays.strands, found.arrays.paths)
    assert path.length_ns.sum() == found.span_ns


def test_rows_that_were_lost_make_work_and_span_lower_bounds():
    pool, end = fib_ledger(5)
    found = graph_reading(pool, replace(searched(1, 0), recorded_ns=end - 1), ATTEMPTS, 0, end)
    assert found.missing == (GraphGap.LOST_ROWS,)
    text = "\n".join(section_lines(graph(found)))
    assert "T1 and Tinf are at least this large: rows of the window are missing" in text


def test_roots_that_came_after_an_end_make_the_span_a_lower_bound():
    tasks = [
        {"number": n, "parent": -1, "spawned": at, "started": at, "ended": at + 10}
        for n, at in enumerate((0, 20))
    ]
    found = task_graph(recorded(tasks, [], 1, 40), 0, 40)
    assert (found.span_ns, found.missing) == (10, (GraphGap.UNKNOWN_HAND_INS,))
