"""The reading as one HTML file that opens offline: no script, no font, nothing fetched.

Every text that comes from the watched process is cleaned and escaped.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from ..model.worker_time import CATEGORIES
from .external import (
    NAMES,
    NOT_RECORDED,
    TIME_NOTE,
    advice_lines,
    amount,
    dumps_text,
    missing_text,
    origin,
    parts,
    stack_text,
    state_text,
    waits_text,
)
from .formatting import (
    CATEGORY_NAMES,
    calls_words,
    category_name,
    clean,
    detail_sentence,
    failed_words,
    kind_time_words,
    lifetimes_sentence,
    maybe,
    moved_words,
    number_of,
    seconds,
    skipped_lines,
)
from .grid import grid_of, name_of
from .hosts import host_lines
from .palette import BLANK, CATEGORY_STYLES, CIVIDIS, EXTERNAL_STYLES, steps, text_on
from .queue import flow_lines, queue_lines
from .stealing import attempts_line, stealing_lines
from .text import CORE_TIME_NOTES, who

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..model.external import ExternalPoolReading, ExternalTime
    from ..model.reading import PoolReading, Reading
    from ..model.worker_time import WorkerTime

MOST_MATRIX_WORKERS = 64
"""A larger pool's workers are grouped, so that a page stays one that can be read."""

LONGEST_SENTENCE = 2000

STYLE = """
:root { color-scheme: light dark; }
body { font: 15px/1.5 system-ui, sans-serif; max-width: 70rem; margin: 2rem auto; padding: 0 1rem }
h1 { font-size: 1.4rem } h2 { font-size: 1.2rem; margin-top: 2rem } h3 { font-size: 1rem }
table { border-collapse: collapse; margin: .5rem 0 }
th, td { padding: .15rem .6rem; text-align: right }
th:first-child, td:first-child { text-align: left }
.bar { display: flex; height: 1.6rem; min-width: 14rem; border: 1px solid #8888 }
.bar span { display: block } .key { display: inline-block; width: .9rem; height: .9rem;
border: 1px solid #8888; vertical-align: -1px; margin-right: .4rem }
.headline { font-size: 1.1rem; font-weight: 600 } .note { opacity: .75 }
.matrix td { min-width: 2rem; text-align: center } .scroll { overflow-x: auto }
"""


def render(reading: Reading) -> str:
    """Return the whole document."""
    source = reading.source
    title = f"idlehands: {_text(source.target)}"
    page = [
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title><style>{STYLE}</style></head><body>",
        f"<h1>{title}</h1>",
        f'<p class="note">{_text(who(reading))}</p>',
    ]
    if source.warning:
        page.append(f"<p><strong>Warning:</strong> {_text(source.warning)}</p>")
    page += [
        f"<p><strong>{_text(line.capitalize())}</strong></p>" for line in skipped_lines(reading)
    ]
    page += [f'<p class="note">{_text(line)}</p>' for line in host_lines(reading)]
    for pool in reading.pools:
        page += _pool(pool, reading.source.probe_cost)
    if reading.sampled:
        advice = " ".join(advice_lines(reading))
        page.append(f"<p><strong>{NOT_RECORDED}</strong> {_text(advice)}</p>")
    for sampled in reading.sampled:
        page += _sampled(sampled)
    page.append("</body></html>\n")
    return "\n".join(page)


