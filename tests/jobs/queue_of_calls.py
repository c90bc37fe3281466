"""A cider press: threads of the job's own take (function, apples) from a queue."""

import queue
import threading
import time

from ending import kind, tell

crates = queue.Queue()


def press(apples):
    time.sleep(0.001)


def bottle(apples):
    time.sleep(0.001)


def hand():
    while True:
        work, apples = crates.get()
        work(apples)
        crates.task_done()


if __name__ == "__main__":
    for _ in range(3):
        threading.Thread(target=hand, daemon=True).start()
    for apples in range(40):
        crates.put((press, apples))
        if apples % 2:
            crates.put((bottle, apples))
    crates.join()
    tell(press=kind(40), bottle=kind(20))
