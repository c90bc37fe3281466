"""What spinning before parking costs, compared with a clairvoyant worker that knows each wait.

Pure. A wait that ends while the worker spins costs its own length; a longer one costs the spin and
one park and wake. The clairvoyant worker parks at once or never, whichever is cheaper. A. R.
Karlin, K. Li, M. S. Manasse, S. Owicki (1991), "Empirical studies of competitive spinning for a
shared-memory multiprocessor", SOSP '91, 41–55; A. R. Karlin, M. S. Manasse, L. A. McGeoch, S.
Owicki (1994), "Competitive randomized algorithms for nonuniform problems", Algorithmica 11:542–571:
spinning for as long as a park and wake cost is never worse than twice the clairvoyant.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.parking import SpinReading

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64

SPINS = (0.0, 0.5, 1.0, 2.0)
"""The spins that are compared, in units of the cost of one park and wake."""


def spin_costs(waits: Float | Int64, spin: float, park: float) -> Float:
    """Return the cost of each wait, shape (n,), with a spin of `spin` first.

    `park`: the cost of one park and wake. All are in one unit of time.
    """
    return np.where(waits <= spin, waits, spin + park).astype(np.float64)


def clairvoyant_costs(waits: Float | Int64, park: float) -> Float:
    """Return the least that each wait can cost, shape (n,)."""
    return np.minimum(waits, park).astype(np.float64)


def spin_reading(waits: Float | Int64, spin: float, park: float) -> SpinReading:
    """Return the figures of spinning for `spin` first; all arguments in nanoseconds."""
    cost = float(spin_costs(waits, spin, park).sum())
    least = float(clairvoyant_costs(waits, park).sum())
    parked = int(np.count_nonzero(waits > spin))
    return SpinReading(
        spin_s=spin / 1e9,
        parks=parked,
        spun_s=(cost - parked * park) / 1e9,
        cost_s=cost / 1e9,
        saved_s=(int(np.count_nonzero(waits > 0)) * park - cost) / 1e9,
        ratio=cost / least if least else 1.0,
    )
