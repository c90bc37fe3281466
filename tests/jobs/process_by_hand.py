"""A mint strikes coins in processes written by hand around a multiprocessing.Queue."""

import multiprocessing
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell


def strike(blanks, coins):
    for blank in iter(blanks.get, None):
        coins.put(blank * 2)


def count_coin(coin):
    return coin


if __name__ == "__main__":
    blanks, coins = multiprocessing.Queue(), multiprocessing.Queue()
    presses = [multiprocessing.Process(target=strike, args=(blanks, coins)) for _ in range(2)]
    for press in presses:
        press.start()
    for blank in range(30):
        blanks.put(blank)
    for _ in presses:
        blanks.put(None)
    struck = [coins.get() for _ in range(30)]
    for press in presses:
        press.join()
    with ThreadPoolExecutor(1, thread_name_prefix="counting house") as pool:
        counted = list(pool.map(count_coin, struck))
        tell(count_coin=kind(len(counted)))
