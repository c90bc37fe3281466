"""An orchard is picked by a pool that the package's main module makes."""

from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell

from .picking import pick


def weigh_basket(basket):
    return basket


if __name__ == "__main__":
    with ProcessPoolExecutor(max_workers=2) as pool:
        trees = [pool.submit(pick, tree) for tree in range(33)]
        bare = sum(tree.exception() is not None for tree in trees)
        baskets = list(pool.map(weigh_basket, range(12), chunksize=4))
        tell(
            pick=kind(len(trees), bare),
            weigh_basket=kind(3, calls=len(baskets)),
        )
