"""Which pool before is which pool after.

Pure. A pool without a name of its own is called by the program's line that makes it, and lines move
when a program is changed. So after equal names come names that are equal but for the line, in the
order of the lines; and where then one pool is left on each side, these two are partners.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable

LINE = re.compile(r"^(.+):(\d+)$")


class Partners(NamedTuple):
    """Pairs of names (before, after), and the names without a partner on each side."""

    pairs: tuple[tuple[str, str], ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]


def partners(before: Iterable[str], after: Iterable[str]) -> Partners:
    """Return which names belong together; the order is that of `before`."""
    first, second = list(dict.fromkeys(before)), list(dict.fromkeys(after))
    found = {name: name for name in first if name in second}
    for path in dict.fromkeys(_path(name) for name in first):
        ours, theirs = (
            sorted((one for one in rest if path and _path(one) == path), key=_line)
            for rest in (_left(first, found), _left(second, found.values()))
        )
        if len(ours) == len(theirs):
            found.update(zip(ours, theirs, strict=True))
    ours, theirs = _left(first, found), _left(second, found.values())
    if len(ours) == len(theirs) == 1:
        found[ours[0]] = theirs[0]
    return Partners(
        tuple((name, found[name]) for name in first if name in found),
        tuple(_left(first, found)),
        tuple(_left(second, found.values())),
    )


def _left(names: list[str], taken: Iterable[str]) -> list[str]:
    held = set(taken)
    return [name for name in names if name not in held]


def _path(name: str) -> str:
    match = LINE.match(name)
    return match[1] if match else ""


def _line(name: str) -> int:
    match = LINE.match(name)
    return int(match[2]) if match else 0
