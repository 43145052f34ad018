"""The loop over blocks of setups and scenarios, on several threads, and the door to it."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numba import get_num_threads
from numpy.typing import NDArray

from explorer.domain.errors import ModelError
from explorer.model.block import evaluate_block
from explorer.model.car.slots import PHASE_COLUMNS, SLOT, SLOTS, WISHBONE
from explorer.model.car.tyre import bump_tables_at
from explorer.model.corner.path import Beam, Wishbone
from explorer.model.machine.compiled import njit
from explorer.model.machine.lanes import WIDTH
from explorer.model.metrics import N_CAR, N_PHASE

_ROUGHNESS, _N, _LAW = SLOT["roughness"], SLOT["load_sensitivity"], SLOT["axle_law"]
FEW = 256
"""Up to this many setups and scenarios one thread answers: waking the others costs more than it gains."""
PARTS = 8
"""Parts per thread, so that none waits long for the last."""

NOT_FINITE = 7
"""Fault of an answer that is no number (see `car.FAULTS`): met on cars that lie on their side in every corner."""

_WEIGHT, _TURN_IN = PHASE_COLUMNS.index("weight"), PHASE_COLUMNS.index("is_turn_in")


@njit(cache=True, nogil=True, error_model="numpy")
def evaluate_jobs(kind, first, last, parameters, phases, slots, factor, offset, tables, which_table, out, faults):
    """Jobs `first` up to `last`; a job is a block of rows in one scenario. Row `i` in scenario `s` is `parameters[i]`
    with its uncertain slots scaled and shifted; its bump table is `tables[which_table[s, i]]`. `kind` is the axle law
    (`path.Beam` or `path.Wishbone`), for each of which this is compiled once."""
    rows = parameters.shape[0]
    blocks = (rows + WIDTH - 1) // WIDTH
    for job in range(first, last):
        s = job // blocks
        start = (job - s * blocks) * WIDTH
        count = min(WIDTH, rows - start)
        vectors = np.empty((parameters.shape[1], WIDTH))
        which = np.empty(WIDTH, dtype=np.int64)
        for lane in range(WIDTH):
            i = start + min(lane, count - 1)
            for j in range(parameters.shape[1]):
                vectors[j, lane] = parameters[i, j]
            for j in range(slots.shape[0]):
                vectors[slots[j], lane] = vectors[slots[j], lane] * factor[s, j] + offset[s, j]
            which[lane] = which_table[s, i]
        stop = start + count
        evaluate_block(kind, vectors, count, phases, tables, which, out[s, start:stop], faults[s, start:stop])


def jobs_of(rows, scenarios):
    """Number of jobs of `evaluate_jobs`."""
    return -(-rows // WIDTH) * scenarios


@lru_cache(maxsize=1)
def _crew(threads: int, process: int) -> ThreadPoolExecutor:
    """Threads that wait for work; a forked process has none of its parent's."""
    return ThreadPoolExecutor(threads, thread_name_prefix="setups")


def evaluate_rows(threads, kind, *arrays):
    """All jobs, by so many threads. The kernel lets go of Python's lock, and a row's answer does not depend on who
    gives it. (Tried and dropped: numba's own parallel loop, which compiles the kernel twice more.)"""
    jobs = jobs_of(len(arrays[0]), len(arrays[3]))
    if threads == 1:
        evaluate_jobs(kind, 0, jobs, *arrays)
        return
    cuts = [jobs * k // (PARTS * threads) for k in range(PARTS * threads + 1)]
    parts = [_crew(threads, os.getpid()).submit(evaluate_jobs, kind, *cut, *arrays) for cut in pairwise(cuts)]
    for part in parts:
        part.result()


def bump_tables(
    parameters: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """One bump table per load sensitivity that occurs: tables (kinds, steps, 2) and which one (scenarios, rows).

    On smooth ground no table is read and a single one stands in.
    """
    rough, _ = np.broadcast_arrays(parameters[None, :, _ROUGHNESS], np.empty((len(factor), len(parameters))))
    exponent = np.broadcast_to(parameters[None, :, _N], rough.shape)
    for j in range(len(slots)):
        if slots[j] == _ROUGHNESS:
            rough = rough * factor[:, j, None] + offset[:, j, None]
        if slots[j] == _N:
            exponent = exponent * factor[:, j, None] + offset[:, j, None]
    if not np.any(rough > 0.0):
        return bump_tables_at(exponent.flat[:1]), np.zeros(rough.shape, dtype=np.int64)
    kinds, which = np.unique(exponent, return_inverse=True)
    return bump_tables_at(kinds), which.reshape(rough.shape).astype(np.int64)


def evaluate_with_faults(
    parameters: NDArray[np.float64],
    phases: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Metrics and fault numbers of parameter vectors.

    `parameters` (rows, slots) SI, `phases` (phases, columns) SI, `slots` (J,), `factor` and `offset` (scenarios, J) ->
    values (scenarios, rows, metrics) in edge units, zero where a fault is not 0, and faults (scenarios, rows).

    Raises ModelError for arrays of the wrong shape, rows of unlike axle laws, no phase, not exactly one turn-in phase
    or a phase that asks for nothing.
    """
    if parameters.ndim != 2 or parameters.shape[1] != len(SLOTS):
        raise ModelError(f"parameters must have shape (rows, {len(SLOTS)}), not {parameters.shape}")
    if phases.ndim != 2 or phases.shape[1] != len(PHASE_COLUMNS) or len(phases) == 0:
        raise ModelError(f"phases must have shape (at least 1, {len(PHASE_COLUMNS)}), not {phases.shape}")
    if np.count_nonzero(phases[:, _TURN_IN] > 0.5) != 1:
        raise ModelError("exactly one phase must be the turn-in")
    if not (np.isfinite(phases).all() and np.all(np.maximum(phases[:, 1], phases[:, 2]) > 0.0)):
        raise ModelError("every phase needs a finite speed or grip share above zero")
    if np.any(phases[:, 0] <= 0.0) or np.any(phases[:, _WEIGHT] < 0.0) or phases[:, _WEIGHT].sum() <= 0.0:
        raise ModelError("every phase needs a radius above zero and a weight not below zero, one of them above")
    scenarios, rows = len(factor), len(parameters)
    columns = N_CAR + N_PHASE * len(phases)
    values = np.empty((scenarios, rows, columns))
    faults = np.zeros((scenarios, rows), dtype=np.int64)
    if rows == 0:
        return values, faults
    links = parameters[:, _LAW] == WISHBONE
    if links.any() != links.all():
        raise ModelError("all rows must be under one axle law")
    tables, which_table = bump_tables(parameters, slots, factor, offset)
    evaluate_rows(
        1 if scenarios * rows <= FEW else get_num_threads(),
        Wishbone() if links.all() else Beam(),
        np.ascontiguousarray(parameters, dtype=np.float64),
        np.ascontiguousarray(phases, dtype=np.float64),
        np.ascontiguousarray(slots, dtype=np.int64),
        np.ascontiguousarray(factor, dtype=np.float64),
        np.ascontiguousarray(offset, dtype=np.float64),
        tables,
        which_table,
        values,
        faults,
    )
    torn = ~np.isfinite(values.sum(axis=2))
    values[torn], faults[torn] = 0.0, NOT_FINITE
    return values, faults


def evaluate_parameters(
    parameters: NDArray[np.float64],
    phases: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """As `evaluate_with_faults`, with a boolean `valid` (scenarios, rows) in place of the fault numbers."""
    values, faults = evaluate_with_faults(parameters, phases, slots, factor, offset)
    return values, faults == 0
