"""How trees are picked."""


def pick(tree):
    if tree % 11 == 10:
        raise LookupError("bare")
    return tree
