"""How numbers and foreign text are written, once for every view.

Text from the watched process (thread names, kinds of task, paths) is hostile: it may hold
control characters or escape sequences. `clean` takes them out of one line and bounds it; `safe`
stands at every exit, to a terminal or a file, for all that is written there.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..model.reading import Reading
    from ..model.tasks import KindReading, TaskReading
    from ..model.workers import DeadWorkerReading, LifetimesReading

CATEGORY_NAMES = {
    "working": "working",
    "blocked": "blocked",
    "run_queue_wait": "run-queue wait",
    "dispatch": "dispatch",
    "searching": "searching",
    "waking": "waking",
    "starved": "starved",
    "no_work": "no work",
}

HIDDEN_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
INSTEAD = "\N{REPLACEMENT CHARACTER}"


def clean(text: str, longest: int = 200) -> str:
    """Return foreign text fit for a terminal: one line, nothing that a terminal obeys."""
    cleaned = safe_line(text[: longest + 1])
    return cleaned if len(cleaned) <= longest else cleaned[: longest - 1] + "…"


def safe(text: str) -> str:
    """Return text of the same length in which nothing but the ends of lines is obeyed or hidden."""
    if text.isprintable():  # of one line, and by far the most are
        return text
    return "\n".join(
        line if line.isprintable() else "".join(map(_shown, line)) for line in text.split("\n")
    )


def safe_line(text: str) -> str:
    """Return text of the same length in which nothing at all is obeyed or hidden."""
    return text if text.isprintable() else safe(text).replace("\n", INSTEAD)


def _shown(letter: str) -> str:
    return INSTEAD if unicodedata.category(letter) in HIDDEN_CATEGORIES else letter


def seconds(value: float) -> str:
    """Write a duration in the unit that reads best: 0.4 µs, 12 ms, 3.1 s, 4 min 5 s, 2 h 3 min."""
    if 0 < value < 0.05e-6:
        return "<0.1 µs"
    if value < 1e-3:
        return f"{value * 1e6:.0f} µs" if value >= 1e-6 or not value else f"{value * 1e6:.1f} µs"
    if value < 1:
        return f"{value * 1e3:.0f} ms" if value >= 0.01 else f"{value * 1e3:.1f} ms"
    if value < 60:
        return f"{value:.1f} s"
    if value < 3600:
        return f"{int(value // 60)} min {int(value % 60)} s"
    return f"{int(value // 3600)} h {int(value % 3600 // 60)} min"


def maybe(value: float | None) -> str:
    """Write a duration, a dash where there is none."""
    return "–" if value is None else seconds(value)


def category_name(category: str, core_time: str) -> str:
    """Write an entry's name: working, where nothing tells it from blocked, is time in tasks."""
    return (
        "in tasks" if category == "working" and core_time == "assumed" else CATEGORY_NAMES[category]
    )


def kind_time_words(kind: KindReading, core_time: str) -> str:
    """Write where the time of a kind's tasks went, as far apart as `core_time` tells it."""
    working, blocked, waiting = kind.working_s, kind.blocked_s, kind.run_queue_wait_s
    if core_time == "assumed":
        known = f", {seconds(blocked)} of it in recorded waits" if blocked else ""
        return f"in tasks {seconds(working + blocked + waiting)}{known}"
    if core_time == "kernel":
        return (
            f"working {seconds(working)}, blocked {seconds(blocked)}, "
            f"waiting for a core {seconds(waiting)}"
        )
    return f"working {seconds(working)}, blocked or waiting for a core {seconds(blocked + waiting)}"


def calls_words(tasks: int, calls: int) -> str:
    """Write how many calls some tasks held, empty where each was one."""
    return f" ({count(calls)} calls)" if calls > tasks else ""


def count(value: float) -> str:
    """Write a count shortly: 950, 12.3k, 4.1M."""
    if value < 10_000:
        return f"{value:.0f}"
    for divisor, unit in ((1e3, "k"), (1e6, "M"), (1e9, "G")):
        scaled = value / divisor
        if scaled < 999.5 or unit == "G":
            break
    return f"{scaled:.1f}{unit}" if scaled < 99.95 else f"{scaled:.0f}{unit}"


