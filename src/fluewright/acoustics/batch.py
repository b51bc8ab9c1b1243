"""Solves many instruments of one shape, over all cores: yield studies, tolerance draws, maps of two sizes."""

import math
import os
import signal
import time
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import Network
from fluewright.acoustics.resonance import resonances
from fluewright.arrays import BoolArray, FloatArray
from fluewright.errors import ComputeError, InputError

__all__ = ["BatchResult", "predict_many"]


LONGEST_SIZE_M = 5.0
# A pool of fresh processes is up after about this long; what takes less is done here.
POOL_START_S = 2.5
CHUNK_S = 0.25
LARGEST_CHUNK = 2000


@dataclass(frozen=True)
class BatchResult:
    """What `predict_many` found, one row a set of sizes, one column a fingering of the network.

    Attributes
    ----------
    frequencies_hz : array, shape (m, n_notes)
        NaN in the rows that failed.
    quality : array, shape (m, n_notes)
    by_dimension : array, shape (m, n_notes, n_dimensions), or None
        Cents per mm (or degree) of every named dimension, when sensitivities were asked for.
    failed : bool array, shape (m,)
        The sizes make no instrument, or one of its notes has no resonance.
    """

    frequencies_hz: FloatArray
    quality: FloatArray
    by_dimension: FloatArray | None
    failed: BoolArray


def predict_many(
    network: Network, sizes: FloatArray, *, workers: int | None = None, sensitivities: bool = False
) -> BatchResult:
    """Solve every row of sizes for all fingerings of the network.

    Each row is solved by itself, as `resonances(network, sizes=row)` does: the result is the same to the last bit
    for any number of workers and any order of rows, once the kernels are in their cache. A process that has just
    compiled them itself rounds some last digits otherwise (about 1e-15 relative) than one that loads them.

    Parameters
    ----------
    network : Network
        Shape, air, fingerings and rules; its own sizes are not used.
    sizes : array, shape (m, n_sizes)
        Vectors of sizes of the network's layout, SI; m may be 0.
    workers : int, optional
        Number of processes; 1 stays in this one. By default one a core, or none for a job of less than a few
        seconds. Processes are spawned, never forked: a script that calls this must guard its main part with
        ``if __name__ == "__main__":``; where it does not, the work is done in this process.
    sensitivities : bool
        Also give the sensitivities to every named dimension.

    Returns
    -------
    BatchResult
        A row that fails is NaN and marked; it stops nothing.

    Raises
    ------
    InputError
        `sizes` has another shape than the network's vector, or `workers` is below 1.
    KeyboardInterrupt
        Stopped by hand: no process is left behind.
    """
    table = np.ascontiguousarray(sizes, dtype=float)
    if table.ndim != 2 or table.shape[1] != network.sizes.size:
        raise InputError(
            f"batch: the sizes have shape {table.shape}; this network needs (any number, {network.sizes.size})"
        )
    if workers is not None and workers < 1:
        raise InputError(f"batch: workers is {workers}; give 1 or more, or leave it out for one a core")
    m = table.shape[0]
    result = _blank(m, network, sensitivities)
    done = 0
    if workers is None:
        # A first stretch here warms the kernels' cache for all and says how long the rest will take.
        cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
        _fill(result, 0, _solve_rows(network, table[:4], sensitivities))
        done = min(4, m)
        began = time.perf_counter()
        stop = min(m, done + 64)
        _fill(result, done, _solve_rows(network, table[done:stop], sensitivities))
        row_s = (time.perf_counter() - began) / max(stop - done, 1)
        done = stop
        rest_s = row_s * (m - done)
        workers = cores if rest_s * (1.0 - 1.0 / cores) > POOL_START_S else 1
        chunk = min(max(int(CHUNK_S / max(row_s, 1e-6)), 16), LARGEST_CHUNK)
    else:
        if workers > 1 and m > 1:
            # One row here fills the kernels' cache, so that the processes find them compiled.
            _fill(result, 0, _solve_rows(network, table[:1], sensitivities))
            done = 1
        chunk = min(max(math.ceil((m - done) / (4 * workers)), 1), LARGEST_CHUNK)
    starts = range(done, m, chunk)
    if workers == 1 or len(starts) < 2:
        for at in starts:
            _fill(result, at, _solve_rows(network, table[at : at + chunk], sensitivities))
        return result
    _solve_in_pool(network, table, result, starts, chunk, min(workers, len(starts)), sensitivities)
    return result


def _blank(m: int, network: Network, sensitivities: bool) -> BatchResult:
    notes = len(network.fingerings)
    return BatchResult(
        np.full((m, notes), np.nan),
        np.full((m, notes), np.nan),
        np.full((m, notes, len(network.dimensions)), np.nan) if sensitivities else None,
        np.ones(m, dtype=bool),
    )


