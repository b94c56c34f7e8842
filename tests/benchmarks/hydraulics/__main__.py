"""Hydraulics against the EPANET engine: `python -m tests.benchmarks.hydraulics [--table FILE]`."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

from tests.benchmarks.protocol import listed, machine, one_thread, told

SUBJECTS = ("one_solve", "samples")  # modules with a function `lines`, which measures and tells


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--subjects", default=",".join(SUBJECTS))
    parser.add_argument("--table", type=Path)
    asked = parser.parse_args()
    one_thread()
    told(_lines(listed(asked.subjects)), asked.table)


def _lines(subjects: list[str]) -> Iterator[str]:
    yield machine(("numpy", "scipy", "numba", "epyt"))
    for subject in subjects:
        yield from import_module(f"tests.benchmarks.hydraulics.{subject}").lines()
        yield ""


if __name__ == "__main__":
    main()
