"""A queue whose count of unfinished tasks is a property, and one that has slots."""

import queue
import threading


class Counted(queue.Queue):
    @property
    def unfinished_tasks(self):
        return self._count

    @unfinished_tasks.setter
    def unfinished_tasks(self, value):
        self._count = value
        seen.append(value)


class Compared(queue.Queue):
    def __eq__(self, other):
        raise RuntimeError("equal")

    def __hash__(self):
        raise RuntimeError("hash")

    def __len__(self):
        raise RuntimeError("len")

    def __getattr__(self, name):
        raise RuntimeError(name)


seen = []
for kind in (Counted, Compared):
    jobs, done = kind(), []

    def serve(jobs=jobs, done=done):
        while (item := jobs.get()) is not None:
            done.append(item)
            jobs.task_done()

    thread = threading.Thread(target=serve)
    thread.start()
    for number in range(5):
        jobs.put(number)
        jobs.join()
    jobs.put(None)
    thread.join()
    print(done, jobs.unfinished_tasks)
print(seen)
