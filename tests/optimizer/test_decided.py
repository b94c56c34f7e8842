"""What decides between alternatives: bills and areas invented, differences reckoned by hand."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from optimizer.appraisal.decided import Contender, Decision, Difference, decision
from optimizer.costs import CostLine

README = Path(__file__).resolve().parents[2] / "README.md"


def contender(option: str, area: float, **parts: float) -> Contender:
    lines = [CostLine(name, name.replace("_", " "), 1, "pc", amount, amount) for name, amount in parts.items()]  # type: ignore[arg-type]
    return Contender(option, area, tuple(lines))


ONE = contender("one", 500.0, nozzles=250, tubing=600, ground=300, pump_unit=2600, site_works=0)
TWO = contender("two", 640.0, nozzles=480, tubing=650, ground=350, pump_unit=5200, site_works=500)
SPLIT = contender("split", 637.0, nozzles=480, tubing=900, ground=350, pump_unit=2800, site_works=0)


def test_the_cheapest_of_those_that_cover_the_most_is_compared_with() -> None:
    """split 4,530 and two 7,180 cover alike (0.5 %); two costs 2,650 more, of it pump units 2,400; one costs 780 less
    and covers 137 less: 5.69 a weighted m²; its savings: tubing 300, nozzles 230, pump unit 200, ground 50."""
    found = decision([ONE, TWO, SPLIT], "EUR")
    assert found is not None and found.best == "split"
    one, two = found.differences
    assert (two.option, two.cost, two.weighted_m2, two.decided, two.cost_per_m2) == (
        "two", 2650.0, 3.0, ("pump unit",), None
    )  # fmt: skip
    assert dict(two.parts) == {
        "pump unit": 2400.0, "site works": 500.0, "tubing": -250.0, "nozzles": 0.0, "ground": 0.0
    }  # fmt: skip
    assert (one.cost, one.weighted_m2, one.decided) == (-780.0, -137.0, ("tubing", "nozzles"))
    assert one.cost_per_m2 == pytest.approx(780 / 137)
    assert found.statement == (
        "Of the 2 that cover the most within 1 %, split costs least, 4,530 EUR. "
        "one costs 780 EUR less and covers 137 weighted m² less; tubing and nozzles decide "
        "(tubing -300, nozzles -230, pump unit -200, ground -50); 5.7 EUR for each weighted m² between them. "
        "two costs 2,650 EUR more and covers 3 weighted m² more; pump unit decides "
        "(pump unit +2,400, site works +500, tubing -250)."
    )


def test_parts_add_up_to_the_difference() -> None:
    found = decision([ONE, TWO, SPLIT], "EUR")
    assert found is not None
    for one in found.differences:
        assert sum(one.parts.values()) == pytest.approx(one.cost)
        along = sum(one.parts[group] for group in one.decided)
        assert along / one.cost >= 0.5


def test_who_alone_covers_the_most_says_so() -> None:
    found = decision([ONE, TWO], "EUR")
    assert found is not None
    assert found.statement.startswith("two covers the most, for 7,180 EUR. one costs 3,430 EUR less")


def test_a_dearer_one_that_covers_less_has_no_price_a_square_metre() -> None:
    worse = contender("worse", 400.0, tubing=9000)
    found = decision([worse, TWO], "EUR")
    assert found is not None
    (other,) = found.differences
    assert other.cost_per_m2 is None and "for each" not in found.statement


def test_alternatives_alike_differ_by_nothing() -> None:
    found = decision([TWO, Contender("twin", TWO.weighted_m2, TWO.costs)], "EUR")
    assert found is not None and found.best == "two"
    assert found.differences[0].decided == ()
    assert "twin costs the same and covers as much." in found.statement


def test_one_alone_decides_nothing() -> None:
    assert decision([ONE], "EUR") is None and decision([], "EUR") is None


def test_every_member_is_told_in_the_readme() -> None:
    told = set(re.findall(r"`(\w+)`", README.read_text(encoding="utf-8")))
    assert {field.name for kind in (Decision, Difference) for field in fields(kind)} | {"decided"} <= told
