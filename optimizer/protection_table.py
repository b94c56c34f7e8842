"""What a design has of every rule of protection, and what else must be known of them, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from geometry.clearance import kind_words, nearest_m
from geometry.geojson import geometry_of
from geometry.site import BOUNDARY
from hydraulics.units import show_both
from optimizer.brief import Option
from optimizer.design import Design
from optimizer.instance import within_nozzle_flow
from optimizer.protected import keeps, reached
from optimizer.protection import DISTANCES, Stated, amount, binding, strictest
from optimizer.scenario import Scenario

_UNITS = {"small_flow": "m3/s", "rate": "m3/m2", "length": "m", "speed": "m/s", "": ""}
_BY_HAND = "kept by those who run it"


@dataclass(frozen=True)
class Row:
    """A rule with the statement that binds, what the design has of it (None: nothing that the design decides), whether
    it keeps it, and what other sources state."""

    limit: Stated
    reached: float | None
    kept: bool | None
    others: tuple[Stated, ...]

    @property
    def unit(self) -> str:
        """SI unit of value and reached, "" of a plain number."""
        return _UNITS[self.limit.kind.quantity]

    def record(self) -> dict[str, Any]:
        """The row as study.json has it."""
        return {
            "rule": self.limit.name,
            "value": self.limit.value,
            "unit": self.unit,
            "source": self.limit.source,
            "reached": self.reached,
            "kept": self.kept,
            "others": [{"value": one.value, "source": one.source} for one in self.others],
            "words": self.words,
        }

    @property
    def words(self) -> str:
        """A sentence."""
        of = self.limit.of and f" from {'the boundary' if self.limit.of == BOUNDARY else kind_words(self.limit.of)}"
        here = f"here {amount(self.limit.rule, self.reached)}" if self.reached is not None else _BY_HAND
        broken = ", BROKEN" if self.kept is False else ""
        others = "; ".join(one.words for one in self.others)
        also = f"; less strict: {others}" if others else ""
        return f"{self.limit.kind.words}{of}: {self.limit.words}, {here}{broken}{also}"


def protection_rows(scenario: Scenario, design: Design) -> tuple[Row, ...]:
    """Every rule that some source states, in the order of RULES; a distance from what the plan does not have is in none
    (`protection_notes` tells it)."""
    proof = design.verification
    greatest = max((nozzle.flow_m3_s for nozzle in design.nozzles), default=0.0)
    found = reached(design, greatest, proof.flow_m3_s, proof.covered_area_m2) | _distances_m(scenario, design)
    rows = []
    for limit in strictest(scenario.protection):
        if limit.rule in DISTANCES and limit.name not in found:
            continue
        value = found.get(limit.name)
        others = tuple(one for one in scenario.protection if one.name == limit.name and one != limit)
        rows.append(Row(limit, value, None if value is None else keeps(limit, value), others))
    return tuple(rows)


def protection_notes(scenario: Scenario, option: Option, rows: tuple[Row, ...]) -> tuple[str, ...]:
    """What a designer must know of the rules of protection: a band that they narrow, every rule, what is not drawn."""
    return (*_narrowed(scenario, option), *(row.words for row in rows), *_undrawn(scenario), *_calmer(scenario))


def _narrowed(scenario: Scenario, option: Option) -> Iterator[str]:
    stated_pa = scenario.rules.band_high_pa
    high_pa = within_nozzle_flow(scenario, option).rules.band_high_pa
    limit = binding(scenario.protection, "nozzle_flow")
    if limit is not None and high_pa < stated_pa:
        edges = f"from {show_both(stated_pa, 'pressure')} to {show_both(high_pa, 'pressure')}"
        yield f"the band's high edge is lowered {edges}, where {option.nozzle} gives {limit.words}"


def _calmer(scenario: Scenario) -> Iterator[str]:
    """How much of the stated hours the wind lock-out takes."""
    if scenario.climate.locked_out > 0.0:
        share = f"{100.0 * scenario.climate.locked_out:.0f} %"
        yield f"for {share} of the misting hours the wind is above the lock-out: figures of mist leave them out"


def _undrawn(scenario: Scenario) -> Iterator[str]:
    """Kinds that a rule names and no keep-out of the plan has."""
    drawn = {BOUNDARY, *(one.kind for one in scenario.site.keep_outs)}
    for kind in sorted({one.of for one in scenario.protection if one.of} - drawn):
        sources = ", ".join(sorted({one.source for one in scenario.protection if one.of == kind}))
        yield f"a distance from {kind_words(kind)} is stated ({sources}), but the plan has no keep-out of kind {kind}"


def _distances_m(scenario: Scenario, design: Design) -> dict[str, float]:
    """By name of the rule how near nozzles and footprints come; none from what the plan does not have."""
    place = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    points = [geometry_of({"type": "Point", "coordinates": place[nozzle.node]}) for nozzle in design.nozzles]
    prints = [geometry_of(nozzle.footprint) for nozzle in design.nozzles]
    found: dict[str, float] = {}
    for limit in scenario.protection:
        if limit.rule in DISTANCES:
            shapes = np.array(points if limit.rule == "distance" else prints, dtype=object)
            away = float(np.min(nearest_m(scenario.site, limit.of, shapes), initial=np.inf))
            found |= {limit.name: away} if np.isfinite(away) else {}
    return found
