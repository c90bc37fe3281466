"""The reading as plain text: `explain`, and one line a second where there is no screen."""

from __future__ import annotations

from math import isinf
from typing import TYPE_CHECKING

from ..analysis.entries import ENTRIES
from .deques import deque_lines, parking_lines
from .graph import graph_lines
from .grid import Grid, grid_of, name_of
from .hosts import host_lines
from .promises import promise_lines
from .sampled import explain_lines, second_part
from .stealing import looks_line, stealing_lines
from .words import (
    ENTRY_NAMES,
    calls_words,
    clean,
    count,
    detail_sentence,
    maybe,
    nothing,
    seconds,
    share,
    stays_sentence,
)

if TYPE_CHECKING:
    from ..analysis.entries import WorkerTime
    from ..analysis.readings import PoolReading, Reading

BAR_CELLS = 30
MOST_MATRIX_WORKERS = 16
MOST_KINDS = 8
CORE_TIME_NOTES = {
    "kernel": "on-core and run-queue time from the kernel's per-thread counters",
    "process": "on-core time from per-thread CPU times; run-queue wait is not known here",
    "tasks": "on-core time only from the tasks whose CPU time was read; "
    "run-queue wait is inside blocked",
    "assumed": "no on-core time is known: time in tasks outside recorded waits counts as working",
}


def explain(reading: Reading) -> str:
    """Return the whole reading as text for people, ending with a newline."""
    source = reading.source
    lines = [f"{clean(source.target)}: {_who(reading)}"]
    if source.warning:
        lines.append(f"warning: {clean(source.warning)}")
    lines += host_lines(reading)
    if reading.sampled:
        lines += explain_lines(reading)
    elif not reading.pools:
        lines.append(nothing(reading))
    if len(reading.pools) > 1:
        lines += ["", *_job(reading)]
    for pool in reading.pools:
        lines += ["", *_pool(pool, reading.source.probe_cost)]
    if reading.stranded:
        lines += ["", *_stranded(reading)]
    return "\n".join(lines) + "\n"


def _job(reading: Reading) -> list[str]:
    """Return what a job of several pools comes to as one."""
    workers = sum(len(pool.workers) for pool in reading.pools)
    processes = len(reading.source.processes)
    where = f" in {processes} processes" if processes > 1 else ""
    lines = [
        f"The job: {len(reading.pools)} pools{where}, {workers} workers, "
        f"{reading.total.total / 1e9:.1f} worker-seconds",
        *_entries(reading.total),
    ]
    if reading.headline is not None:
        pool, finding = reading.headline
        lines.append(f"  Costliest: {finding.code} in pool {clean(pool.name)}")
    return lines


def _stranded(reading: Reading) -> list[str]:
    names = {pool.number: clean(pool.name) for pool in reading.pools}
    lines = ["Idle workers of one pool beside tasks queued in another, beyond its parked workers"]
    for pair in reading.stranded:
        idle, loaded = names.get(pair.idle_pool, "?"), names.get(pair.loaded_pool, "?")
        lines.append(f"  {idle} idle beside {loaded}: {pair.seconds:.2f} worker-seconds")
    return lines


def second_line(reading: Reading) -> str:
    """Return the present state in one line, for terminals without a screen and for logs."""
    source = reading.source
    if not reading.pools and not reading.sampled:
        none = nothing(reading) if source.sampled else "no pool yet"
        return f"{source.state}: {clean(source.note) or none}"
    parts = [second_part(pool) for pool in reading.sampled]
    for pool in reading.pools:
        shares = ", ".join(
            f"{ENTRY_NAMES[entry]} {share(getattr(pool.time, entry) / max(1, pool.time.total))}"
            for entry in ENTRIES
            if getattr(pool.time, entry) * 200 >= pool.time.total
        )
        rate = pool.tasks.per_s
        headline = f"; {pool.headline.code}" if pool.headline else ""
        steals = f", {count(pool.steals.hits_total)} steals" if pool.has_steals else ""
        broken = "; broken" if pool.broken else ""
        lost = f", {count(pool.lost_rows)} rows lost" if pool.lost_rows else ""
        parts.append(
            f"{clean(pool.name)} ({len(pool.workers)} workers): {shares}; "
            f"{rate:.0f} tasks/s, {pool.tasks.queued} queued{steals}{lost}{headline}{broken}"
        )
    note = f" [{clean(source.note)}]" if source.note else ""
    return f"{source.state}: " + " | ".join(parts) + note


def _who(reading: Reading) -> str:
    source = reading.source
    facts = [source.state]
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
        f"{len(pool.workers)} workers over "
        f"{seconds(pool.window_s)}, {pool.time.total / 1e9:.1f} worker-seconds",
        *([f"The pool is broken: {clean(pool.broken)}"] if pool.broken else []),
        *([clean(stays_sentence(pool.stays), 1000)] if pool.stays is not None else []),
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
    if grid_of(pool).rows:
        lines += ["", *_matrix(pool), *deque_lines(pool)]
    if pool.graph is not None:
        lines += ["", *graph_lines(pool.graph)]
    if pool.has_steals:
        lines += ["", *promise_lines(pool)]
    lines += ["", *_workers(pool)]
    if pool.lost_rows or pool.unrecorded_s > 0:
        lines += [
            "",
            f"{pool.lost_rows} rows were lost; {seconds(pool.unrecorded_s)} of the window "
            f"is not in these figures.",
        ]
    if pool.misuses:
        lines += ["", f"The pool misused its probe {pool.misuses} times; figures may be off."]
    return lines


