"""A stud farm weighs foals, some of whom bolt; those are weighed a second time by themselves."""

from ending import kind, tell
from joblib import Parallel, delayed


class Bolted(Exception):
    pass


def weigh_foal(foal, calm):
    if foal % 4 == 3 and not calm:
        raise Bolted(foal)
    return foal


def weigh_gently(foal):
    try:
        return weigh_foal(foal, calm=False)
    except Bolted:
        return weigh_foal(foal, calm=True)


if __name__ == "__main__":
    with Parallel(n_jobs=2, backend="threading", batch_size=1) as parallel:
        foals = parallel(delayed(weigh_gently)(foal) for foal in range(40))
        tell(weigh_gently=kind(len(foals)))
