"""One sitting: all state, input and output that a screen or a command needs.

A screen or a command holds a `Session`; `opening` makes one from a target.
"""
