"""A program submits to a process pool and falls off its end."""

from concurrent.futures import ProcessPoolExecutor


def work(number):
    with open(f"out{number}", "w") as file:
        file.write("done")


if __name__ == "__main__":
    pool = ProcessPoolExecutor(2)
    for number in range(5):
        pool.submit(work, number)
