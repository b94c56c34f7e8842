"""How long maps, matrices and accounts of mist take on one thread: `python -m tests.benchmarks.mist`."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from tests.benchmarks.protocol import head, machine, one_thread, row, told

one_thread()

from tests.benchmarks.mist.cases import Case, drawn  # noqa: E402  (after the threads are set)

T = TypeVar("T")
CASES = ((50, 10_000), (500, 40_000), (500, 160_000), (2000, 40_000))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--table", type=Path, help="file for the table as well")
    told(lines(), parser.parse_args().table)


def lines() -> Iterator[str]:
    yield machine(("numpy", "scipy", "numba"))
    run(drawn(5, 2500))  # compiles
    yield from head("nozzles", "cells", "classes", "wind states", "maps, s", "matrices, s", "kept of them",
                    "account, s", "balance off by")
    for nozzles, cells in CASES:
        yield run(drawn(nozzles, cells))


def run(case: Case) -> str:
    maps_s, _ = timed(case.maps)
    matrices_s, matrices = timed(case.matrices)
    account_s, account = timed(case.account)
    return row(*(str(count) for count in case.sizes()), f"{maps_s:.2f}", f"{matrices_s:.2f}",
               f"{matrices.airborne_s_m3.nnz / case.entries():.0%}", f"{account_s:.2f}",
               f"{account.imbalance_share:.0e}")


def timed(action: Callable[[], T]) -> tuple[float, T]:
    """Processor seconds and answer."""
    began = time.process_time()
    answer = action()
    return time.process_time() - began, answer


if __name__ == "__main__":
    main()