def _sampled(pool: ExternalPoolReading) -> Iterable[str]:
    yield (
        f"<h2>Pool {_text(pool.name)}</h2><p>Looks like: {_text(origin(pool))}; "
        f"{number_of(len(pool.workers), 'worker')}, {dumps_text(pool)}, "
        f"{pool.time.seconds:.1f} worker-seconds.</p>"
    )
    if pool.missing:
        yield f"<p>{escape(missing_text(pool))}</p>"
    yield "<h3>Where the worker time went</h3>" + _external_bar(pool.time)
    rows = "".join(
        f"<tr><td>{_key(EXTERNAL_STYLES[part.category].colour)}"
        f"{NAMES[part.category]}</td><td>{part.value * pool.time.seconds:.2f} s</td>"
        f"<td>{amount(part)}</td></tr>"
        for part in parts(pool.time)
    )
    yield f"<table>{rows}</table>"
    if pool.time.waits:
        what = "Blocked" if pool.time.blocked is not None else "Off the core"
        yield f"<p>{what}, in shares of the worker time: {_text(waits_text(pool.time))}.</p>"
    if not pool.missing:
        yield f'<p class="note">{TIME_NOTE}</p>'
    for title, stacks in (
        ("Most often parked in", pool.parked_stacks),
        ("Most often blocked in", pool.blocked_stacks),
    ):
        if stacks:
            rows = "".join(
                f"<tr><td>{escape(stack_text(stack))}</td><td>{stack.samples}</td></tr>"
                for stack in stacks
            )
            yield f"<h3>{title}</h3><table><tr><th>stack</th><th>samples</th></tr>{rows}</table>"
    rows = "".join(
        f"<tr><td>{worker.index} {_text(worker.name)}</td><td>{_external_bar(worker.time)}</td>"
        f"<td>{_text(state_text(worker))}</td></tr>"
        for worker in pool.workers
    )
    yield (
        "<h3>Workers</h3><table><tr><th>worker</th><th>time split</th><th>at the end</th></tr>"
        f"{rows}</table>"
    )


def _external_bar(time: ExternalTime) -> str:
    spans = "".join(
        f'<span style="width:{part.value:.4%};background:{EXTERNAL_STYLES[part.category].colour}" '
        f'title="{NAMES[part.category]} {amount(part)}"></span>'
        for part in parts(time)
    )
    return f'<div class="bar">{spans}</div>'


def _key(colour: str) -> str:
    return f'<span class="key" style="background:{colour}"></span>'


def _text(text: str) -> str:
    return escape(clean(text, LONGEST_SENTENCE))


def _pool(pool: PoolReading, cost: float | None) -> Iterable[str]:
    yield (
        f"<h2>Pool {_text(pool.name)}</h2><p>{_text(pool.kind)}, "
        f"{number_of(len(pool.workers), 'worker')} over {seconds(pool.window_s)}: "
        f"{pool.time.total / 1e9:.1f} worker-seconds.</p>"
    )
    if pool.broken:
        yield f'<p class="headline">The pool is broken: {_text(pool.broken)}</p>'
    detail = detail_sentence(pool.detail, pool.counted_s, pool.thinned_s, pool.thinning_error, cost)
    if detail:
        yield f"<p>{_text(detail)}</p>"
    if pool.lifetimes is not None:
        yield f"<p>{_text(lifetimes_sentence(pool.lifetimes))}</p>"
    yield "<h3>Where the worker time went</h3>" + _bar(pool.time)
    yield _categories(pool)
    yield f'<p class="note">{CORE_TIME_NOTES[pool.core_time]}</p>'
    yield "<h3>Findings</h3>"
    if not pool.findings:
        yield "<p>None.</p>"
    for place, finding in enumerate(pool.findings):
        kind = ' class="headline"' if place == 0 else ""
        seen = f"<p>Evidence: {_text(finding.evidence)}</p>" if finding.evidence else ""
        yield f"<p{kind}>{_text(finding.sentence)}</p>{seen}<p>Try: {_text(finding.advice)}</p>"
    yield _tasks(pool)
    if grid_of(pool).tells:
        yield _matrix(pool)
    yield _workers(pool)
    if pool.lost_rows or pool.unrecorded_s > 0:
        yield (
            f"<p>{number_of(pool.lost_rows, 'row')} lost; these figures leave out "
            f"{seconds(pool.unrecorded_s)} of the window.</p>"
        )


def _bar(time: WorkerTime) -> str:
    total = max(1, time.total)
    spans = "".join(
        f'<span style="width:{getattr(time, category) / total:.4%};'
        f'background:{CATEGORY_STYLES[category].colour}" title="{CATEGORY_NAMES[category]} '
        f'{getattr(time, category) / 1e9:.2f} s"></span>'
        for category in CATEGORIES
    )
    return f'<div class="bar">{spans}</div>'


