"""Queues that pickle and copy by their own dictionary, without the locks."""

import copy
import pickle
import queue
import threading

LOCKS = ("mutex", "not_empty", "not_full", "all_tasks_done")


class Saved(queue.Queue):
    def __getstate__(self):
        return {name: value for name, value in vars(self).items() if name not in LOCKS}

    def __setstate__(self, state):
        self.__init__()
        vars(self).update(state)


def serve():
    while (item := jobs.get()) is not None:
        jobs.task_done()


jobs = Saved()
jobs.put(0)
other = pickle.loads(pickle.dumps(jobs))
thread = threading.Thread(target=serve)
thread.start()
jobs.put(1)
jobs.join()
for copied in (pickle.loads(pickle.dumps(jobs)), copy.copy(jobs), copy.deepcopy(jobs), other):
    copied.put(5)
    copied.put(6)
    print(list(copied.queue), copied.unfinished_tasks, copied.get())
jobs.put(None)
thread.join()
