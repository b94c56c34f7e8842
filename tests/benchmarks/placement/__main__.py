"""The benchmark of placement: `python -m tests.benchmarks.placement --cases a,d --peers HiGHS,greedy --table table.md`.

Each line runs in a process of its own on one thread, so that its peak memory is its own. Times are processor seconds;
only --cap is by the clock.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import TextIO

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
PACKAGES = ("numpy", "scipy", "shapely", "pyomo", "highspy", "ortools", "spopt")
PEER_NAMES = ("HiGHS", "greedy", "CP-SAT", "spopt")


def main() -> None:
    """Measure the cases asked for and write the tables as they grow."""
    os.environ.update(dict.fromkeys(THREADS, "1"))  # before numpy is loaded, here and in the processes
    given = _asked()
    with given.table.open("w", encoding="utf-8") if given.table else Path("/dev/null").open("w") as table:
        for line in _lines(given):
            for out in (table, sys.stdout):
                _write(line, out)


def _asked() -> argparse.Namespace:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=_listed, default=["a", "b", "c", "d"], help="names, by comma; all: every case")
    asked.add_argument("--rules", type=_listed, default=["least", "rows"], help="least, rows")
    asked.add_argument("--peers", type=_listed, default=[], help=f"of {', '.join(PEER_NAMES)}; all: every one")
    asked.add_argument("--cap", type=float, default=60.0, help="seconds at most of every solver")
    asked.add_argument("--study", action="store_true", help="from files to a verified design instead")
    asked.add_argument("--table", type=Path, help="file to write into as well")
    return asked.parse_args()


def _listed(text: str) -> list[str]:
    return [name for name in text.split(",") if name]


def _lines(given: argparse.Namespace) -> Iterator[str]:
    from tests.benchmarks.placement import table
    from tests.benchmarks.placement.cases import CASES
    from tests.benchmarks.placement.measure import measured, studied

    cases = [case for case in CASES if case.name in given.cases or given.cases == ["all"]]
    peers = PEER_NAMES if given.peers == ["all"] else given.peers
    yield _machine()
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


def _machine() -> str:
    """Date, machine and versions: of the figures that follow."""
    versions = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    return (
        f"{datetime.now(UTC):%Y-%m-%d}, {_processor()}, one thread; Python {platform.python_version()}, {versions}.\n"
    )


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    lines = info.read_text(encoding="utf-8").splitlines() if info.exists() else []
    return next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), platform.machine())


def _write(line: str, out: TextIO) -> None:
    print(line, file=out, flush=True)


if __name__ == "__main__":
    main()