def _categories(pool: PoolReading) -> str:
    total = max(1, pool.time.total)
    rows = "".join(
        f"<tr><td>{_key(CATEGORY_STYLES[category].colour)}"
        f"{category_name(category, pool.core_time)}</td>"
        f"<td>{getattr(pool.time, category) / 1e9:.2f} s</td>"
        f"<td>{getattr(pool.time, category) / total:.1%}</td></tr>"
        for category in CATEGORIES
    )
    return f"<table>{rows}</table>"


def _tasks(pool: PoolReading) -> str:
    tasks, stolen = pool.tasks, pool.has_steals
    heads = ["kind", "finished", "failed", "median", "time"]
    heads += ["stolen"] if stolen else ["calls"]
    rows = "".join(
        f"<tr><td>{_text(kind.kind)}</td><td>{kind.finished}</td><td>{kind.failed}</td>"
        f"<td>{maybe(kind.median_s)}</td><td>{kind_time_words(kind, pool.core_time)}</td>"
        f"<td>{kind.stolen if stolen else kind.calls}</td></tr>"
        for kind in tasks.kinds
    )
    said = [*queue_lines(pool), *flow_lines(pool)]
    moved = f"{moved_words(tasks.moved)}, " if tasks.moved else ""
    return (
        f"<h3>Tasks</h3><p>{tasks.finished} finished{calls_words(tasks.finished, tasks.calls)}, "
        f"{failed_words(tasks)}, {moved}{tasks.cancelled} cancelled, "
        f"{tasks.lost} lost with their worker, {tasks.queued} queued and {tasks.running} running "
        f"at the end; median wait in the queue {maybe(tasks.median_queue_wait_s)}.</p>"
        f"<table><tr>{''.join(f'<th>{head}</th>' for head in heads)}</tr>{rows}</table>"
        + "".join(f"<p>{_text(line)}</p>" for line in said)
    )


def _matrix(pool: PoolReading) -> str:
    grid, steals = grid_of(pool, most=MOST_MATRIX_WORKERS), pool.steals
    heads = "".join(f"<th>{name_of(column)}</th>" for column in grid.columns)
    levels = steps(grid.values, grid.largest).tolist()
    rows = []
    for group, counts, row in zip(grid.rows, grid.counts.tolist(), levels, strict=True):
        cells = "".join(_cell(count, level) for count, level in zip(counts, row, strict=True))
        rows.append(f"<tr><th>{name_of(group)}</th>{cells}</tr>")
    said = "Tasks: one row a submitter (out: outside the pool), one column a worker that ran them."
    if pool.has_steals:
        said = f"{attempts_line(steals)}. One row a thief, one column a victim."
    if grid.is_grouped:
        said += f" Here {grid.title[-1]}."
    return (
        f"<h3>{grid.name}</h3><p>{said}</p>"
        f'<div class="scroll"><table class="matrix"><tr><th></th>{heads}</tr>'
        f"{''.join(rows)}</table></div>"
        + "".join(f"<p>{_text(line)}</p>" for line in stealing_lines(pool.stealing))
    )


def _cell(count: int, level: int) -> str:
    if level == BLANK:
        return "<td>·</td>"
    colour = CIVIDIS[level]
    return f'<td style="background:{colour};color:{text_on(colour)}">{count}</td>'


def _workers(pool: PoolReading) -> str:
    rows = "".join(
        f"<tr><td>{worker.index} {_text(worker.name)}</td><td>{_bar(worker.time)}</td>"
        f"<td>{worker.tasks_finished}</td><td>{_text(worker.state)}</td></tr>"
        for worker in pool.workers
    )
    return (
        "<h3>Workers</h3><table><tr><th>worker</th><th>time split</th><th>tasks</th>"
        f"<th>at the end</th></tr>{rows}</table>"
    )
