"""Tiny planted sites beside joint enumeration: `python -m tests.benchmarks.joint --sites 100 --table table.tsv`."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.protocol import machine, one_thread, told

PACKAGES = ("numpy", "scipy", "pyomo", "highspy")
GOOD_SHARE = 0.95


def main() -> None:
    """Run the seeds asked for; end with 1 where an answer cannot be, or too few are near the best."""
    one_thread()
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, default=100)
    asked.add_argument("--first", type=int, default=0, help="first seed")
    asked.add_argument("--table", type=Path, help="file to write into as well, tab-separated")
    given = asked.parse_args()
    failed: list[bool] = []
    told(_lines(range(given.first, given.first + given.sites), failed), given.table)
    raise SystemExit(1 if any(failed) else 0)


def _lines(seeds: range, failed: list[bool]) -> Iterator[str]:
    from tests.benchmarks.joint.answers import Answer, answer
    from tests.benchmarks.joint.planting import planted

    def line(found: Answer) -> str:
        ours = "-" if found.ours is None else f"{found.ours[0]:.2f} / {found.ours[1]:.1f}"
        state = "; ".join(found.violations) or ("good" if found.good else "not near the best")
        times = f"{found.enumerated_s:.1f}", f"{found.seconds:.1f}"
        return "\t".join(
            (str(found.seed), found.what, f"{found.best[0]:.2f} / {found.best[1]:.1f}", ours, *times, state)
        )

    yield machine(PACKAGES)
    answers = []
    for seed in seeds:
        answers.append(answer(planted(seed)))
        yield line(answers[-1])
    wrong = [str(found.seed) for found in answers if found.violations]
    far = [str(found.seed) for found in answers if not found.good]
    failed.append(bool(wrong) or len(far) > (1.0 - GOOD_SHARE) * len(answers))
    yield f"{len(answers)} sites; violations: {', '.join(wrong) or 'none'}"
    yield f"not near the best: {len(far)}: {', '.join(far) or 'none'}"
    enumerated, seconds = sum(a.enumerated_s for a in answers), sum(a.seconds for a in answers)
    yield f"{enumerated:.0f} s of enumeration, {seconds:.0f} s of ours"


if __name__ == "__main__":
    main()
