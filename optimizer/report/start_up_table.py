"""How the runs of a design fill and are blown out, as a table for installers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator

from optimizer.appraisal.start_up import CircuitStart
from optimizer.bid.quantities import caution_rows, plain_text

COLUMNS = (
    "circuit", "run", "tubing_m", "holds_l", "nozzles", "drained_full_after_s", "drained_last_nozzle_after_s",
    "blow_out_ends",
)  # fmt: skip


def start_up_csv(starts: Iterable[CircuitStart]) -> str:
    """One row a run, then what each circuit holds and does, in words, and the cautions; RFC 4180, lines end with CR LF.

    blow_out_ends: the ends of the run as order: node (litres that it clears), one after the other from 1 on in each
    circuit. Times are from drained lines with the ends shut; empty where they never come.
    """
    starts = tuple(starts)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(row for start in starts for row in _rows(start))
    told = (text for start in starts for text in (start.words, *start.faults, _air(start)))
    writer.writerows((plain_text(text), *[""] * (len(COLUMNS) - 1)) for text in told)
    writer.writerows(caution_rows(len(COLUMNS)))
    return out.getvalue()


def _rows(start: CircuitStart) -> Iterator[tuple[str, ...]]:
    for line in start.lines:
        yield (
            plain_text(start.circuit),
            plain_text(line.run),
            f"{line.tubing_m:.2f}",
            f"{line.litres:.3f}",
            str(line.nozzles),
            _seconds(line.full_s),
            _seconds(line.last_open_s),
            "; ".join(f"{order}: {node} ({litres:.3f} L)" for order, node, litres in line.ends),
        )


def _air(start: CircuitStart) -> str:
    return (
        f"{start.circuit}, to blow it out: open its ends one after the other in this order; keep the air below "
        f"{start.blow_out_pa / 1e5:.1f} bar, where the nozzles open; that takes at least "
        f"{start.blow_out_litres:.1f} L of free air"
    )


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"
