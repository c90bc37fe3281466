"""Captures of every version are still read: one of each is kept in `tests/captures`.

They are of the same small job, made up for this: a pool of three threads (150 tasks), two workers
that steal (200 tasks, two of which fail), and two threads around a queue (60 items).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from idlehands_monitor.ingest.capture import MINOR, VERSION, CaptureReader
from idlehands_monitor.session.opening import read_target

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
VERSIONS = sorted(CAPTURES.glob("version-*.idlehands"))


@pytest.mark.parametrize("path", VERSIONS, ids=lambda path: path.stem)
def test_a_capture_of_each_version_has_every_task_of_its_job(path):
    reading = read_target(str(path), 0.0, causes=False)
    assert (reading.source.warning, reading.source.skipped) == ("", ())
    assert [(pool.name, pool.kind, pool.tasks.finished) for pool in reading.pools] == [
        ("mill", "thread pool", 150),
        ("barn", "work-stealing", 200),
        ("job.py:51", "queue and threads", 60),
    ]
    assert [pool.tasks.failed for pool in reading.pools] == [0, 2, 0]
    assert reading.pools[1].steals.hits == ((0, 25), (25, 0))


def test_there_is_a_capture_of_the_present_version():
    version = CaptureReader(CAPTURES / f"version-{VERSION}.{MINOR}.idlehands").version
    assert version == (VERSION, MINOR)
    assert CaptureReader(CAPTURES / "version-1.idlehands").version == (1, 0)
