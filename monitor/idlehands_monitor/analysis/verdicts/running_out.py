"""When a backlog or growing memory begins to hurt: at the present growth, in words. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ...model.reading import PoolReading

PATIENCE_S = 60.0
"""A wait in the queue that nobody accepts for a task that comes at its own pace: chosen."""
FORESEEABLE_S = 86_400.0
"""What lies further ahead is not said: growth does not stay the same for so long. Chosen."""


def backlog_runs_out(pool: PoolReading, growth_per_s: float) -> str:
    """Return when a queue that grows by so many tasks a second uses up patience, and memory."""
    rate, queued = pool.tasks.per_s, pool.tasks.queued
    parts = []
    if rate > 0 and growth_per_s > 0:
        wait_s, hurts_s = queued / rate, (PATIENCE_S * rate - queued) / growth_per_s
        if hurts_s <= 0:
            parts.append(f"a task that comes now waits for about {_time(wait_s)}")
        elif hurts_s <= FORESEEABLE_S:
            parts.append(
                f"a task that comes now waits for about {_time(wait_s)}, in {_time(hurts_s)} one "
                f"will wait for {_time(PATIENCE_S)}"
            )
    parts.append(memory_runs_out(pool.memory_lasts_s))
    return "".join(f"; {part}" for part in parts if part)


def memory_runs_out(lasts_s: float | None) -> str:
    """Return when memory is used up; "" where that is not known, or too far ahead to say."""
    if lasts_s is None or lasts_s > FORESEEABLE_S:
        return ""
    return f"at this growth no memory is left in about {_time(lasts_s)}"


def _time(seconds: float) -> str:
    if seconds >= 5400:
        return f"{seconds / 3600:.2g} hours"
    if seconds >= 90:
        return f"{seconds / 60:.2g} minutes"
    return f"{seconds:.2g} s"
