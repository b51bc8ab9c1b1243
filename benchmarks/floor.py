"""How fast one core does the arithmetic of the kernels: the floor under any solver that does the same sums."""

import math
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numba import njit

from counting import FLOPS

SIZE = 1024  # complex numbers of one array; three arrays stay in the first cache


@njit(fastmath=True)
def _wide(xr, xi, br, bi, cr, ci, turns):
    """Multiply-add with real and imaginary parts apart, so that the compiler can use wide registers."""
    for _ in range(turns):
        for i in range(xr.size):
            re = xr[i] * br[i] - xi[i] * bi[i] + cr[i]
            xi[i] = xr[i] * bi[i] + xi[i] * br[i] + ci[i]
            xr[i] = re


@njit(fastmath={"contract"})
def _eight(x, b, c, turns):
    """Eight independent scalar chains of multiply-adds."""
    x0, x1, x2, x3, x4, x5, x6, x7 = x[0], x[1], x[2], x[3], x[4], x[5], x[6], x[7]
    for _ in range(turns):
        x0 = x0 * b + c
        x1 = x1 * b + c
        x2 = x2 * b + c
        x3 = x3 * b + c
        x4 = x4 * b + c
        x5 = x5 * b + c
        x6 = x6 * b + c
        x7 = x7 * b + c
    return x0 + x1 + x2 + x3 + x4 + x5 + x6 + x7


@njit(fastmath={"contract"})
def _one(x, b, c, turns):
    """One chain: every multiply-add waits for the one before, as along a bore."""
    for _ in range(turns):
        x = x * b + c
    return x


@njit(error_model="numpy")
def _divide(x, y, turns):
    for t in range(turns):
        for i in range(x.size):
            y[i] = t / x[i]


@njit
def _sine_cosine(x, y, turns):
    for _ in range(turns):
        for i in range(x.size):
            y[i] = math.sin(x[i]) + math.cos(x[i])


@njit
def _exponential(x, y, turns):
    for _ in range(turns):
        for i in range(x.size):
            y[i] = math.exp(x[i])


@njit
def _root(x, y, turns):
    for _ in range(turns):
        for i in range(x.size):
            y[i] = math.sqrt(x[i])


@njit
def _power(x, y, turns):
    for _ in range(turns):
        for i in range(x.size):
            y[i] = x[i] ** 0.7


@dataclass(frozen=True)
class Speeds:
    """Measured times of one operation on one core, ns."""

    wide_ns: float
    scalar_ns: float
    chained_ns: float
    division_ns: float
    sine_cosine_ns: float
    exponential_ns: float
    root_ns: float
    power_ns: float

    def rows(self):
        """Return (operation, ns) for the table."""
        return [
            ("complex multiply-add, wide registers, independent", self.wide_ns),
            ("complex multiply-add, one at a time, independent", self.scalar_ns),
            ("complex multiply-add, each waiting for the last", self.chained_ns),
            ("real division, independent", self.division_ns),
            ("sine and cosine of one number", self.sine_cosine_ns),
            ("exponential", self.exponential_ns),
            ("square root", self.root_ns),
            ("power with a broken exponent", self.power_ns),
        ]


def measure() -> Speeds:
    """Return the speeds of this core now; the best of several runs."""
    rng = np.random.default_rng(0)
    parts = [rng.uniform(-0.5, 0.5, SIZE) for _ in range(6)]
    x, y = rng.uniform(0.5, 1.5, SIZE), np.empty(SIZE)
    b, c, z = 0.6 + 0.3j, 0.1 + 0.2j, rng.uniform(size=8) + 0j
    turns = 200

    def each(task, operations):
        task()
        times = []
        for _ in range(15):
            begin = time.perf_counter()
            task()
            times.append(time.perf_counter() - begin)
        return min(times) / operations * 1e9

    return Speeds(
        each(lambda: _wide(*parts, turns), SIZE * turns),
        each(lambda: _eight(z, b, c, 20000), 8 * 20000),
        each(lambda: _one(0.1j, b, c, 100000), 100000),
        each(lambda: _divide(x, y, turns), SIZE * turns),
        each(lambda: _sine_cosine(x, y, 20), SIZE * 20),
        each(lambda: _exponential(x, y, 20), SIZE * 20),
        each(lambda: _root(x, y, turns), SIZE * turns),
        each(lambda: _power(x, y, 20), SIZE * 20),
    )


def floor_s(kinds: Counter, speeds: Speeds, flop_ns: float) -> float:
    """Return the least time for a tally of `counting`, s, if nothing ever waits.

    A complex division counts as two real divisions and nine other operations; a function as half of a sine with
    cosine; a complex function as an exponential, a sine and a cosine.
    """
    flops = sum(FLOPS[k] * kinds[k] for k in FLOPS) + 9 * kinds["complex division"]
    divisions = kinds["division"] + 2 * kinds["complex division"]
    functions = 0.5 * kinds["function"] + kinds["complex function"]
    ns = flops * flop_ns + divisions * speeds.division_ns
    ns += functions * speeds.sine_cosine_ns + kinds["complex function"] * speeds.exponential_ns
    return ns * 1e-9


def floors_s(kinds: Counter, speeds: Speeds) -> tuple[float, float]:
    """Return the floors of a tally with wide registers and one number at a time, s.

    A complex multiply-add is eight operations.
    """
    return floor_s(kinds, speeds, speeds.wide_ns / 8), floor_s(kinds, speeds, speeds.scalar_ns / 8)


if __name__ == "__main__":
    for what, ns in measure().rows():
        print(f"  {what:<55} {ns:7.2f} ns")
