"""A queue's consumers log through the very queue that they take from, the folder being refused."""

# /// job
# refused = true
# ///
import logging
import queue
import threading

jobs = queue.Queue()
done = []


class ToQueue(logging.Handler):
    def emit(self, record):
        jobs.put(record.getMessage())


logging.getLogger().addHandler(ToQueue())


def serve():
    while (item := jobs.get()) is not None:
        if "attach" not in item:
            done.append(item)
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for number in range(5):
    jobs.put(f"item {number}")
logging.warning("warned")
jobs.join()
jobs.put(None)
thread.join()
print(done)
