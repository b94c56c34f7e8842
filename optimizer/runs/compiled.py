"""The kernel of the search's inner loops, compiled by `hydraulics.compiled`, and its random numbers.

Random numbers: xorshift64* (Vigna 2016, ACM TOMS 42:30, memory), whose state the caller holds, so that a search may
pause and go on.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hydraulics.compiled import kernel

Dice = NDArray[np.uint64]
KERNEL = ("compiled", "flat", "state", "hung", "labels", "sizing", "rules", "grow", "moves", "anneal")

_HERE = Path(__file__).parent
_SEARCH = kernel(_HERE, (_HERE / f"{name}.py" for name in KERNEL))
jit, is_compiled = _SEARCH.jit, _SEARCH.is_compiled


def dice(seed: int) -> Dice:
    """Random state of a seed: one splitmix64 step, so that neighbouring seeds differ in every bit."""
    x = (seed * 0x9E3779B97F4A7C15 + 0x9E3779B97F4A7C15) % 2**64
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) % 2**64
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) % 2**64
    return np.array([(x ^ (x >> 31)) or 1], dtype=np.uint64)


@jit
def uniform(state: Dice) -> float:
    """A number of [0, 1)."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return np.float64((x * np.uint64(2685821657736338717)) >> np.uint64(11)) * 2.0**-53


@jit
def pick(state: Dice, count: int) -> int:
    """A whole number of 0 .. count - 1."""
    return int(uniform(state) * count)
