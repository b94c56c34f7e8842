"""The benchmark of placement: `python -m tests.benchmarks.placement --cases a,d --peers HiGHS,greedy --table table.md`.

Each line runs in a process of its own on one thread, so that its peak memory is its own. Times are processor seconds;
only --cap is by the clock.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.protocol import listed, machine, one_thread, told

PACKAGES = ("numpy", "scipy", "shapely", "pyomo", "highspy", "ortools", "spopt")
PEER_NAMES = ("HiGHS", "greedy", "CP-SAT", "spopt")


def main() -> None:
    """Measure the cases asked for and write the tables as they grow."""
    one_thread()
    given = _asked()
    told(_lines(given), given.table)


def _asked() -> argparse.Namespace:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=listed, default=["a", "b", "c", "d"], help="names, by comma; all: every case")
    asked.add_argument("--rules", type=listed, default=["least", "rows"], help="least, rows")
    asked.add_argument("--peers", type=listed, default=[], help=f"of {', '.join(PEER_NAMES)}; all: every one")
    asked.add_argument("--cap", type=float, default=60.0, help="seconds at most of every solver")
    asked.add_argument("--study", action="store_true", help="from files to a verified design instead")
    asked.add_argument("--table", type=Path, help="file to write into as well")
    return asked.parse_args()


def _lines(given: argparse.Namespace) -> Iterator[str]:
    from tests.benchmarks.placement import table
    from tests.benchmarks.placement.cases import CASES
    from tests.benchmarks.placement.measure import measured, studied

    cases = [case for case in CASES if case.name in given.cases or given.cases == ["all"]]
    peers = PEER_NAMES if given.peers == ["all"] else given.peers
    yield machine(PACKAGES)
    yield from table.study_head() if given.study else table.head()
    rows = []
    for case, rules in ((case, rules) for case in cases for rules in given.rules):
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
            if given.study:
                yield table.study_row(alone.submit(studied, case, rules).result())
            else:
                rows.append(alone.submit(measured, case, rules, peers, given.cap).result())
                yield table.row(rows[-1])
    if peers and not given.study:
        yield from table.peers_head(given.cap)
        for row in rows:
            yield from table.peer_rows(row)


if __name__ == "__main__":
    main()
