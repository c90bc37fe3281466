"""Queues of the program's own with __getstate__, __reduce__ and copies of their contents."""

import copy
import pickle
import queue
import threading


class Stored(queue.Queue):
    def __getstate__(self):
        return list(self.queue)

    def __setstate__(self, items):
        self.__init__()
        for item in items:
            self.put(item)


jobs = Stored()
done = []


def serve():
    while (item := jobs.get()) is not None:
        done.append(item)
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for number in range(3):
    jobs.put(number)
jobs.join()
for number in range(3):
    other = pickle.loads(pickle.dumps(jobs))
    print(list(other.queue), other.unfinished_tasks)
print(list(copy.copy(jobs).queue))
jobs.put(None)
thread.join()
print(done)
