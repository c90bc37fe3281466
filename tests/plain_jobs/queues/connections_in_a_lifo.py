"""Idle connections in a LifoQueue: the same objects, and None for a place, go in and out by
threads.
"""

import queue
import threading


class Connection:
    used = 0


idle = queue.LifoQueue(4)
for _ in range(2):
    idle.put(None)
for _ in range(2):
    idle.put(Connection())


def use():
    for _ in range(200):
        connection = idle.get(timeout=5) or Connection()
        connection.used += 1
        try:
            idle.put_nowait(connection)
        except queue.Full:
            print("full")


threads = [threading.Thread(target=use) for _ in range(4)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
left = [idle.get_nowait() for _ in range(4)]
print(sum(connection.used for connection in left if connection), idle.qsize())
