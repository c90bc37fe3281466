"""The critical path of a graph piece by piece, and how much later each task could have been.

Pure. The slack of a strand is the span less the longest path through it: by so much it could be
longer, or later, without a longer span (total float; J. E. Kelley, M. R. Walker 1959,
"Critical-path planning and scheduling", Eastern Joint Computer Conference, 160-173). The slack of a
task is the least of its strands'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Int64
    from .paths import LongestPaths
    from .strands import Strands


class Pieces(NamedTuple):
    """A path as stretches of one task each, in order; they add up to the span.

    tasks: the place of each one's task. began_ns: counted from the start. length_ns.
    """

    tasks: Int64
    began_ns: Int64
    length_ns: Int64


def critical_path(graph: Strands, paths: LongestPaths) -> Pieces:
    """Return the critical path; stretches of a task that follow each other are one."""
    before, node = paths.path[:-1], paths.path[1:]
    length = paths.earliest_ns[node] - paths.earliest_ns[before]
    into = np.full(len(paths.earliest_ns), -1, dtype=np.int64)  # the strand that leads to a node
    into[graph.strands.head] = np.arange(len(graph.owner))
    strand = into[node]
    along = (strand >= 0) & (graph.strands.tail[strand] == before)
    # A join that was over before its task's end was stamped takes from that task.
    task = np.where(along, graph.owner[strand], before - graph.tasks)
    some = length != 0
    task, length = task[some], length[some]
    first = np.flatnonzero(np.diff(task, prepend=-1))
    lengths = np.add.reduceat(length, first) if len(first) else length
    return Pieces(task[first], np.cumsum(lengths) - lengths, lengths)


def slack_ns(graph: Strands, paths: LongestPaths) -> Int64:
    """Return the slack of each task in ns, shape (tasks,)."""
    tail, head, length = graph.strands
    slack = paths.span_ns - paths.earliest_ns[tail] - length - paths.rest_ns[head]
    first = np.searchsorted(graph.owner, np.arange(graph.tasks))
    return np.minimum.reduceat(slack, first)
