"""Longest paths in a graph whose nodes have recorded times: earliest times, rests, the path itself.

Pure. The recorded run was a schedule of the graph: no edge is longer than the time between its two
nodes. So the unused time of each edge, that time less its length, is never negative, and of all
paths between two nodes the longest is the one with the least unused time. This makes the longest
path a shortest one with lengths from 0 on (potentials: D. B. Johnson 1977, "Efficient algorithms
for shortest paths in sparse networks", J. ACM 24(1):1-13; E. W. Dijkstra 1959, Numer. Math.
1:269-271), however deep the graph is, and even where damaged rows make a circle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ...model.arrays import Float, Int64


class Edges(NamedTuple):
    """Edges between numbered nodes, each shape (edges,); lengths in ns, from 0 on."""

    tail: Int64
    head: Int64
    length_ns: Int64


def joined(*parts: Edges) -> Edges:
    """Return several groups of edges as one, in order."""
    return Edges(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def without_length(tail: Int64, head: Int64) -> Edges:
    """Return edges of length 0: their head comes after their tail."""
    return Edges(tail, head, np.zeros(len(tail), dtype=np.int64))


@dataclass(frozen=True, eq=False, slots=True)
class LongestPaths:
    """The longest paths through each node, all in ns.

    earliest_ns: from the start to each node, which no schedule reaches sooner. rest_ns: from each
    node to the end. span_ns: from start to end. path: the nodes of one path of that length.
    """

    earliest_ns: Int64
    rest_ns: Int64
    span_ns: int
    path: Int64


def longest_paths(at_ns: Int64, edges: Edges, starts: Int64, ends: Int64) -> LongestPaths:
    """Return the longest paths of a graph. at_ns: when each node was recorded, shape (nodes,).

    A path begins at one of `starts` and ends at one of `ends`; each node must lie on such a path.
    An edge whose head was recorded before its tail takes that time back from the path.
    """
    nodes = len(at_ns)
    first, last = nodes, nodes + 1
    at_ns = np.append(at_ns, [at_ns.min(), at_ns.max()])
    edges = joined(
        edges,
        without_length(np.full(len(starts), first), starts),
        without_length(ends, np.full(len(ends), last)),
    )
    unused = np.maximum(0, at_ns[edges.head] - at_ns[edges.tail] - edges.length_ns)
    forward, before = _least(edges.tail, edges.head, unused, first, nodes + 2)
    backward, _ = _least(edges.head, edges.tail, unused, last, nodes + 2)
    earliest = at_ns - at_ns[first] - forward
    rest = at_ns[last] - at_ns - backward
    return LongestPaths(
        earliest[:nodes], rest[:nodes], int(earliest[last]), _back(before, last)[1:]
    )


def _least(tail: Int64, head: Int64, unused: Int64, start: int, nodes: int) -> tuple[Int64, Int64]:
    """Return the least unused time from `start` to each node, and the node before it there."""
    from scipy.sparse import csr_matrix  # late: see `rank_test`
    from scipy.sparse.csgraph import dijkstra

    order = np.argsort(tail, kind="stable")
    # Made from sorted parts: two edges between the same nodes stay two, and 0 is a length.
    edges = np.append(0, np.cumsum(np.bincount(tail, minlength=nodes)))
    lengths: Float = unused[order].astype(np.float64)
    matrix = csr_matrix((lengths, head[order], edges), shape=(nodes, nodes))
    found, before = dijkstra(matrix, indices=start, return_predecessors=True)
    return np.where(np.isfinite(found), found, 0).astype(np.int64), before.astype(np.int64)


def _back(before: Int64, last: int) -> Int64:
    """Return the nodes of the path to `last`, without it, in order."""
    step, nodes = before.tolist(), []
    node = step[last]
    while node >= 0:
        nodes.append(node)
        node = step[node]
    return np.array(nodes[::-1], dtype=np.int64)
