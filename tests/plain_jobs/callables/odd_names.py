"""Tasks whose names are no text, hostile text, or cannot be encoded."""

from concurrent.futures import ThreadPoolExecutor


class Text(str):
    __slots__ = ()

    def __str__(self):
        raise RuntimeError("str")

    def __format__(self, how):
        raise RuntimeError("format")

    def __hash__(self):
        raise RuntimeError("hash")

    def __eq__(self, other):
        raise RuntimeError("equal")


def make(name, module):
    def work():
        return 1

    work.__qualname__ = name
    work.__name__ = name
    work.__module__ = module
    return work


with ThreadPoolExecutor(2) as pool:
    for name, module in (
        ("\ud800", "m"),
        ("\x1b[2J\n", "\0"),
        (Text("work"), "m"),
        ("work", Text("m")),
        ("", None),
        ("work", 3),
    ):
        print(pool.submit(make(name, module)).result(5))
