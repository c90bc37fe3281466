"""A seed bank germinates samples; each worker sets its lamp up first and is replaced after six."""

import multiprocessing

from ending import kind, tell

lamp = {}


def set_lamp(colour):
    lamp["colour"] = colour


def germinate(sample):
    return f"{sample} under {lamp['colour']}"


if __name__ == "__main__":
    with multiprocessing.Pool(
        processes=2, initializer=set_lamp, initargs=("red",), maxtasksperchild=6
    ) as pool:
        results = [pool.apply_async(germinate, (sample,)) for sample in range(36)]
        sprouts = [result.get(timeout=60) for result in results]
        tell(germinate=kind(len(sprouts)))
