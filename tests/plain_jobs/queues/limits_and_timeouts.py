"""Bounded queues with timeouts, put_nowait and get_nowait: Full and Empty come as they should."""

import queue
import threading
import traceback

jobs = queue.Queue(maxsize=2)
done = []


def serve():
    while True:
        try:
            item = jobs.get(timeout=0.05)
        except queue.Empty as error:
            done.append(len(traceback.extract_tb(error.__traceback__)))
            return
        done.append(item)
        jobs.task_done()


jobs.put(1)
jobs.put(2)
for call in (
    lambda: jobs.put(3, timeout=0.01),
    lambda: jobs.put_nowait(3),
    lambda: jobs.put(3, False),
):
    try:
        call()
    except queue.Full:
        print(traceback.format_exc())
thread = threading.Thread(target=serve)
thread.start()
thread.join()
for call in (jobs.get_nowait, lambda: jobs.get(timeout=-1), jobs.task_done):
    try:
        call()
    except (queue.Empty, ValueError):
        print(traceback.format_exc())
print(done, jobs.full(), jobs.empty())
