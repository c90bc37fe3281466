"""A mosaic: tiles are cut by imap in chunks of five, then laid in pairs by starmap."""

import multiprocessing

from ending import kind, tell


def cut_tile(tile):
    return tile * tile


def lay_pair(left, right):
    return left + right


if __name__ == "__main__":
    with multiprocessing.Pool(3) as pool:
        tiles = list(pool.imap(cut_tile, range(50), chunksize=5))
        pairs = pool.starmap(lay_pair, zip(tiles[::2], tiles[1::2]), chunksize=4)
        tell(cut_tile=kind(10, calls=len(tiles)), lay_pair=kind(7, calls=len(pairs)))
