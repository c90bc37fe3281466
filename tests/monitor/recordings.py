"""Recordings for the tests of exports and of scrubbing: made-up ones, and all frames of a file."""

from __future__ import annotations

import random
from dataclasses import fields, is_dataclass, replace
from math import isnan
from pathlib import Path

import numpy as np

from histories import History, Task, frames, random_history
from idlehands.wire import encode
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.ingest.sources.replay import ReplaySource, checked_blocks, open_recording
from idlehands_monitor.model.export_form import ExportForm
from idlehands_monitor.session.exporting import export
from idlehands_monitor.session.feed import Feed

CORPUS = Path(__file__).resolve().parent.parent / "fuzz" / "corpus"
REAL = sorted(CORPUS.glob("*.idlehands"))


def write_capture(path, blocks):
    """Write a capture whose blocks are lists of frames, a second apart."""
    writer = CaptureWriter(path)
    for second, some in enumerate(blocks, 1):
        writer.add(second * 1_000_000_000, b"".join(encode(frame) for frame in some))
        writer.flush()
    writer.close()
    return str(path)


def without_change(text):
    """Stand for the function that makes text safe."""
    return text


def exported(path, form, target, *, replace=False):
    """Export a recording; nothing must be wrong with it."""
    warning = export(
        str(path), ExportForm(form), str(target), replace=replace, clean=without_change
    )
    assert warning == ""
    return str(target)


def portions(path):
    """Return the blocks' times and all frames of a recording, and the warning at its end."""
    reader = open_recording(str(path))
    found, times, last = [], [], None
    for block, some in checked_blocks(reader, reader.path):
        if block is not last:
            times.append(block.at_ns)
            last = block
        found += some
    return times, found, reader.warning


def plain(value):
    """Return a frame, or a reading, in a form that can be compared to the last integer."""
    if is_dataclass(value):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, float) and isnan(value):
        return "not a number"
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    return value


def reading_of(path):
    """Return the reading of a whole recording, without the name of its file."""
    source = ReplaySource(str(path))
    feed = Feed(source, None, keep=True)
    source.play_all()
    feed.update()
    return feed.reading()


def anonymous(reading):
    """Return a reading in a form that can be compared, without what says of which file or stream
    it is."""
    source = replace(reading.source, target="", state="", note="", warning="")
    return plain(replace(reading, source=source))


def thin_pool(seed):
    """Return the frames of a made-up pool, all kinds of frame among them, in a few blocks."""
    draw = random.Random(seed)
    history = random_history(seed)
    end, workers = history.end, history.workers
    names, *rows, levels = frames(history, batch=draw.randint(1, 20), seed=seed)
    names["task_kinds"] = [f"kind-of-{seed}-{number}" for number in range(3)]
    levels["workers"] = [
        [[3, 0], [0, 9_000 + worker, -1, 1, 5, -1, -1, end, -2], [1, end, -1]]
        for worker in range(workers)
    ]
    levels["ran"] = [draw.randint(0, 50) for _ in range(workers)]
    levels["raised"] = [[0, "SaltError", draw.randint(1, 9)]]
    hello = {
        "frame": "hello",
        "version": 3,
        "pid": 70,
        "argv0": f"/srv/berth/{seed}.py",
        "python": "3.12.1",
        "now_ns": 5,
        "wall_ns": 1_700_000_000_000_000_000 + draw.randint(0, 10**9),
    }
    half = len(rows) // 2
    return [
        [hello, names, *rows[:half], counters(draw, workers), levels_at(levels, end // 2)],
        [host(draw, workers, end), process(draw, end), *([lost(draw)] if seed % 3 == 0 else [])],
        [],
        [*rows[half:], counters(draw, workers), {**names, "closed_ns": end}, levels],
        [{"frame": "cost", "at_ns": end, "recording_ns": 5, "sending_ns": draw.randint(0, 9)}],
        [{"frame": "mark", "at_ns": end, "note": f"note {seed}"}],
        [{"frame": "bye", "reason": "the process ends"}],
    ]


def levels_at(levels, at_ns):
    return {**levels, "at_ns": at_ns, "workers": []}


def counters(draw, workers):
    count = draw.randint(0, 5)
    columns = {
        name: np.array(
            [draw.randrange(workers if name in ("thief", "victim") else 9) for _ in range(count)],
            dtype="<i8",
        ).tobytes()
        for name in ("thief", "victim", "hits", "empties", "lost_races")
    }
    return {"frame": "counters", "pool": 0, "columns": columns}


def host(draw, workers, end):
    threads = range(100, 100 + workers)
    return {
        "frame": "host",
        "at_ns": end,
        "threads": {thread: [draw.randint(0, end), draw.randint(-1, end)] for thread in threads},
        "moments": dict.fromkeys(threads, end - 1),
        "waits": {thread: draw.choice(["lock", "sleep", "running"]) for thread in threads},
        "switches": {thread: [1, draw.randint(0, 9), -1] for thread in threads},
        "gone": [999],
    }


def process(draw, end):
    return {
        "frame": "process",
        "at_ns": end,
        "pid": 70,
        "resident_bytes": draw.randint(1, 10**9),
        "started_ns": -5,
        "affinity": 2,
        "usable_cores": draw.choice([1.5, 0.1, 2]),
    }


def lost(draw):
    return {"frame": "lost", "pool": 0, "table": "waits", "worker": 0, "rows": draw.randint(1, 9)}


def small_history():
    """Return a pool of two workers with three tasks, one of which spawned another."""
    history = History(2, 10_000)
    history.tasks = [
        Task(0, 100, 0, 1_000, 5_000, cpu=3_000),
        Task(1, 1_500, 1, 2_000, 4_000, parent=0, spawned_by=0, taken_from=0),
        Task(2, 200, 1, 6_000, 9_000, outcome=1),
    ]
    history.waits = [(0, 0, 2_500, 4_200, 1)]
    history.idle_intervals = [(1, 4_000, 6_000, True, 5_900)]
    return history
