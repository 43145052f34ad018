"""The arithmetic that the cores reach on independent multiply-adds in registers: the ceiling any kernel is held to.

Twelve chains per lane, as many lanes as a vector register holds; a multiply and an add count as two operations, fused
or not. Contraction is the only freedom given to the compiler: it may fuse, but not shorten the sum.
"""

from __future__ import annotations

import time

import numpy as np
from numba import get_num_threads, njit, prange

CHAINS = 12
LANES = 64
STEPS = 32
ROUNDS = 150_000
TRIALS = 10


@njit(parallel=True, fastmath={"contract"})
def spin(x, a, b, rounds):
    """Multiply-adds on `x` (threads, 12, lanes), in place."""
    for job in prange(x.shape[0]):
        for _ in range(rounds):
            for i in range(x.shape[2]):
                p0, p1, p2, p3 = x[job, 0, i], x[job, 1, i], x[job, 2, i], x[job, 3, i]
                p4, p5, p6, p7 = x[job, 4, i], x[job, 5, i], x[job, 6, i], x[job, 7, i]
                p8, p9, p10, p11 = x[job, 8, i], x[job, 9, i], x[job, 10, i], x[job, 11, i]
                # four short loops: the compiler unrolls each whole, which lets it put the lanes side by side
                for _ in range(8):
                    p0, p1, p2, p3 = p0 * a + b, p1 * a + b, p2 * a + b, p3 * a + b
                    p4, p5, p6, p7 = p4 * a + b, p5 * a + b, p6 * a + b, p7 * a + b
                    p8, p9, p10, p11 = p8 * a + b, p9 * a + b, p10 * a + b, p11 * a + b
                for _ in range(8):
                    p0, p1, p2, p3 = p0 * a + b, p1 * a + b, p2 * a + b, p3 * a + b
                    p4, p5, p6, p7 = p4 * a + b, p5 * a + b, p6 * a + b, p7 * a + b
                    p8, p9, p10, p11 = p8 * a + b, p9 * a + b, p10 * a + b, p11 * a + b
                for _ in range(8):
                    p0, p1, p2, p3 = p0 * a + b, p1 * a + b, p2 * a + b, p3 * a + b
                    p4, p5, p6, p7 = p4 * a + b, p5 * a + b, p6 * a + b, p7 * a + b
                    p8, p9, p10, p11 = p8 * a + b, p9 * a + b, p10 * a + b, p11 * a + b
                for _ in range(8):
                    p0, p1, p2, p3 = p0 * a + b, p1 * a + b, p2 * a + b, p3 * a + b
                    p4, p5, p6, p7 = p4 * a + b, p5 * a + b, p6 * a + b, p7 * a + b
                    p8, p9, p10, p11 = p8 * a + b, p9 * a + b, p10 * a + b, p11 * a + b
                x[job, 0, i], x[job, 1, i], x[job, 2, i], x[job, 3, i] = p0, p1, p2, p3
                x[job, 4, i], x[job, 5, i], x[job, 6, i], x[job, 7, i] = p4, p5, p6, p7
                x[job, 8, i], x[job, 9, i], x[job, 10, i], x[job, 11, i] = p8, p9, p10, p11


def ceiling(rounds: int = ROUNDS, trials: int = TRIALS) -> dict[str, float]:
    """The best of several trials with every thread at work: `per_wall` over all threads and `per_cpu` of one core while
    the others are busy too [operations/s], `threads`, and `off`, how far the sums lie from their fixed point."""
    threads = get_num_threads()
    a, b = 0.999, 1e-3
    x = np.full((threads, CHAINS, LANES), 0.5)
    spin(x, a, b, 1)
    operations = float(threads * rounds * LANES * CHAINS * STEPS * 2)
    per_wall = per_cpu = 0.0
    for _ in range(trials):
        wall, cpu = time.perf_counter(), time.process_time()
        spin(x, a, b, rounds)
        cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        per_wall, per_cpu = max(per_wall, operations / wall), max(per_cpu, operations / cpu)
    off = float(np.abs(x - b / (1.0 - a)).max())
    return {"per_wall": per_wall, "per_cpu": per_cpu, "threads": float(threads), "off": off}
