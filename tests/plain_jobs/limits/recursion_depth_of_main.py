"""How deep the main thread can recurse."""

import sys


def depth():
    try:
        return 1 + depth()
    except RecursionError:
        return 0


sys.setrecursionlimit(300)
print(depth())
