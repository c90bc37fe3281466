"""A manager serves queues, lists and pools to other processes."""

import multiprocessing


def serve(tasks, results):
    while (task := tasks.get()) is not None:
        results.append(task + 1)
        tasks.task_done()


if __name__ == "__main__":
    with multiprocessing.Manager() as manager:
        tasks, results = manager.JoinableQueue(), manager.list()
        processes = [multiprocessing.Process(target=serve, args=(tasks, results)) for _ in range(2)]
        for process in processes:
            process.start()
        for number in range(10):
            tasks.put(number)
        tasks.join()
        for _ in processes:
            tasks.put(None)
        for process in processes:
            process.join()
        print(sorted(results))
        pool = manager.Pool(2)
        print(pool.map(abs, range(-4, 0)))
        pool.close()
        pool.join()
