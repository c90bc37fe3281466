"""A quarry cuts slabs with an executor that is asked for twice."""

from ending import kind, tell
from loky import get_reusable_executor


def cut(slab):
    return slab * 3


if __name__ == "__main__":
    first = list(get_reusable_executor(max_workers=2).map(cut, range(30)))
    second = list(get_reusable_executor(max_workers=2).map(cut, range(20)))
    tell(cut=kind(len(first) + len(second)))
