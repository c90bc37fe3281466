"""Family trees are drawn by a pool of four threads; a tree's branches are tasks of the same pool.

The fault: a tree waits for its branches and keeps its thread meanwhile; three trees at a time
leave one thread for all branches. Mended: the branches are handed in first, then the trees.
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings

BRANCHES = 4
pool = ThreadPoolExecutor(max_workers=4)


def draw_branch(wait_s: float) -> int:
    time.sleep(wait_s)
    return compute(2000)


def draw_tree(waits: list[float]) -> int:
    branches = [pool.submit(draw_branch, wait_s) for wait_s in waits]
    return sum(branch.result() for branch in branches)


def join_branches(branches: list[Future[int]]) -> int:
    return sum(branch.result() for branch in branches)


def draw_all(trees: list[list[float]]) -> None:
    three_at_a_time = threading.Semaphore(3)
    drawn = []
    for waits in trees:
        three_at_a_time.acquire()
        tree = pool.submit(draw_tree, waits)
        tree.add_done_callback(lambda _: three_at_a_time.release())
        drawn.append(tree)
    for tree in drawn:
        tree.result()


def draw_all_without_waiting(trees: list[list[float]]) -> None:
    branches = [[pool.submit(draw_branch, wait_s) for wait_s in waits] for waits in trees]
    for tree in [pool.submit(join_branches, of_a_tree) for of_a_tree in branches]:
        tree.result()


def main() -> None:
    given = settings(trees=130, mean_ms=35.0, mended=False, seed=19)
    number = scaled(given.trees, given.scale)
    waits = lengths(number * BRANCHES, given.mean_ms / 1e3, given.seed)
    trees = [waits[tree * BRANCHES : (tree + 1) * BRANCHES] for tree in range(number)]
    with pool:
        began = time.monotonic()
        (draw_all_without_waiting if given.mended else draw_all)(trees)
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
