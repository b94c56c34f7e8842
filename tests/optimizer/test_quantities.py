"""The quantities as a table: read back with another reader, adds up, harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.bid.quantities import COLUMNS, money, plain_text, quantities_csv
from optimizer.cautions import CAUTIONS
from optimizer.costs import CostLine


def table_of(*lines: CostLine, currency: str = "EUR") -> list[dict[str, str]]:
    text = quantities_csv(lines, currency)
    assert text.endswith("\r\n")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    cautions = [f"Caution: {sentence}" for sentence in CAUTIONS]
    assert [list(row.values()) for row in rows[-len(cautions) :]] == [[words, *[""] * 6] for words in cautions]
    return rows[: -len(cautions)]


def test_each_line_is_a_row_and_the_total_follows() -> None:
    rows = table_of(
        CostLine("fine 30", "nozzles", 54, "pc", 9.5, 513.0),
        CostLine("tubing 3 mm", "tubing", 138.43219, "m", 1.2, 166.118628),
    )
    assert list(rows[0]) == list(COLUMNS)
    assert list(rows[0].values()) == ["fine 30", "nozzles", "54", "pc", "9.50", "513.00", "EUR"]
    assert list(rows[1].values()) == ["tubing 3 mm", "tubing", "138.432", "m", "1.20", "166.12", "EUR"]
    assert list(rows[2].values()) == ["Total", "", "", "", "", "679.12", "EUR"]


def test_no_lines_cost_nothing() -> None:
    assert [row["amount"] for row in table_of()] == ["0.00"]


@given(st.lists(st.floats(0.0, 1e7), max_size=30))
def test_the_column_of_amounts_adds_up_to_the_total_to_the_last_cent(amounts: list[float]) -> None:
    rows = table_of(*(CostLine(f"item {k}", "nozzles", 1, "pc", a, a) for k, a in enumerate(amounts)))
    assert sum((Decimal(row["amount"]) for row in rows[:-1]), Decimal(0)) == Decimal(rows[-1]["amount"])


@pytest.mark.parametrize(
    ("amount", "text"), [(2.675, "2.68"), (0.125, "0.13"), (1e6, "1000000.00"), (0.0, "0.00"), (1.005, "1.01")]
)
def test_money_is_rounded_as_written_half_up(amount: float, text: str) -> None:
    """By hand; binary rounding would give 2.67 and 1.00."""
    assert str(money(amount)) == text


@pytest.mark.parametrize("item", ['=HYPERLINK("x")', "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_a_name_is_never_a_formula(item: str) -> None:
    """Starts that a spreadsheet runs: OWASP, CSV injection (memory)."""
    rows = table_of(CostLine(item, "nozzles", 1, "pc", 1.0, 1.0), currency="=A1")
    assert rows[0]["item"] == "'" + item
    assert rows[0]["currency"] == rows[1]["currency"] == "'=A1"


@given(st.text(max_size=40))
def test_any_name_comes_back_as_it_went_in(item: str) -> None:
    rows = table_of(CostLine(item, "nozzles", 1, "pc", 1.0, 1.0))
    assert rows[0]["item"] == plain_text(item)
    assert rows[0]["item"].removeprefix("'") == item.removeprefix("'")
