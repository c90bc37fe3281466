"""A clinic takes patients by urgency: tuples of a number and a name in a PriorityQueue."""

import queue
import threading
import time

from ending import kind, tell

waiting_room = queue.PriorityQueue()
seen = []


def see_patients():
    while True:
        try:
            urgency, name = waiting_room.get(timeout=0.2)
        except queue.Empty:
            return
        time.sleep(0.001)
        seen.append((urgency, name))
        waiting_room.task_done()


if __name__ == "__main__":
    for number in range(40):
        waiting_room.put((number % 3, f"patient {number}"))
    doctors = [threading.Thread(target=see_patients, name=f"doctor {n}") for n in range(3)]
    for doctor in doctors:
        doctor.start()
    waiting_room.join()
    tell(tuple=kind(len(seen)))
    for doctor in doctors:
        doctor.join()
