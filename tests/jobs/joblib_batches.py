"""A vineyard tastes its barrels, eight to a batch."""

from ending import kind, tell
from joblib import Parallel, delayed


def taste(barrel):
    return barrel % 5


if __name__ == "__main__":
    with Parallel(n_jobs=2, batch_size=8) as parallel:
        tasted = parallel(delayed(taste)(barrel) for barrel in range(64))
        tell(taste=kind(None, calls=len(tasted)))
