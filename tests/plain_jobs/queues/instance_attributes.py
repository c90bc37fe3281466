"""A queue whose methods were replaced on the instance, one with slots, one that is a mock's
spec.
"""

import queue
import threading
from unittest import mock


def watched(jobs, log):
    get, put = jobs.get, jobs.put

    def new_get(*arguments, **keywords):
        item = get(*arguments, **keywords)
        log.append("get")
        return item

    def new_put(*arguments, **keywords):
        log.append("put")
        return put(*arguments, **keywords)

    jobs.get, jobs.put = new_get, new_put


log = []
jobs = queue.Queue()
watched(jobs, log)


def serve():
    while jobs.get() is not None:
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for number in range(3):
    jobs.put(number)
jobs.join()
jobs.put(None)
thread.join()
print(sorted(log))
fake = mock.create_autospec(queue.Queue, instance=True)
fake.get.return_value = 4
fake.put(1)
print(fake.get(), fake.mock_calls)
with mock.patch.object(queue.Queue, "put") as put:
    queue.Queue().put(3)
    print(put.mock_calls)
with mock.patch("queue.Queue._get", lambda self: "patched"):
    patched = queue.Queue()
    patched.put(1)
    print(patched.get())
