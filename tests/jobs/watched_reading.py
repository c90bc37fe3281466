"""A relay station: every task waits for a letter from a pipe, which another thread writes."""

import os
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell, wait_until_watched


def write_letters(pipe, letters):
    for _ in range(letters):
        time.sleep(0.05)
        os.write(pipe, b"x")


def read_letter(pipe):
    return os.read(pipe, 1)


if __name__ == "__main__":
    reading, writing = os.pipe()
    with ThreadPoolExecutor(2, thread_name_prefix="relay") as pool:
        os.write(writing, b"x")
        pool.submit(read_letter, reading).result()
        wait_until_watched()
        letters = [pool.submit(read_letter, reading) for _ in range(100)]
        threading.Thread(target=write_letters, args=(writing, 100)).start()
        read = sum(len(letter.result()) for letter in letters)
        tell(read_letter=kind(read + 1), truth={"read_letter": ["blocked", "input/output"]})
