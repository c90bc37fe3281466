"""One sitting: all state, input and output that a screen or a command needs.

`Session` is what they hold; `opening` makes one from a target.
"""
