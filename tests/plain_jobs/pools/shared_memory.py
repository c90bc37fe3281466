"""Worker processes write into shared memory and shared values; nothing is left behind."""

import multiprocessing
from multiprocessing import shared_memory


def write(name, value, index):
    memory = shared_memory.SharedMemory(name=name)
    memory.buf[index] = index
    memory.close()
    with value.get_lock():
        value.value += index


if __name__ == "__main__":
    context = multiprocessing.get_context("fork")
    memory, value = shared_memory.SharedMemory(create=True, size=8), context.Value("i", 0)
    processes = [
        context.Process(target=write, args=(memory.name, value, index)) for index in range(8)
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    print(bytes(memory.buf[:8]), value.value)
    memory.close()
    memory.unlink()
