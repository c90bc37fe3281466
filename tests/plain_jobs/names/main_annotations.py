"""Annotations at the top of a program are kept as Python keeps them."""

import typing

number: int = 3
text: "str"


class Point:
    x: int


print(typing.get_type_hints(__import__("__main__")))
print(__annotations__)
__annotations__["more"] = 1
print(sorted(__annotations__))
