"""The reading of a critical path: its stretches, kinds and their slack, what could run. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import kind_name
from ...model.graph import CriticalReading, KindSlackReading, SerialReading, StretchReading
from ..stats.order_statistics import distinct
from .critical import critical_path, slack_ns
from .unlimited import could_run, serial

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Float, Int64
    from .critical import Pieces
    from .graph import GraphArrays

MOST_STRETCHES = 1000
"""So many stretches of a path are in a reading: the longest."""
SLICES = 32
"""Into so many slices a span is cut: a line of a narrow screen has room for them."""


def critical_reading(pool: PoolLedger, graph: GraphArrays) -> CriticalReading | None:
    """Return the critical path of a graph; None where its span is 0."""
    span_ns = graph.paths.span_ns
    if span_ns <= 0:
        return None
    path = critical_path(graph.strands, graph.paths)
    began = graph.paths.earliest_ns[graph.strands.strands.tail]
    running = could_run(began, graph.strands.strands.length_ns, span_ns, SLICES)
    return CriticalReading(
        tasks=len(distinct(path.tasks)),
        stretches=len(path.tasks),
        path=_stretches(pool, graph, path),
        kinds=_kinds(pool, graph, path),
        could_run=tuple(running.tolist()),
        serial=_serial(pool, graph, path),
    )


def _stretches(pool: PoolLedger, graph: GraphArrays, path: Pieces) -> tuple[StretchReading, ...]:
    longest = np.sort(np.argsort(-path.length_ns, kind="stable")[:MOST_STRETCHES])
    task = path.tasks[longest]
    columns = (graph.numbers[task], graph.kinds[task], *(part[longest] for part in path[1:]))
    return tuple(
        StretchReading(number, kind_name(pool, kind), began_ns / 1e9, length_ns / 1e9)
        for number, kind, began_ns, length_ns in zip(*(c.tolist() for c in columns), strict=True)
    )


def _kinds(pool: PoolLedger, graph: GraphArrays, path: Pieces) -> tuple[KindSlackReading, ...]:
    kinds = distinct(graph.kinds)
    place = np.searchsorted(kinds, graph.kinds)
    count = np.bincount(place)
    work = _sums(place[graph.strands.owner], graph.strands.strands.length_ns, len(kinds))
    on_path = _sums(place[path.tasks], path.length_ns, len(kinds))
    slack = slack_ns(graph.strands, graph.paths)
    slack = slack[np.lexsort((slack, place))]
    first = np.cumsum(count) - count
    median = (slack[first + (count - 1) // 2] + slack[first + count // 2]) / 2
    found = [
        KindSlackReading(
            kind=kind_name(pool, int(kind)),
            tasks=int(count[i]),
            work_s=float(work[i]) / 1e9,
            path_s=float(on_path[i]) / 1e9,
            path_share=float(on_path[i]) / graph.paths.span_ns,
            least_slack_s=float(slack[first[i]]) / 1e9,
            median_slack_s=float(median[i]) / 1e9,
        )
        for i, kind in enumerate(kinds)
    ]
    return tuple(sorted(found, key=lambda one: (-one.path_s, -one.work_s)))


def _sums(place: Int64, values: Int64, length: int) -> Float:
    return np.asarray(np.bincount(place, weights=values, minlength=length), dtype=np.float64)


def _serial(pool: PoolLedger, graph: GraphArrays, path: Pieces) -> SerialReading | None:
    strands = graph.strands.strands
    found = serial(graph.paths.earliest_ns[strands.tail], strands.length_ns)
    if found is None:
        return None
    # At every moment a strand of the path runs; where one runs alone, it is that one.
    ended = path.began_ns + path.length_ns
    inside = np.minimum(ended, found.ended_ns) - np.maximum(path.began_ns, found.began_ns)
    kinds = distinct(graph.kinds)
    place = np.searchsorted(kinds, graph.kinds[path.tasks])
    most = int(np.argmax(_sums(place, np.maximum(0, inside), len(kinds))))
    return SerialReading(
        total_s=found.total_ns / 1e9,
        share=found.total_ns / graph.paths.span_ns,
        longest_s=(found.ended_ns - found.began_ns) / 1e9,
        longest_began_s=found.began_ns / 1e9,
        kind=kind_name(pool, int(kinds[most])),
    )
