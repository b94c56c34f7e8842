"""An appraisal in words for people: rows of a table and remarks, every number with its unit. Nothing is computed."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence

from hydraulics.units import System, show
from optimizer.appraisal.figures import Appraisal, Rival

NONE = "–"
LEAST_SHOWN_M2 = 0.05

HEADING = "Value against practice, and if the reach were another"
MEANING = (
    "Practice is an even pitch by hand with as many nozzles, anchored at ends and corners, tighter in front of "
    "priority zones; its tubing is not designed, and neither it nor greedy is asked for a least coverage. Weighted: "
    "area times the priority of its zone, where two nozzles must reach ground by the cell model. Next nozzle: what "
    "one more would add; last: what the least valuable one is worth."
)

Cell = Callable[[Appraisal], str]


def worth_rows(units: System) -> Sequence[tuple[str, Cell]]:
    """Name of each row, and how its cell is written."""

    def area(of: Callable[[Appraisal], float | None], digits: int) -> Cell:
        return lambda one: NONE if (area_m2 := of(one)) is None else show(area_m2, "area", units, digits)

    return (
        ("more than practice, weighted", lambda one: _gain(one.practice, "gained_weighted")),
        ("more than practice, area", lambda one: _gain(one.practice, "gained")),
        ("saved against practice", _saved),
        ("more than greedy, weighted", lambda one: _gain(one.greedy, "gained_weighted")),
        ("more than greedy, area", lambda one: _gain(one.greedy, "gained")),
        ("next nozzle, weighted", area(lambda one: one.next_nozzle_m2, 1)),
        ("last nozzle, weighted", area(lambda one: one.last_nozzle_m2, 1)),
        ("reach is", lambda one: one.reach_source),
        ("covered area at reach −30 %", area(lambda one: one.reach[0].covered_area_m2, 0)),
        ("covered area at reach +30 %", area(lambda one: one.reach[-1].covered_area_m2, 0)),
    )


def worth_remarks(one: Appraisal, units: System) -> Iterator[str]:
    """What a designer must know of it beside the table, a sentence each."""
    left = sum(zone.area_m2 for zone in one.uncovered)
    if left > 0.0:
        parts = ", ".join(f"{cause} {show(area_m2, 'area', units)}" for cause, area_m2 in _by_cause(one))
        yield f"{show(left, 'area', units)} of the zones stay uncovered: {parts}"
    if one.gaps:
        longest = max(one.gaps, key=lambda gap: gap.length_m)
        kinds = ", ".join(
            f"{count} {reason}" for reason, count in Counter(gap.reason for gap in one.gaps).most_common()
        )
        yield (
            f"{len(one.gaps)} gaps along lines are longer than the greatest spacing ({kinds}); the longest, "
            f"{show(longest.length_m, 'length', units)}, on {longest.line}"
        )
    for case in one.reach:
        if case.nozzles_in_keep_outs:
            yield (
                f"at reach {100 * (case.factor - 1):+.0f} % the mist of {case.nozzles_in_keep_outs} nozzles would come "
                "within the setback of keep-outs"
            )


def _by_cause(one: Appraisal) -> list[tuple[str, float]]:
    """Uncovered area of all zones by cause, largest first, without what would show as nothing."""
    total: dict[str, float] = defaultdict(float)
    for zone in one.uncovered:
        for cause in zone.causes:
            total[cause.cause + (f" ({cause.detail})" if cause.detail else "")] += cause.area_m2
    return sorted(((cause, area) for cause, area in total.items() if area >= LEAST_SHOWN_M2), key=lambda one: -one[1])


def _gain(rival: Rival | None, name: str) -> str:
    share = None if rival is None else getattr(rival, name)
    return NONE if share is None else f"{100.0 * share:+.1f} %"


def _saved(one: Appraisal) -> str:
    return NONE if one.nozzles_saved is None else f"{one.nozzles_saved} nozzle{'' if one.nozzles_saved == 1 else 's'}"
