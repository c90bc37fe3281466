"""A ledger as bytes, with the rows since a time only: for a checkpoint, or for another process.

The bytes are read by this program alone, and never come from a file.
"""

from __future__ import annotations

import io
import pickle
from typing import Any

from ..ledger import TableStore
from ..ledger.attempts import AttemptCounts


class _Pickler(pickle.Pickler):
    def __init__(self, file: io.BytesIO, since_ns: int, *, attempts: bool) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._since_ns = since_ns
        self._attempts = attempts

    def reducer_override(self, held: Any) -> Any:
        if isinstance(held, TableStore):
            return held.recent(self._since_ns).__reduce_ex__(pickle.HIGHEST_PROTOCOL)
        if isinstance(held, AttemptCounts) and not self._attempts:
            return AttemptCounts, (held.side,)
        return NotImplemented


def pickled(held: object, since_ns: int, *, attempts: bool = True) -> bytes:
    """Return objects as bytes for `pickle.loads`, their tables with the rows since a time.

    attempts: whether with the counts of steal attempts, which are most of the bytes.
    """
    file = io.BytesIO()
    _Pickler(file, since_ns, attempts=attempts).dump(held)
    return file.getvalue()
