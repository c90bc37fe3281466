"""Stand-ins for private names, and the key that leads back from them. No I/O.

A stand-in is a sort and a running number, in the order in which names come: it says nothing of the
name. The same name of a sort has the same stand-in in every file that is scrubbed with the same
key.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

SCHEMA = 1
MOST_KEY_BYTES = 64 << 20


class NotAKey(ValueError):
    """A file is no key; the message is one line for a person."""


class StandIns:
    """The stand-ins given so far.

    names: by sort of name, each name with its stand-in.
    """

    def __init__(self, names: Mapping[str, Mapping[str, str]] | None = None) -> None:
        self.names = {sort: dict(known) for sort, known in (names or {}).items()}

    def of(self, sort: str, name: str) -> str:
        """Return the stand-in for a name of a sort; nothing stands for itself."""
        if not name:
            return ""
        known = self.names.setdefault(sort, {})
        if name not in known:
            known[name] = f"{sort}-{len(known) + 1}"
        return known[name]

    @property
    def key(self) -> bytes:
        """The key: JSON, UTF-8."""
        found = {"schema": SCHEMA, "stand_ins": self.names}
        return (json.dumps(found, indent=1) + "\n").encode()


def stand_ins_of(key: bytes) -> StandIns:
    """Return the stand-ins of a key. Raises NotAKey."""
    try:
        found = json.loads(key)
    except (ValueError, RecursionError):
        raise NotAKey("not a key of idlehands scrub") from None
    names = found.get("stand_ins") if isinstance(found, dict) else None
    if not isinstance(names, dict) or found.get("schema") != SCHEMA:
        raise NotAKey("not a key of idlehands scrub, or of a later version")
    for known in names.values():
        if not isinstance(known, dict) or not all(isinstance(one, str) for one in known.values()):
            raise NotAKey("a damaged key of idlehands scrub")
    return StandIns(names)
