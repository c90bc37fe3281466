"""A paper mill dries sheets that a generator makes; what is done with them is a nested function."""

from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell


def sheets(wanted):
    for sheet in range(wanted):
        yield sheet, sheet % 4


def dry_all(wanted):
    def dry(sheet):
        number, thickness = sheet
        return number * thickness

    with ThreadPoolExecutor() as pool:
        dried = sum(1 for _ in pool.map(dry, sheets(wanted), timeout=60))
        pressed = sum(1 for _ in pool.map(lambda sheet: sheet[0], sheets(wanted // 2)))
        tell(**{"dry": kind(dried), "<lambda>": kind(pressed)})


if __name__ == "__main__":
    dry_all(48)
