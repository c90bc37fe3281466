"""How each kind's own time divides: from the measured states, and from samples of what was waited
for. Pure.

The kernel and the tasks tell how long a kind was on a core, in a run queue and off the core. What
it was off the core for is known from samples only: waits for the interpreter lock and for other
locks are the simulation's to make, everything else is the tasks' own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.vocabulary import WaitReason
from .recorded import KindShares

if TYPE_CHECKING:
    from ...model.arrays import Float
    from ...model.worker_time import InTask

LEAST_SAMPLES = 20
"""With fewer samples of blocked workers nothing is known of what they waited for; fewer of a kind
than this are helped out by those of all kinds. Common practice, no source."""
INTERPRETER, LOCK = (
    list(WaitReason).index(reason) for reason in (WaitReason.INTERPRETER_LOCK, WaitReason.LOCK)
)


def kind_shares(time: InTask, waited_ns: Float) -> tuple[KindShares, ...]:
    """Return the shares of each kind's own time, the last for unknown kinds.

    `waited_ns`: recorded waits in which a kind's tasks did nothing else, shape (kinds + 1,); they
    are part of the blocked time and not of own time.
    """
    on, blocked, queued = np.maximum(time.by_kind, 0).astype(np.float64)
    off = np.maximum(blocked - waited_ns, 0.0)
    interpreter, lock = _waited_for(time)
    own = np.maximum(on + off + queued, 1.0)
    whole = np.array([on.sum(), off.sum(), queued.sum()]) / max(1.0, own.sum())
    shares = []
    for kind in range(len(on)):
        parts = np.array([on[kind], off[kind], queued[kind]]) / own[kind]
        if own[kind] <= 1.0:  # a kind of which nothing was measured is taken to be as all are
            parts = whole if whole.sum() > 0 else np.array([1.0, 0.0, 0.0])
        core, rest, queue = parts.tolist()
        turn, held = rest * interpreter[kind], rest * lock[kind]
        shares.append(KindShares(core, rest - turn - held, queue + turn, held))
    return tuple(shares)


def _waited_for(time: InTask) -> tuple[Float, Float]:
    """Return the share of off-core time in which each kind waited for the interpreter lock, and
    for other locks."""
    samples = time.samples.astype(np.float64)
    if samples.sum() < LEAST_SAMPLES:
        nothing = np.zeros(time.by_kind.shape[1])
        return nothing, nothing
    all_kinds = samples.sum(axis=1) / samples.sum()
    counts = samples.sum(axis=0)
    # A kind's own samples, filled up to the least number with those of all kinds.
    missing = np.maximum(LEAST_SAMPLES - counts, 0.0)
    by_kind = (samples + all_kinds[:, None] * missing) / (counts + missing)
    width = time.by_kind.shape[1]
    filled = np.repeat(all_kinds[:, None], width, axis=1)
    few = min(width, samples.shape[1]) - 1
    filled[:, :few], filled[:, -1] = by_kind[:, :few], by_kind[:, -1]
    return filled[INTERPRETER], filled[LOCK]
