"""Log records go through a queue to a thread that writes them, with the folder for sockets
refused.
"""

# /// job
# refused = true
# ///
import logging
import logging.handlers
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

records = queue.Queue()
written = []


class Written(logging.Handler):
    def emit(self, record):
        if record.name.startswith("job"):
            written.append(record.getMessage())


root = logging.getLogger()
root.setLevel(logging.INFO)
root.addHandler(logging.handlers.QueueHandler(records))
listener = logging.handlers.QueueListener(records, Written())
listener.start()
jobs = queue.Queue()


def serve():
    while (item := jobs.get()) is not None:
        logging.getLogger("job").info("item %d", item)
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for number in range(5):
    jobs.put(number)
jobs.join()
with ThreadPoolExecutor(2) as pool:
    list(pool.map(logging.getLogger("job.task").info, ["in a task"] * 3))
jobs.put(None)
thread.join()
listener.stop()
print(written)
