"""A smithy rests each hammer after five blows: workers are replaced."""

from multiprocessing import Pool

from ending import kind, tell


def strike_iron(heat, blow):
    return heat + blow


if __name__ == "__main__":
    with Pool(2, maxtasksperchild=5) as pool:
        blows = pool.starmap(strike_iron, [(n, n) for n in range(40)], chunksize=1)
        tell(strike_iron=kind(len(blows)))
