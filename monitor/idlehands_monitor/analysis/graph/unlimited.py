"""A graph on unlimited workers, each strand as early as can be: how many tasks run over time.

Pure. Then the run takes T∞, and at every moment a strand of the critical path runs. Where nothing
else does, the stretch is serial: no number of workers makes it shorter (the serial part of
G. M. Amdahl 1967, "Validity of the single processor approach to achieving large scale computing
capabilities", AFIPS '67:483-485).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ...model.arrays import Float, Int64


class Serial(NamedTuple):
    """Stretches in which one strand runs alone: in all, and where the longest begins and ends.

    All in ns from the start.
    """

    total_ns: int
    began_ns: int
    ended_ns: int


def could_run(began_ns: Int64, length_ns: Int64, span_ns: int, slices: int) -> Float:
    """Return how many of the strands run in each equal slice of the span, on average."""
    edges = np.linspace(0.0, span_ns, slices + 1)
    area = _since(began_ns, edges) - _since(began_ns + length_ns, edges)
    return np.asarray(np.diff(area) / (span_ns / slices))


def _since(timestamps: Int64, edges: Float) -> Float:
    """Return for each edge the summed time since each timestamp before it."""
    ordered = np.sort(timestamps, kind="stable")
    before = np.searchsorted(ordered, edges)
    sums = np.concatenate([[0.0], np.cumsum(ordered, dtype=np.float64)])
    return np.asarray(before * edges - sums[before])


def serial(began_ns: Int64, length_ns: Int64) -> Serial | None:
    """Return the stretches in which exactly one strand runs, None without any."""
    real = length_ns > 0
    at_ns = np.concatenate([began_ns[real], (began_ns + length_ns)[real]])
    change = np.repeat([1, -1], int(real.sum()))
    order = np.argsort(at_ns, kind="stable")
    at_ns, running = at_ns[order], np.cumsum(change[order])
    lasts = at_ns[1:] > at_ns[:-1]
    low, high, alone = at_ns[:-1][lasts], at_ns[1:][lasts], running[:-1][lasts] == 1
    if not alone.any():
        return None
    edge = np.diff(np.concatenate([[False], alone, [False]]).astype(np.int8))
    began, ended = low[edge[:-1] == 1], high[edge[1:] == -1]
    longest = int(np.argmax(ended - began))
    return Serial(int((ended - began).sum()), int(began[longest]), int(ended[longest]))
