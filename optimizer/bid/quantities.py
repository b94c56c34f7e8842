"""The quantities of an alternative, or of its service, as a table for a spreadsheet.

Money is rounded here, once, to two decimals; the total is the sum of the rounded amounts, so the table adds
up.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from decimal import ROUND_HALF_UP, Decimal

from optimizer.cautions import CAUTIONS
from optimizer.costs import CostLine

COLUMNS = ("item", "group", "quantity", "unit", "unit_price", "amount", "currency")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def quantities_csv(lines: Sequence[CostLine], currency: str) -> str:
    """The lines of a bill as RFC 4180 text with a header, a row `Total` and the cautions; lines end with CR LF.

    quantity: in `unit`, at most three decimals; unit_price and amount: in `currency`, two decimals. Numbers
    have a decimal point and no grouping. A text that a spreadsheet would take for a formula gets an
    apostrophe in front.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(_row(line, currency) for line in lines)
    total = sum((money(line.amount) for line in lines), Decimal("0.00"))
    writer.writerow(("Total", "", "", "", "", str(total), plain_text(currency)))
    writer.writerows(caution_rows(len(COLUMNS)))
    return out.getvalue()


def caution_rows(columns: int) -> Iterator[tuple[str, ...]]:
    """The cautions as rows of a table of so many columns, each in the first."""
    for sentence in CAUTIONS:
        yield (f"Caution: {sentence}", *[""] * (columns - 1))


def money(amount: float) -> Decimal:
    """An amount rounded half up to two decimals, as invoices do."""
    return Decimal(repr(float(amount))).quantize(Decimal("0.01"), ROUND_HALF_UP)


def plain_text(text: str) -> str:
    """The text, with an apostrophe in front where a spreadsheet would otherwise run it as a formula."""
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


def _row(line: CostLine, currency: str) -> tuple[str, ...]:
    return (
        plain_text(line.item),
        plain_text(line.group),
        f"{line.quantity:.3f}".rstrip("0").rstrip("."),
        plain_text(line.unit),
        str(money(line.unit_price)),
        str(money(line.amount)),
        plain_text(currency),
    )
