"""Random sites with relief, judged from outside: `python -m tests.benchmarks.relief --sites 300 --table table.tsv`."""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

from tests.benchmarks.relief.answers import Answer, answer
from tests.benchmarks.relief.sites import drawn


def main() -> None:
    """Run the seeds asked for, write the table as it grows, end with 1 where a design called verified breaks a rule."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, default=300, help="how many seeds")
    asked.add_argument("--first", type=int, default=0, help="first seed")
    asked.add_argument("--table", type=Path, help="file to write into as well, tab-separated")
    given = asked.parse_args()
    answers: list[Answer] = []
    with given.table.open("w", encoding="utf-8") if given.table else Path("/dev/null").open("w") as table:
        for seed in range(given.first, given.first + given.sites):
            answers.append(answer(drawn(seed)))
            print("\t".join(_row(answers[-1])), file=table, flush=True)
            print("  ".join(_row(answers[-1])), flush=True)
    for verdict, count in sorted(Counter(one.verdict for one in answers).items()):
        print(f"{verdict}: {count}")
    for words, count in sorted(Counter(one.mended for one in answers if one.verdict == "verified").items()):
        print(f"verified, above the band mended by {words or 'nothing, none was'}: {count}")
    broken = [one.seed for one in answers if one.broken]
    print(f"called verified but broken: {', '.join(map(str, broken)) or 'none'}")
    print(f"{sum(one.seconds for one in answers):.0f} processor seconds")
    raise SystemExit(1 if broken else 0)


def _row(one: Answer) -> tuple[str, ...]:
    return (str(one.seed), one.what, one.verdict, one.reason or "-", f"{one.nozzles} nozzles",
            f"{one.reducers} reducers", one.mended or "-", f"{one.seconds:.1f} s", "; ".join(one.broken) or "good")


if __name__ == "__main__":
    main()
