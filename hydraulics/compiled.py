"""How inner loops are compiled: numba, once a folder, kept beside the sources.

Compiled functions see numbers, arrays and named tuples of arrays only. Those of one kernel share a cache folder whose
name is a digest of all its modules: numba itself looks at one module at a time and would keep old code of what another
module lends. A kernel that calls another one's functions names that one's modules among its own.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])
KERNEL = ("compiled", "chance", "sampled", "elimination", "sweep")


@dataclass(frozen=True)
class Kernel:
    """Functions that are compiled together, and the folder of their code."""

    folder: Path

    def jit(self, function: Function) -> Function:
        """The function, compiled on its first call."""
        config: Any = numba.config
        before, config.CACHE_DIR = config.CACHE_DIR, str(self.folder)
        try:
            return cast(Function, numba.njit(cache=True, error_model="numpy")(function))
        finally:
            config.CACHE_DIR = before

    def is_compiled(self) -> bool:
        """Whether an earlier process has left compiled code of the present sources."""
        return any(self.folder.rglob("*.nbi"))


def kernel(room: Path, sources: Iterable[Path]) -> Kernel:
    """The kernel made of these modules, its code in the room's `__pycache__`; a room has one.

    Folders of older sources are cleared away.
    """
    cache = room / "__pycache__"
    digest = hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()
    mine = cache / f"kernel-{digest[:16]}"
    for other in cache.glob("kernel-*"):
        if other != mine:
            shutil.rmtree(other, ignore_errors=True)
    return Kernel(mine)


_HERE = Path(__file__).parent
jit = kernel(_HERE, (_HERE / f"{name}.py" for name in KERNEL)).jit
