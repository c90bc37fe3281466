"""idlehands: the probe that a worker pool carries, so that a monitor can show why it idles.

Declare a pool, then report what each worker does::

    import idlehands

    probe = idlehands.declare_pool("tide-archive", workers=8)
    worker = probe.worker(0)
    worker.bind()                      # in the worker's own thread
    token = worker.spawned("divide")   # before the task is pushed; the task carries it
    worker.running(token)
    worker.finished()

Calls cost well under a microsecond, never block, and without an attached reader only write bounded
rings. `docs/hand-written-pools.md` walks through a whole pool.
"""

from ._pool import PoolProbe
from ._process import declare_pool
from ._recorder import WorkerProbe
from ._rings import Token
from ._settings import ProbeMisuse, configure
from ._tables import CANCELLED, FAILED, FINISHED, INBOX, OTHER_POOL, OWN_DEQUE
from .adapters import install

__version__ = "0.1.0"

__all__ = [
    "CANCELLED",
    "FAILED",
    "FINISHED",
    "INBOX",
    "OTHER_POOL",
    "OWN_DEQUE",
    "PoolProbe",
    "ProbeMisuse",
    "Token",
    "WorkerProbe",
    "__version__",
    "configure",
    "declare_pool",
    "install",
]
