"""A museum catalogues its boxes by a class that owns an executor and hands in its own methods."""

from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell


class Catalogue:
    def __init__(self, workers):
        self.workers = workers
        self.entries = {}

    def __enter__(self):
        self.pool = ThreadPoolExecutor(self.workers, thread_name_prefix="catalogue")
        return self

    def __exit__(self, *failure):
        self.pool.shutdown()

    def describe(self, box):
        self.entries[box] = self.label(box)

    @staticmethod
    def label(box):
        return f"box {box}"

    @classmethod
    def count_shelf(cls, boxes):
        return len(boxes)

    def run(self, boxes):
        described = [self.pool.submit(self.describe, box) for box in boxes]
        labelled = [self.pool.submit(self.label, box) for box in boxes[:10]]
        shelves = [self.pool.submit(self.count_shelf, boxes[at : at + 8]) for at in (0, 8, 16)]
        for future in described + labelled + shelves:
            future.result()


if __name__ == "__main__":
    with Catalogue(2) as catalogue:
        catalogue.run(list(range(24)))
        tell(describe=kind(len(catalogue.entries)), label=kind(10), count_shelf=kind(3))
