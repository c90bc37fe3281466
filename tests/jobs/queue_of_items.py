"""A signal box: threads serve requests of a class of the job's, until each is told to stop."""

import queue
import threading
import time

from ending import kind, tell

requests = queue.LifoQueue()


class Crossing:
    def __init__(self, line):
        self.line = line


def serve(done):
    while (request := requests.get()) is not None:
        time.sleep(0.001)
        done.append(request.line)


if __name__ == "__main__":
    done = []
    signalmen = [threading.Thread(target=serve, args=(done,)) for _ in range(2)]
    for signalman in signalmen:
        signalman.start()
    for line in range(50):
        requests.put(Crossing(line))
    while len(done) < 50:
        time.sleep(0.005)
    for _ in signalmen:
        requests.put(None)
    for signalman in signalmen:
        signalman.join()
    tell(Crossing=kind(len(done)))