def _detail(pool: PoolReading, cost: float | None) -> list[str]:
    sentence = detail_sentence(
        pool.detail, pool.counted_s, pool.sampled_s, pool.sampling_error, cost
    )
    return [sentence] if sentence else []


def _worker_time(pool: PoolReading) -> list[str]:
    return ["Where the worker time went", *_entries(pool.time)]


def _entries(time: WorkerTime) -> list[str]:
    lines = []
    for entry in ENTRIES:
        value = getattr(time, entry)
        part = value / max(1, time.total)
        bar = "#" * round(part * BAR_CELLS)
        lines.append(
            f"  {ENTRY_NAMES[entry]:<15}{value / 1e9:>10.2f} s {part * 100:>6.1f} %  {bar}".rstrip()
        )
    return lines


def _blocked(pool: PoolReading) -> list[str]:
    """Return what blocked time waited for, where anything is known of it."""
    blocked = pool.blocked
    if blocked is None or pool.time.blocked * 200 < pool.time.total:
        return []
    parts = []
    for name, value in (("joins", blocked.join_s), ("marked waits", blocked.marked_s)):
        if value > 0:
            parts.append(f"{name} {seconds(value)}")
    for wait in blocked.waits:
        parts.append(
            f"{wait.sort} {seconds(wait.seconds)} ({seconds(wait.low_s)} to {seconds(wait.high_s)})"
        )
    if blocked.unsplit_s > 0:
        why = ", one core's worth of work at a time" if blocked.one_core else ""
        parts.append(f"not told apart {seconds(blocked.unsplit_s)}{why}")
    note = f", from {blocked.looks} looks at blocked workers" if blocked.waits else ""
    return [f"  Blocked time was{note}: {'; '.join(parts)}"]


def _findings(pool: PoolReading) -> list[str]:
    if not pool.findings:
        return ["Findings: none"]
    lines = ["Findings, costliest first"]
    for finding in pool.findings:
        lines.append(f"  {finding.code}: {finding.sentence}")
        if finding.evidence:
            lines.append(f"    Seen: {finding.evidence}")
        gain = f" (about {seconds(finding.gain_s)} less)" if finding.gain_s is not None else ""
        lines.append(f"    Try: {finding.advice}{gain}")
    return lines


def _tasks(pool: PoolReading) -> list[str]:
    tasks = pool.tasks
    rate = tasks.per_s
    lines = [
        f"Tasks: {tasks.finished} finished{calls_words(tasks.finished, tasks.calls)} "
        f"({rate:.1f}/s), {tasks.failed} of them failed, "
        f"{tasks.cancelled} cancelled, {tasks.lost} lost with their worker, "
        f"{tasks.queued} queued, {tasks.running} running; "
        f"median wait in the queue {maybe(tasks.median_queue_wait_s)}"
    ]
    for kind in tasks.kinds[:MOST_KINDS]:
        lines.append(
            f"  {clean(kind.kind, 40):<24}{kind.finished:>9} finished"
            f"{calls_words(kind.finished, kind.calls)}, median {maybe(kind.median_s):>8}; "
            f"working {seconds(kind.working_s)}, blocked {seconds(kind.blocked_s)}, "
            f"waiting for a core {seconds(kind.run_queue_wait_s)}"
            + (f"; {kind.stolen} stolen" if pool.has_steals else "")
        )
    if len(tasks.kinds) > MOST_KINDS:
        lines.append(f"  and {len(tasks.kinds) - MOST_KINDS} more kinds")
    return [*lines, *_flow(pool), *parking_lines(pool)]


def _flow(pool: PoolReading) -> list[str]:
    lines = []
    queue, spread = pool.queueing, pool.balance
    if queue is not None:
        theory = [
            f"{model} {'without bound' if isinf(wait) else seconds(wait)}"
            for model, wait in (
                (f"random arrivals and run times (M/M/{queue.servers})", queue.mmc_wait_s),
                ("their measured variation (Allen-Cunneen)", queue.allen_cunneen_wait_s),
            )
            if wait is not None
        ]
        lines.append(
            f"Queueing: {queue.arrival_rate:.1f} tasks/s came, {queue.mean_in_pool:.1f} were in "
            f"the pool on average; mean wait {seconds(queue.mean_queue_wait_s)}"
            + (f"; theory expects, for {', for '.join(theory)}" if theory else "")
        )
    if spread is not None:
        lines.append(
            f"Balance: the busiest worker was in tasks {seconds(spread.imbalance_s)} "
            f"({spread.imbalance:.0%}) longer than the mean; Jain's fairness index "
            f"{spread.jain:.2f}, 1 is even"
        )
    return lines


def _matrix(pool: PoolReading) -> list[str]:
    steals, grid = pool.steals, grid_of(pool, most=MOST_MATRIX_WORKERS)
    if pool.has_steals:
        lines = [f"Steals: {looks_line(steals)}"]
        lines += stealing_lines(pool.stealing)
        what = "tasks taken, thief by victim"
    else:
        lines = ["Hand-overs: the workers share one queue, nothing is stolen"]
        what = "tasks run, submitter (out: from outside the pool) by runner"
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
    lines = ["Workers"]
    for worker in pool.workers:
        total = max(1, worker.time.total)
        lines.append(
            f"  {worker.index:>4} {clean(worker.name, 24):<24} working "
            f"{worker.time.working / total:>4.0%}, blocked {worker.time.blocked / total:>4.0%}, "
            f"idle {worker.time.idle / total:>4.0%}, {worker.tasks_finished} tasks, "
            f"{worker.state}"
        )
    return lines
