"""Queues are shut down, at once and in good order, with threads that wait (Python 3.13)."""

# /// job
# since = "3.13"
# ///
import queue
import threading

for immediate in (False, True):
    for kind in (queue.Queue, queue.LifoQueue, queue.PriorityQueue):
        jobs = kind()
        done, gate = [], threading.Event()

        def serve(jobs=jobs, done=done, gate=gate):
            gate.wait()
            try:
                while True:
                    done.append(jobs.get())
                    jobs.task_done()
            except queue.ShutDown:
                done.append("shut down")

        threads = [threading.Thread(target=serve) for _ in range(2)]
        for number in range(5):
            jobs.put(number)
        for thread in threads:
            thread.start()
        jobs.shutdown(immediate)
        gate.set()
        for thread in threads:
            thread.join()
        jobs.join()
        print(kind.__name__, sorted(map(str, done)), jobs.unfinished_tasks)
        try:
            jobs.put(1)
        except queue.ShutDown as error:
            print(type(error).__name__)
