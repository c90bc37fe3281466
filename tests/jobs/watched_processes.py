"""A weir: processes compute its flow, and other processes wait for the gate to move."""

import time
from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell, wait_until_watched


def compute_flow(gate):
    total = 0
    for number in range(400_000):
        total += number ^ gate
    return total


def move_gate(gate):
    time.sleep(0.1)
    return gate


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        pool.submit(move_gate, 0).result()
        wait_until_watched()
        flows = [pool.submit(compute_flow, gate) for gate in range(80)]
        gates = [pool.submit(move_gate, gate) for gate in range(60)]
        for future in flows + gates:
            future.result()
        tell(
            compute_flow=kind(len(flows)),
            move_gate=kind(len(gates) + 1),
            truth={"compute_flow": ["busy", ""], "move_gate": ["blocked", "sleep"]},
        )
