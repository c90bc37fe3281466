"""A weaver's processes of loky; a nested function and a failing one travel to them."""

from ending import kind, tell
from loky import get_reusable_executor


def weave(width):
    def weave_row(row):
        if row % 10 == 9:
            raise ValueError("torn")
        return row * width

    return weave_row


if __name__ == "__main__":
    executor = get_reusable_executor(max_workers=2, timeout=60)
    rows = [executor.submit(weave(3), row) for row in range(40)]
    torn = sum(row.exception() is not None for row in rows)
    tell(weave_row=kind(len(rows), torn))
    executor.shutdown()