def _fill(result: BatchResult, at: int, part: BatchResult) -> None:
    """Put a part's rows into the result, beginning at row `at`."""
    stop = at + part.failed.size
    result.frequencies_hz[at:stop] = part.frequencies_hz
    result.quality[at:stop] = part.quality
    result.failed[at:stop] = part.failed
    if result.by_dimension is not None and part.by_dimension is not None:
        result.by_dimension[at:stop] = part.by_dimension


def _solve_rows(network: Network, table: FloatArray, sensitivities: bool) -> BatchResult:
    """Solve rows one by one."""
    part = _blank(table.shape[0], network, sensitivities)
    for i, row in enumerate(table):
        if not _possible(network, row):
            continue
        try:
            solved = resonances(network, sizes=row, sensitivities=sensitivities)
        except (ComputeError, ArithmeticError, ValueError):
            # No resonance, or sizes that no formula can take: the row stays NaN.
            continue
        part.frequencies_hz[i] = solved.frequencies_hz
        part.quality[i] = solved.quality
        if part.by_dimension is not None:
            part.by_dimension[i] = solved.by_dimension_cents
        part.failed[i] = False
    return part


def _possible(network: Network, row: FloatArray) -> bool:
    """Say whether the sizes make an instrument; the kernels take any numbers and would give some for nonsense."""
    if not np.isfinite(row).all() or np.abs(row[offsets.HEAD_SIZES :]).max(initial=0.0) > LONGEST_SIZE_M:
        return False
    first_bore = offsets.HEAD_SIZES
    first_out = first_bore + 2 * network.n_bore
    first_hole = first_out + 2 * network.n_out
    bore, outside = row[first_bore:first_out].reshape(-1, 2), row[first_out:first_hole].reshape(-1, 2)
    holes = row[first_hole:].reshape(network.n_holes, HOLE_SIZES)
    edge, foot = row[offsets.WINDOW_LENGTH], bore[-1, 0]
    if not (
        row[offsets.WINDOW_LENGTH] > max(row[offsets.BLOCK_DEPTH], 0.0)
        and row[offsets.WINDOW_WIDTH] > 0.0
        and 0.0 < row[offsets.RAMP] < 0.5 * math.pi
        and row[offsets.LOSS] >= 0.0
        and row[offsets.C_SCALE] > 0.0
        and 0.0 < row[offsets.HALF] < 1.0
        and foot > edge
        and _in_order(bore[:, 0])
        and _in_order(outside[:, 0])
        and bore[:, 1].min() > 0.0
        and outside[:, 1].min() > 0.0
    ):
        return False
    places = np.concatenate([holes[:, 0], bore[:, 0], outside[:, 0]])
    inner = np.interp(places, bore[:, 0], bore[:, 1])
    if not (np.interp(places, outside[:, 0], outside[:, 1]) > inner).all():
        return False
    # At a step the same on the head's side, where a place seen from the foot finds the upper station.
    above = np.interp(-places, -bore[::-1, 0], bore[::-1, 1])
    if not (np.interp(-places, -outside[::-1, 0], outside[::-1, 1]) > above).all():
        return False
    n = network.n_holes
    return bool(
        (holes[:, 1] > 0.0).all()
        and (holes[:, 1] < inner[:n]).all()
        and (holes[:, 0] > edge).all()
        and (holes[:, 0] < foot).all()
        and (holes[:, 2:] >= 0.0).all()
    )


def _in_order(places: FloatArray) -> bool:
    """Say whether stations follow each other; two at one place, inside, are a step."""
    gaps = np.diff(places)
    steps = gaps == 0.0
    ends_or_triple = steps[0] or steps[-1] or (steps[1:] & steps[:-1]).any()
    return bool((gaps >= 0.0).all() and not ends_or_triple)


# The network of this worker process, set once when it starts.
_workers_network: list[Network] = []


def _begin_worker(network: Network) -> None:
    # Ctrl-C is for the parent, which stops the pool; a worker would only print a traceback.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _workers_network[:] = [network]


def _work(table: FloatArray, sensitivities: bool) -> BatchResult:
    return _solve_rows(_workers_network[0], table, sensitivities)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while processes start, so that none of them gets it before it can ignore it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _solve_in_pool(
    network: Network,
    table: FloatArray,
    result: BatchResult,
    starts: range,
    chunk: int,
    workers: int,
    sensitivities: bool,
) -> None:
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin_worker, initargs=(network,))
    parts: dict[int, Future[BatchResult]] = {}
    try:
        with _interrupts_held():
            for at in starts:
                parts[at] = pool.submit(_work, table[at : at + chunk], sensitivities)
        for at, part in parts.items():
            _fill(result, at, part.result())
    except BrokenProcessPool:
        # Processes cannot be started here (no importable main part) or were killed: what is missing is done here.
        for at in starts:
            begun = parts.get(at)
            if begun is not None and begun.done() and not begun.cancelled() and begun.exception() is None:
                _fill(result, at, begun.result())
            else:
                _fill(result, at, _solve_rows(network, table[at : at + chunk], sensitivities))
    finally:
        # Chunks that have begun end within a fraction of a second; the others are dropped.
        pool.shutdown(wait=True, cancel_futures=True)
