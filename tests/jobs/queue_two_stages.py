"""A bakery: dough is shaped by two threads, and what they shape is baked by two others."""

import queue
import threading
import time

from ending import kind, tell

STOP = object()


class Dough:
    def __init__(self, number):
        self.number = number


class Loaf:
    def __init__(self, dough):
        self.dough = dough


def shape(doughs, loaves):
    while True:
        dough = doughs.get()
        try:
            if dough is STOP:
                return
            time.sleep(0.001)
            loaves.put(Loaf(dough))
        finally:
            doughs.task_done()


def bake(loaves, baked):
    while True:
        loaf = loaves.get()
        try:
            if loaf is STOP:
                return
            time.sleep(0.002)
            baked.append(loaf.dough.number)
        finally:
            loaves.task_done()


if __name__ == "__main__":
    doughs, loaves, baked = queue.Queue(maxsize=10), queue.Queue(), []
    shapers = [threading.Thread(target=shape, args=(doughs, loaves)) for _ in range(2)]
    bakers = [threading.Thread(target=bake, args=(loaves, baked)) for _ in range(2)]
    for thread in shapers + bakers:
        thread.start()
    for number in range(60):
        doughs.put(Dough(number))
    doughs.join()
    loaves.join()
    for _ in shapers:
        doughs.put(STOP)
    for _ in bakers:
        loaves.put(STOP)
    for thread in shapers + bakers:
        thread.join()
    tell(Dough=kind(60), Loaf=kind(len(baked)), object=kind(4))
