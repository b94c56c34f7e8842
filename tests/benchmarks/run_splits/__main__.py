"""The benchmark of run splits: `python -m tests.benchmarks.run_splits --cases 75,140 --peers HiGHS --table table.md`.

Each case runs in a process of its own on one thread, so that its peak memory is its own. Times are processor seconds.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.protocol import listed, machine, one_thread, told

PACKAGES = ("numpy", "scipy", "pyomo", "highspy")


def main() -> None:
    """Measure the cases asked for and write the tables as they grow."""
    one_thread()
    given = _asked()
    told(_lines(given), given.table)


def _asked() -> argparse.Namespace:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=listed, default=["75", "140"], help="names, by comma; all: every case")
    asked.add_argument("--seeds", type=int, default=5, help="seeds of the search, from 0")
    asked.add_argument("--evaluations", type=int, default=4000, help="run splits that each search looks at")
    asked.add_argument("--gap", type=float, default=0.004, help="gap at which proving ends")
    asked.add_argument("--cap", type=float, default=60.0, help="processor seconds of proving at most")
    asked.add_argument("--peers", type=listed, default=[], help="HiGHS, by hand")
    asked.add_argument("--table", type=Path, help="file to write into as well")
    return asked.parse_args()


def _lines(given: argparse.Namespace) -> Iterator[str]:
    from tests.benchmarks.run_splits import table
    from tests.benchmarks.run_splits.cases import CASES
    from tests.benchmarks.run_splits.measure import measured

    cases = [case for case in CASES if case.name in given.cases or given.cases == ["all"]]
    yield machine(PACKAGES)
    yield from table.head()
    rows = []
    for case in cases:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
            asked = alone.submit(measured, case, given.seeds, given.evaluations, given.gap, given.cap, given.peers)
            rows.append(asked.result())
        yield table.row(rows[-1])
    if given.peers:
        yield from table.peers_head()
        for row in rows:
            yield from table.peer_rows(row)


if __name__ == "__main__":
    main()
