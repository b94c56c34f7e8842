"""How the search's inner loops are compiled: numba, once a folder, kept beside the sources.

Functions marked `jit` see numbers, arrays and named tuples of arrays only. They share one cache folder whose
name is a digest of all kernel modules: numba itself looks at one module at a time and would keep old code of
what another module lends. Random numbers: xorshift64* (Vigna 2016, ACM TOMS 42:30, memory), whose state the
caller holds, so that a search may pause and go on.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

Function = TypeVar("Function", bound=Callable[..., Any])
Dice = NDArray[np.uint64]
KERNEL = ("compiled", "flat", "state", "hung", "labels", "sizing", "rules", "grow", "moves", "anneal")


def _folder() -> Path:
    """The cache folder of the present sources; folders of older ones are cleared away."""
    here = Path(__file__).parent
    sources = b"".join((here / f"{name}.py").read_bytes() for name in KERNEL)
    cache = here / "__pycache__"
    mine = cache / f"kernel-{hashlib.sha256(sources).hexdigest()[:16]}"
    for other in cache.glob("kernel-*"):
        if other != mine:
            shutil.rmtree(other, ignore_errors=True)
    return mine


_FOLDER = _folder()


def is_compiled() -> bool:
    """Whether an earlier process has left compiled code of the present sources."""
    return any(_FOLDER.rglob("*.nbi"))


def jit(function: Function) -> Function:
    """The function, compiled on its first call."""
    config: Any = numba.config
    before, config.CACHE_DIR = config.CACHE_DIR, str(_FOLDER)
    try:
        return cast(Function, numba.njit(cache=True, error_model="numpy")(function))
    finally:
        config.CACHE_DIR = before


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
