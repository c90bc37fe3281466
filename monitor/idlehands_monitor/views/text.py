"""The reading as plain text: `explain`, and one line a second where there is no screen."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from ..model.worker_time import CATEGORIES
from .deques import deque_lines, parking_lines
from .external import explain_lines, second_part
from .formatting import (
    calls_words,
    category_name,
    clean,
    count,
    detail_sentence,
    failed_words,
    kind_time_words,
    lifetimes_sentence,
    maybe,
    moved_words,
    nothing,
    number_of,
    seconds,
    share,
    shortened,
    skipped_lines,
)
from .graph import graph_lines
from .grid import Grid, grid_of, name_of
from .hosts import host_lines
from .promises import promise_lines
from .queue import flow_lines, queue_lines
from .stealing import attempts_line, stealing_lines

if TYPE_CHECKING:
    from ..model.reading import PoolReading, Reading
    from ..model.tasks import KindReading
    from ..model.worker_time import WorkerTime

BAR_CELLS = 30
MOST_MATRIX_WORKERS = 16
MOST_KINDS = 8
MOST_STRANDED, LEAST_STRANDED_S = 12, 0.005
"""What is less would read 0.00 worker-seconds."""
KIND_CELLS, NAME_CELLS = 40, 24
CORE_TIME_NOTES = {
    "kernel": "time on a core and run-queue wait come from the kernel's counters of each thread",
    "process": "time on a core comes from each thread's CPU time; run-queue wait is not known here",
    "tasks": "time on a core is known only of the tasks whose CPU time was read; blocked includes "
    "run-queue wait",
    "assumed": "time on a core is not known: only recorded waits are told from time in tasks",
}


def explain(reading: Reading) -> str:
    """Return the whole reading as text for people, ending with a newline."""
    source = reading.source
    lines = [f"{clean(source.target)}: {who(reading)}"]
    if source.warning:
        lines.append(f"warning: {clean(source.warning)}")
    lines += [*skipped_lines(reading), *host_lines(reading)]
    if reading.sampled:
        lines += explain_lines(reading)
    elif not reading.pools:
        lines.append(nothing(reading))
    if len(reading.pools) > 1:
        lines += ["", *_job(reading)]
    for pool in reading.pools:
        lines += ["", *_pool(pool, reading.source.probe_cost)]
    stranded = _stranded(reading)
    if stranded:
        lines += ["", *stranded]
    return "\n".join(lines) + "\n"


def _job(reading: Reading) -> list[str]:
    """Return what a job of several pools comes to as one."""
    workers = sum(len(pool.workers) for pool in reading.pools)
    processes = len(reading.source.processes)
    all_assumed = all(pool.core_time == "assumed" for pool in reading.pools)
    where = f" in {processes} processes" if processes > 1 else ""
    lines = [
        f"The job: {len(reading.pools)} pools{where}, {number_of(workers, 'worker')}, "
        f"{reading.total.total / 1e9:.1f} worker-seconds",
        *_categories(reading.total, "assumed" if all_assumed else ""),
    ]
    if reading.headline is not None:
        pool, finding = reading.headline
        lines.append(f"  Costliest finding: {finding.code} in pool {clean(pool.name)}")
    return lines


def _stranded(reading: Reading) -> list[str]:
    together = Counter(pool.name for pool in reading.pools)
    names = {
        pool.number: clean(pool.name)
        + (f" (process {pool.pid})" if together[pool.name] > 1 and pool.pid >= 0 else "")
        for pool in reading.pools
    }
    lines = [
        "Time in which workers of one pool had no work while another pool had more queued tasks "
        "than parked workers"
    ]
    for pair in reading.stranded[:MOST_STRANDED]:
        if pair.seconds < LEAST_STRANDED_S:
            break
        idle, loaded = names.get(pair.idle_pool, "?"), names.get(pair.loaded_pool, "?")
        lines.append(f"  {idle} had no work while {loaded} had: {pair.seconds:.2f} worker-seconds")
    return lines if len(lines) > 1 else []


def second_line(reading: Reading) -> str:
    """Return the present state in one line, for terminals without a screen and for logs."""
    source = reading.source
    if not reading.pools and not reading.sampled:
        none = nothing(reading) if source.sampled else "no pool yet"
        return f"{source.state}: {clean(source.note) or none}"
    parts = [second_part(pool) for pool in reading.sampled]
    for pool in reading.pools:
        shares = ", ".join(
            f"{category_name(category, pool.core_time)} "
            f"{share(getattr(pool.time, category) / max(1, pool.time.total))}"
            for category in CATEGORIES
            if getattr(pool.time, category) * 200 >= pool.time.total
        )
        rate = pool.tasks.per_s
        headline = f"; {pool.headline.code}" if pool.headline else ""
        steals = f", {count(pool.steals.hits_total)} steals" if pool.has_steals else ""
        broken = "; broken" if pool.broken else ""
        lost = f", {number_of(pool.lost_rows, 'row')} lost" if pool.lost_rows else ""
        failed = f", {failed_words(pool.tasks)}" if pool.tasks.failed else ""
        parts.append(
            f"{clean(pool.name)} ({number_of(len(pool.workers), 'worker')}): {shares}; "
            f"{rate:.0f} tasks/s, {pool.tasks.queued} queued"
            f"{failed}{steals}{lost}{headline}{broken}"
        )
    left_out = sum(one.count for one in source.skipped)
    note = f"; {count(left_out)} frames or rows left out" if left_out else ""
    note += f" [{clean(source.note)}]" if source.note else ""
    return f"{source.state}: " + " | ".join(parts) + note


def who(reading: Reading) -> str:
    """Return the facts of the process and of the stream, in one line."""
    source = reading.source
    facts: list[str] = [source.state]
    if source.pid >= 0:
        facts.append(f"process {source.pid}")
    if source.program:
        facts.append(clean(source.program))
    if source.python:
        facts.append(f"Python {clean(source.python)}")
    if source.note:
        facts.append(clean(source.note))
    return ", ".join(facts)


def _pool(pool: PoolReading, cost: float | None) -> list[str]:
    closed = ", closed" if pool.closed else ""
    where = f", process {pool.pid}" if pool.pid >= 0 else ""
    lines = [
        f"Pool {clean(pool.name)} ({clean(pool.kind)}{where}{closed}): "
        f"{number_of(len(pool.workers), 'worker')} over "
        f"{seconds(pool.window_s)}, {pool.time.total / 1e9:.1f} worker-seconds",
        *([f"The pool is broken: {clean(pool.broken)}"] if pool.broken else []),
        *([clean(lifetimes_sentence(pool.lifetimes), 2000)] if pool.lifetimes is not None else []),
        *_detail(pool, cost),
        "",
        *_worker_time(pool),
        f"  ({CORE_TIME_NOTES[pool.core_time]})",
        *_blocked(pool),
        "",
        *_findings(pool),
        "",
        *_tasks(pool),
    ]
    if grid_of(pool).tells:
        lines += ["", *_matrix(pool), *deque_lines(pool)]
    if pool.graph is not None:
        lines += ["", *graph_lines(pool.graph)]
    if pool.has_steals:
        lines += ["", *promise_lines(pool)]
    lines += ["", *_workers(pool)]
    if pool.lost_rows or pool.unrecorded_s > 0:
        lines += [
            "",
            f"{number_of(pool.lost_rows, 'row')} lost; these figures leave out "
            f"{seconds(pool.unrecorded_s)} of the window.",
        ]
    if pool.misuses:
        times = number_of(pool.misuses, "time")
        lines += ["", f"The pool used its probe wrongly {times}; these figures may be wrong."]
    return lines


def _detail(pool: PoolReading, cost: float | None) -> list[str]:
    sentence = detail_sentence(
        pool.detail, pool.counted_s, pool.thinned_s, pool.thinning_error, cost
    )
    return [sentence] if sentence else []


def _worker_time(pool: PoolReading) -> list[str]:
    return ["Where the worker time went", *_categories(pool.time, pool.core_time)]


def _categories(time: WorkerTime, core_time: str) -> list[str]:
    lines = []
    for category in CATEGORIES:
        value = getattr(time, category)
        part = value / max(1, time.total)
        bar = "#" * round(part * BAR_CELLS)
        name, spent = category_name(category, core_time), f"{value / 1e9:.2f}"
        lines.append(f"  {name:<15}{spent:>10} s {part * 100:>6.1f} %  {bar}".rstrip())
    return lines


def _blocked(pool: PoolReading) -> list[str]:
    """Return what blocked time waited for, where anything is known of it."""
    blocked = pool.blocked
    if blocked is None or pool.time.blocked * 200 < pool.time.total:
        return []
    parts = []
    for name, value in (("joins", blocked.join_s), ("declared waits", blocked.declared_s)):
        if value > 0:
            parts.append(f"{name} {seconds(value)}")
    for wait in blocked.waits:
        parts.append(
            f"{wait.sort} {seconds(wait.seconds)} ({seconds(wait.low_s)} to {seconds(wait.high_s)})"
        )
    if blocked.unsplit_s > 0:
        why = " (together the workers used about one core)" if blocked.one_core else ""
        parts.append(f"cause not known {seconds(blocked.unsplit_s)}{why}")
    note = f" (from {number_of(blocked.samples, 'sample')})" if blocked.waits else ""
    return [f"  What blocked time waited for{note}: {'; '.join(parts)}"]


def _findings(pool: PoolReading) -> list[str]:
    if not pool.findings:
        return ["Findings: none"]
    lines = ["Findings, costliest first"]
    for finding in pool.findings:
        lines.append(f"  {finding.code}: {finding.sentence}")
        if finding.evidence:
            lines.append(f"    Evidence: {finding.evidence}")
        gain = ""
        if finding.gain_s is not None:
            gain = f" (saves about {finding.gain_s:.2g} worker-seconds)"
        lines.append(f"    Try: {finding.advice}{gain}")
    return lines


def _tasks(pool: PoolReading) -> list[str]:
    tasks = pool.tasks
    rate = tasks.per_s
    moved = f"{moved_words(tasks.moved)}, " if tasks.moved else ""
    lines = [
        f"Tasks: {tasks.finished} finished{calls_words(tasks.finished, tasks.calls)} "
        f"({rate:.1f}/s), {failed_words(tasks)}, {moved}"
        f"{tasks.cancelled} cancelled, {tasks.lost} lost with their worker, "
        f"{tasks.queued} queued, {tasks.running} running; "
        f"median wait in the queue {maybe(tasks.median_queue_wait_s)}"
    ]
    names = [clean(kind.kind) for kind in tasks.kinds]
    lines += [_kind(pool, kind, names) for kind in tasks.kinds[:MOST_KINDS]]
    if len(tasks.kinds) > MOST_KINDS:
        lines.append(f"  and {number_of(len(tasks.kinds) - MOST_KINDS, 'more kind')}")
    return [*lines, *queue_lines(pool), *flow_lines(pool), *parking_lines(pool)]


def _kind(pool: PoolReading, kind: KindReading, names: list[str]) -> str:
    name = shortened(clean(kind.kind), KIND_CELLS, names)
    ended = f"{kind.finished:>9} finished{calls_words(kind.finished, kind.calls)}"
    if kind.failed:
        ended += f", {kind.failed} failed"
    times = kind_time_words(kind, pool.core_time)
    stolen = f"; {kind.stolen} stolen" if pool.has_steals else ""
    return f"  {name:<24}{ended}, median {maybe(kind.median_s):>8}; {times}{stolen}"


def _matrix(pool: PoolReading) -> list[str]:
    steals, grid = pool.steals, grid_of(pool, most=MOST_MATRIX_WORKERS)
    if pool.has_steals:
        lines = [f"Steals: {attempts_line(steals)}"]
        lines += stealing_lines(pool.stealing)
        what = "tasks taken, thief by victim"
    else:
        lines = ["Hand-overs: who handed in the tasks that each worker ran"]
        what = "tasks, one row a submitter (out: outside the pool), one column a worker"
    grouped = f"; {grid.title[-1]}" if grid.is_grouped else ""
    return [*lines, f"  {what}{grouped}", *_counts(grid)]


def _counts(grid: Grid) -> list[str]:
    """Return a matrix's counts with the totals of its rows and columns."""
    given, taken = grid.counts.sum(axis=0).tolist(), grid.counts.sum(axis=1).tolist()
    heads = [*map(name_of, grid.columns), "all"]
    shown = [
        ["·" if value != value else str(count) for count, value in zip(*both, strict=True)]
        for both in zip(grid.counts.tolist(), grid.values.tolist(), strict=True)
    ]
    width = max(len(text) for text in (*heads, str(sum(taken)), "1000")) + 1
    rows = [
        *((name_of(row), [*texts, str(sum_)]) for row, texts, sum_ in zip(grid.rows, shown, taken)),
        ("all", [*map(str, given), str(sum(taken))]),
    ]
    lines = [f"  {'':>8}" + "".join(f"{head:>{width}}" for head in heads)]
    return lines + [
        f"  {name:>8}" + "".join(f"{text:>{width}}" for text in texts) for name, texts in rows
    ]


def _workers(pool: PoolReading) -> list[str]:
    lines, assumed = ["Workers"], pool.core_time == "assumed"
    for worker in pool.workers:
        total, time = max(1, worker.time.total), worker.time
        in_tasks = f"working {time.working / total:>4.0%}, blocked {time.blocked / total:>4.0%}"
        if assumed:
            in_tasks = f"in tasks {(time.working + time.blocked) / total:>4.0%}"
        lines.append(
            f"  {worker.index:>4} {shortened(clean(worker.name), NAME_CELLS):<24} {in_tasks}, "
            f"idle {time.idle / total:>4.0%}, "
            f"{number_of(worker.tasks_finished, 'task')}, "
            f"{worker.state}"
        )
    return lines
