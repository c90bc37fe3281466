"""How numbers and foreign text are written, once for every view.

Text from the watched process (thread names, kinds of task, paths) is hostile: it may hold
control characters or escape sequences, and `clean` takes them out.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..analysis.readings import DeadWorkerReading, Reading, StayReading

ENTRY_NAMES = {
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


def clean(text: str, longest: int = 200) -> str:
    """Return foreign text fit for a terminal: one line, nothing that a terminal obeys."""
    safe = "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(letter) in HIDDEN_CATEGORIES else letter
        for letter in text[: longest + 1]
    )
    return safe if len(safe) <= longest else safe[: longest - 1] + "…"


def seconds(value: float) -> str:
    """Write a duration in the unit that reads best: 0.4 µs, 12 ms, 3.1 s, 4 min 5 s, 2 h 3 min."""
    if value < 1e-3:
        return f"{value * 1e6:.0f} µs"
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


def detail_sentence(
    detail: str, counted_s: float, sampled_s: float, error: float, cost: float | None
) -> str:
    """Write what the probe gave up to cost less, and what it costs as it is; empty where nothing.

    cost: the share of the worker time that it takes, None where that is not known.
    """
    if not detail and not counted_s and not sampled_s:
        return ""
    text = f"To cost less the probe records: {detail or 'all'}."
    if cost is not None:
        text += f" As it is it costs {cost:.1%} of the worker time."
    if sampled_s:
        plus_minus = f", give or take {error:.1%} of the time in tasks" if error == error else ""
        text += f" {seconds(sampled_s)} of these figures are estimated from a sample{plus_minus}."
    if counted_s:
        text += f" Of {seconds(counted_s)} only the number of tasks is known."
    return text


def _of(dead: DeadWorkerReading) -> str:
    return f"a thread of process {dead.pid}" if dead.is_thread else f"process {dead.pid}"


def stays_sentence(stays: StayReading) -> str:
    """Write how a pool's workers came and went; foreign text in it is not yet clean."""
    text = f"{stays.present} workers at the end; {stays.joined} joined, {stays.left} left"
    if not stays.died:
        return text + "."
    text += f", {stays.died} died"
    for dead in stays.dead:
        task = f" in {dead.kind} after {seconds(dead.run_s)}" if dead.kind else ""
        text += f"; worker {dead.worker} ({_of(dead)}) died{task}"
    return text + "."


def nothing(reading: Reading) -> str:
    """Write why a reading shows no pool."""
    if reading.source.sampled:
        return "no worker thread was seen, only main threads and the helpers of pools"
    return "no pool with recorded time"
