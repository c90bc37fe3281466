"""The types of arrays: one row an event, or one value a worker. Times are in nanoseconds."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]
Float = npt.NDArray[np.float64]
