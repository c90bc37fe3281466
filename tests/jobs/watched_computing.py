"""A tally by threads that only compute, in pure Python: one at a time has the interpreter lock."""

from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell, wait_until_watched


def tally(box):
    total = 0
    for number in range(600_000):
        total += number ^ box
    return total


if __name__ == "__main__":
    with ThreadPoolExecutor(4, thread_name_prefix="tally") as pool:
        pool.submit(tally, 0).result()
        wait_until_watched()
        boxes = list(pool.map(tally, range(150)))
        tell(tally=kind(len(boxes) + 1), truth={"tally": ["busy", "interpreter lock"]})
