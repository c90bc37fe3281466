"""A program with a process pool at work falls off its end: what is queued is worked off."""

from concurrent.futures import ProcessPoolExecutor


def work(number):
    with open(f"out{number}", "w") as file:
        file.write("done")


if __name__ == "__main__":
    pool = ProcessPoolExecutor(2)
    pool.submit(work, 0).result()  # from here on the pool needs no new thread, which 3.12 refuses
    for number in range(1, 6):
        pool.submit(work, number)
