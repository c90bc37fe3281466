"""A post office sorts parcels: ordered dataclasses in a PriorityQueue, daemon threads, join()."""

import queue
import threading
import time
from dataclasses import dataclass, field

from ending import kind, tell


@dataclass(order=True)
class Parcel:
    weight: int
    address: str = field(compare=False)


class Sorter(threading.Thread):
    def __init__(self, parcels, sorted_):
        super().__init__(daemon=True)
        self.parcels, self.sorted = parcels, sorted_

    def run(self):
        while True:
            parcel = self.parcels.get()
            time.sleep(0.001)
            self.sorted.append(parcel.address)
            self.parcels.task_done()


if __name__ == "__main__":
    parcels, sorted_ = queue.PriorityQueue(), []
    for _ in range(2):
        Sorter(parcels, sorted_).start()
    for number in range(50):
        parcels.put(Parcel(number % 7, f"street {number}"))
    parcels.join()
    tell(Parcel=kind(len(sorted_)))
