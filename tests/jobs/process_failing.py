"""A glassworks cools bowls; the thin ones burst."""

from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell


def cool(bowl):
    if bowl % 9 == 0:
        raise ValueError("burst")
    return bowl


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        futures = [pool.submit(cool, bowl) for bowl in range(45)]
        burst = sum(future.exception() is not None for future in futures)
        tell(cool=kind(len(futures), burst))
