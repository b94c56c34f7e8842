"""The frontier of an alternative as rows of words, for the terminal."""

from __future__ import annotations

from hydraulics.units import System, show
from optimizer.study import Alternative

HEADING = "Cost against coverage: every point is a verified design"
COLUMNS = ("option", "price", "covered area", "weighted share", "no design covers more than", "nozzles", "tubing")


def frontier_rows(one: Alternative, currency: str, units: System) -> list[tuple[str, ...]]:
    """A row for each point, cheapest first; the bound as a share of the zones' weighted area."""
    rows: list[tuple[str, ...]] = []
    for point in one.frontier:
        whole = point.weighted_area_m2 / point.weighted_share if point.weighted_share else float("inf")
        rows.append(
            (
                one.option,
                f"{point.price:,.0f} {currency}",
                show(point.covered_area_m2, "area", units, 0),
                f"{100.0 * point.weighted_share:.1f} %",
                f"{100.0 * point.bound_weighted_m2 / whole:.1f} %",
                str(point.nozzle_count),
                show(point.tubing_m, "length", units, 0),
            )
        )
    return rows