def share(value: float) -> str:
    """Write a share as a percentage; what is there but under half a per cent as <1 %."""
    if 0 < value < 0.005:
        return "<1 %"
    return f"{value * 100:.0f} %"


def number_of(value: int, noun: str) -> str:
    """Write a number with its noun, which gets an s or es for any number but one: 3 workers."""
    return f"{value} {noun}" if value == 1 else f"{value} {noun}{'es' if noun[-1] == 's' else 's'}"


def shortened(name: str, cells: int, among: Iterable[str] = ()) -> str:
    """Return a name in at most `cells` cells of a terminal, its middle left out where it is longer.

    `among`: other names shown beside it. Where one of them would read the same, what is kept of
    this name is the part in which it differs from the one most like it.
    """
    if cell_len(name) <= cells or cells < 1:
        return name if cells > 0 else ""
    cut = _without_middle(name, cells)
    alike = [
        _same_letters(name, other)
        for other in among
        if other != name and cell_len(other) > cells and _without_middle(other, cells) == cut
    ]
    if not alike or cells < 4:
        return cut
    start = max(0, min(max(alike) - 1, len(name) - (cells - 1)))
    rest = name[start:]
    return f"…{rest}" if cell_len(rest) < cells else f"…{set_cell_size(rest, cells - 2)}…"


def _without_middle(name: str, cells: int) -> str:
    """Return the beginning and, twice as long, the end: names differ most at their end."""
    begin = (cells - 1) // 3
    end = set_cell_size(name[::-1], cells - 1 - begin)[::-1]
    return f"{set_cell_size(name, begin)}…{end}"


def _same_letters(one: str, other: str) -> int:
    """Return how many letters two names have in common at their beginning."""
    pairs = zip(one, other, strict=False)
    return next((place for place, (a, b) in enumerate(pairs) if a != b), min(len(one), len(other)))


def failed_words(tasks: TaskReading) -> str:
    """Write how many of the finished tasks failed, and which share of them: 752 failed (100 %)."""
    part = f" ({share(tasks.failed_share)})" if tasks.failed else ""
    return f"{count(tasks.failed)} failed{part}"


def moved_words(moved: int) -> str:
    """Write how many tasks workers of other pools took."""
    return f"{count(moved)} taken by another pool"


def detail_sentence(
    detail: str, counted_s: float, thinned_s: float, error: float, cost: float | None
) -> str:
    """Write what the probe gave up to cost less, and what it costs as it is; empty where nothing.

    cost: the share of the worker time that it takes, None where that is not known.
    """
    if not detail and not counted_s and not thinned_s:
        return ""
    text = f"To cost less the probe records: {detail or 'all'}."
    if cost is not None:
        text += f" As it is it costs {cost:.1%} of the worker time."
    if thinned_s:
        plus_minus = f", ± {error:.1%} of the time in tasks" if error == error else ""
        text += f" For {seconds(thinned_s)} of the window times are estimated from a sample of the"
        text += f" tasks{plus_minus}."
    if counted_s:
        text += f" For {seconds(counted_s)} of the window only the number of tasks is known."
    return text


def _of(dead: DeadWorkerReading) -> str:
    return f"a thread of process {dead.pid}" if dead.is_thread else f"process {dead.pid}"


def lifetimes_sentence(lifetimes: LifetimesReading) -> str:
    """Write how a pool's workers came and went; foreign text in it is not yet clean."""
    there = number_of(lifetimes.present, "worker")
    text = f"{there} at the end; {lifetimes.joined} joined, {lifetimes.left} left"
    if not lifetimes.died:
        return text + "."
    text += f", {lifetimes.died} died"
    for dead in lifetimes.dead:
        task = f" in {dead.kind}, {seconds(dead.run_s)} after it began" if dead.kind else ""
        who = f"worker {dead.worker} ({_of(dead)})" if dead.worker >= 0 else _of(dead)
        text += f"; {who} died{task}"
    return text + "."


def skipped_lines(reading: Reading) -> list[str]:
    """Write what was left out of the stream, a line for each reason."""
    return [f"left out, {one.what}: {one.count:,} ({one.why})" for one in reading.source.skipped]


def nothing(reading: Reading) -> str:
    """Write why a reading shows no pool."""
    if reading.source.sampled:
        return "no worker thread was seen, only main threads and the helpers of pools"
    return "no pool with recorded time"
