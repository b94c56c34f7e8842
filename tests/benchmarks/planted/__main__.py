"""The two random checks, as a table: `python -m tests.benchmarks.planted --sites 200 --spoiled 50`."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.planted.answers import Answer, answer_to_planted, answer_to_spoiled
from tests.benchmarks.planted.planting import planted
from tests.benchmarks.planted.spoiled import spoiled


def main() -> None:
    """Run the seeds asked for, write the table as it grows, end with 1 where an answer has a problem."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, default=0, help="planted sites")
    asked.add_argument("--spoiled", type=int, default=0, help="infeasible sites")
    asked.add_argument("--first", type=int, default=0, help="first seed of both")
    asked.add_argument("--table", type=Path, help="file to write into as well, tab-separated")
    given = asked.parse_args()
    answers = []
    with given.table.open("w", encoding="utf-8") if given.table else Path("/dev/null").open("w") as table:
        for answer in _answers(given.first, given.sites, given.spoiled):
            answers.append(answer)
            print("\t".join(_row(answer)), file=table, flush=True)
            print("  ".join(_row(answer)), flush=True)
    wrong = [answer for answer in answers if answer.problem]
    slowest = max(answers, key=lambda answer: answer.seconds, default=None)
    print(f"{len(answers)} answers, {len(wrong)} with a problem: {', '.join(str(a.seed) for a in wrong) or 'none'}")
    if slowest is not None:
        total = sum(answer.seconds for answer in answers)
        print(f"{total:.0f} s in all; the slowest, seed {slowest.seed}, took {slowest.seconds:.1f} s")
    raise SystemExit(1 if wrong else 0)


def _answers(first: int, sites: int, others: int) -> Iterator[Answer]:
    yield from (answer_to_planted(planted(seed)) for seed in range(first, first + sites))
    yield from (answer_to_spoiled(spoiled(seed)) for seed in range(first, first + others))


def _row(answer: Answer) -> tuple[str, ...]:
    ratio = f"{answer.ratio:.3f}" if answer.ratio else "-"
    problem = answer.problem or "good"
    return (str(answer.seed), answer.what, answer.asked, answer.found, ratio, f"{answer.seconds:.1f}", problem)


if __name__ == "__main__":
    main()
