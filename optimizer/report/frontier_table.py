"""The frontiers of alternatives as tables of words, for the terminal."""

from __future__ import annotations

from hydraulics.units import System, show
from optimizer.study import Alternative, Study

COST_HEADING = "Cost against coverage: every point is a verified design"
COST_COLUMNS = ("option", "price", "covered area", "weighted share", "no design covers more than", "nozzles", "tubing")

DRIFT_HEADING = "Coverage against drift over the boundary: every point is a placement, no run split is made for it"
DRIFT_COLUMNS = ("option", "drift, at most", "weighted area", "no placement covers more than", "nozzles")

Rows = list[tuple[str, ...]]


def frontier_tables(study: Study, units: System) -> list[tuple[str, tuple[str, ...], Rows]]:
    """Heading, columns and rows of each frontier that some alternative has."""
    cost = [row for one in study.alternatives for row in frontier_rows(one, study.currency, units)]
    drift = [row for one in study.alternatives for row in drift_rows(one, units)]
    tables = [(COST_HEADING, COST_COLUMNS, cost), (DRIFT_HEADING, DRIFT_COLUMNS, drift)]
    return [table for table in tables if table[2]]


def drift_rows(one: Alternative, units: System) -> Rows:
    """A row for each point, the one of least drift first."""
    return [
        (
            one.option,
            f"{100.0 * point.drift:.1f} %",
            show(point.value_m2, "area", units, 0),
            show(point.bound_m2, "area", units, 0),
            str(point.nozzle_count),
        )
        for point in (one.mist.calm.points if one.mist else ())
    ]


def frontier_rows(one: Alternative, currency: str, units: System) -> Rows:
    """A row for each point, cheapest first; the bound as a share of the zones' weighted area."""
    rows: Rows = []
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
