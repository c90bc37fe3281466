"""The names that a program finds in its own main module."""

import sys

number: int = 3
print(sorted(globals()))
print(__name__, __file__, __package__, __spec__, __annotations__, __doc__, __builtins__)
print(type(__loader__).__name__, sys.modules["__main__"].__dict__ is globals())
