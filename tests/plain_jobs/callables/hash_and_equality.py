"""Tasks without a hash, with a hash that raises or counts, and an equality that raises or
counts.
"""

from concurrent.futures import ThreadPoolExecutor

asked = []


class NoHash:
    __hash__ = None

    def __call__(self):
        return "no hash"


class RaisingHash:
    def __hash__(self):
        raise RuntimeError("hash")

    def __call__(self):
        return "raising hash"


class Counting:
    def __hash__(self):
        asked.append("hash")
        return 1

    def __eq__(self, other):
        asked.append("equal")
        return False

    def __call__(self):
        return "counting"


class RaisingEquality(Counting):
    __hash__ = Counting.__hash__

    def __eq__(self, other):
        raise RuntimeError("equal")


with ThreadPoolExecutor(2) as pool:
    for kind in (NoHash, RaisingHash, Counting, RaisingEquality):
        print([pool.submit(kind()).result(5) for _ in range(3)])
print(asked)
