"""A mint strikes coins in batches of 25."""

from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell


def strike(blank):
    return sum(range(blank % 500))


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        coins = list(pool.map(strike, range(500), chunksize=25))
        tell(strike=kind(20, calls=len(coins)))
