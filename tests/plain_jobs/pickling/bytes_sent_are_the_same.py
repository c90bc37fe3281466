"""How many bytes go through the pipes of a pool is the program's business: it counts picklings."""

from concurrent.futures import ProcessPoolExecutor


class Counted:
    pickled = 0

    def __getstate__(self):
        Counted.pickled += 1
        return {"a": 1}

    def __setstate__(self, state):
        self.__dict__.update(state)

    def __call__(self, number):
        return number + self.a


if __name__ == "__main__":
    task = Counted()
    with ProcessPoolExecutor(2) as pool:
        print(list(pool.map(task, range(10))))
        print([pool.submit(task, n).result() for n in range(3)])
    print(Counted.pickled)
