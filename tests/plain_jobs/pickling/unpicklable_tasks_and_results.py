"""Tasks and results that cannot be pickled, and results whose unpickling raises."""

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.pool import MaybeEncodingError


class RaisesOnLoad:
    def __reduce__(self):
        return explode, ()


def explode():
    raise ValueError("unpickled")


def make(kind):
    return {"lock": threading.Lock, "lambda": lambda: lambda: 1}[kind]()


def fail_oddly():
    error = ValueError("odd")
    error.lock = threading.Lock()
    raise error


if __name__ == "__main__":
    with ProcessPoolExecutor(1) as pool:
        for call in (
            (lambda: 1,),
            (abs, threading.Lock()),
            (make, "lock"),
            (make, "lambda"),
            (fail_oddly,),
        ):
            error = pool.submit(*call).exception()
            print(type(error).__name__, str(error).split(" at ")[0])
        print(pool.submit(abs, -4).result())
    with multiprocessing.Pool(1) as pool:
        for call in ((make, ("lock",)), (make, ("lambda",))):
            try:
                pool.apply(*call)
            except MaybeEncodingError as error:
                print(type(error).__name__)
        try:
            pool.apply(lambda: 1)
        except Exception as error:
            print(type(error).__name__)
        print(pool.apply(abs, (-4,)))
