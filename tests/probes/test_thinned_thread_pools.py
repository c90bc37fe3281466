"""A thread pool whose tasks were only counted for a while runs tasks as quickly as before."""

from __future__ import annotations

import json

SET_UP = """
    from concurrent.futures import ThreadPoolExecutor
    from concurrent.futures.thread import _WorkItem
    idlehands.install()
    from idlehands.adapters._thread_queues import Hooked

    def runs():
        return "quick" if vars(_WorkItem)["run"] is Hooked.runs.quick else "careful"

    executor = ThreadPoolExecutor(1)
    executor.submit(abs, 1).result()
    pool = executor._work_queue.reporter.pool
"""


def test_items_run_quickly_again_once_the_last_one_that_is_only_counted_is_taken(start):
    target = start(
        SET_UP
        + """
    gate = threading.Event()
    states = [runs()]
    pool.turn_to(3)
    states.append(runs())
    blocked = executor.submit(gate.wait)
    counted = [executor.submit(abs, number) for number in range(20)]
    pool.turn_to(0)
    pool.refresh()
    states.append(runs())
    gate.set()
    for future in [blocked, *counted]:
        future.result()
    pool.refresh()
    states.append(runs())
    recorded = [executor.submit(abs, number) for number in range(10)]
    for future in recorded:
        future.result()
    executor.shutdown()
    rows = [row for probe in pool.probes for row in probe.read(0, 1 << 10)[1]]
    import json
    say(json.dumps([states, [row[0][0] for row in rows], pool.probes[0].skipped]))
    """
    )
    states, tasks, skipped = json.loads(target.says())
    assert states == ["quick", "careful", "careful", "quick"]
    assert (tasks, skipped) == ([0, *range(22, 32)], 21)
    target.ends()


def test_items_are_run_carefully_as_long_as_another_pool_is_thinned(start):
    target = start(
        SET_UP
        + """
    other = ThreadPoolExecutor(1)
    other.submit(abs, 1).result()
    thinned = other._work_queue.reporter.pool
    pool.turn_to(2)
    thinned.turn_to(2)
    pool.turn_to(0)
    pool.refresh()
    say(runs())
    thinned.turn_to(1)
    thinned.refresh()
    say(runs())
    """
    )
    assert [target.says(), target.says()] == ["careful", "quick"]
    target.ends()


def test_items_are_run_carefully_as_long_as_a_class_derives_from_theirs(start):
    target = start(
        SET_UP
        + """
    class Derived(_WorkItem):
        pass
    pool.turn_to(2)
    pool.turn_to(0)
    pool.refresh()
    say(runs())
    del Derived
    import gc
    gc.collect()
    pool.refresh()
    say(runs())
    """
    )
    assert [target.says(), target.says()] == ["careful", "quick"]
    target.ends()


def test_the_end_of_a_thinned_pool_lets_items_run_quickly(start):
    target = start(
        SET_UP
        + """
    pool.turn_to(2)
    executor.shutdown()
    until(lambda: (pool.refresh(), pool.closed_ns >= 0)[1])
    pool.refresh()
    say(runs())
    """
    )
    assert target.says() == "quick"
    target.ends()
