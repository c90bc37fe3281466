"""Partials of partials, with odd attributes, of methods, classes and builtins."""

from concurrent.futures import ThreadPoolExecutor
from functools import partial, partialmethod, singledispatch, wraps


class Reckoner:
    def __init__(self, base):
        self.base = base

    def add(self, number):
        return self.base + number

    add_two = partialmethod(add, 2)

    @classmethod
    def make(cls, number):
        return cls(number).base

    @staticmethod
    def twice(number):
        return 2 * number


@singledispatch
def dispatched(number):
    return f"any {number}"


@wraps(dispatched)
def wrapped(number):
    return dispatched(number)


odd = partial(partial(pow, 2), 3)
odd.__qualname__ = 7
odd.__module__ = object()
with ThreadPoolExecutor(2) as pool:
    calls = [
        (partial(partial(partial(max, 1), 2), 3),),
        (odd,),
        (Reckoner(5).add, 1),
        (Reckoner(5).add_two,),
        (Reckoner.make, 4),
        (Reckoner.twice, 4),
        (dispatched, 1),
        (wrapped, 2),
        (int, "12"),
        ("abc".upper,),
        (str.lower, "ABC"),
        ([].__len__,),
        (lambda: "lambda",),
        (type("Made", (), {"__call__": lambda self: "made"})(),),
    ]
    for call in calls:
        print(pool.submit(*call).result(5))
