"""A record office hashes its files, which it has just written."""

import hashlib
import os
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from ending import kind, tell


def hash_file(path):
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 16):
            digest.update(block)
    return path.name, digest.hexdigest()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for number in range(24):
            (Path(folder) / f"record-{number}").write_bytes(os.urandom(200_000))
        with ThreadPoolExecutor(max_workers=3) as pool:
            hashes = dict(pool.map(hash_file, sorted(Path(folder).iterdir())))
            tell(hash_file=kind(len(hashes)))
