"""What is asked for where cost counts, and how a verified trial answers it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.shares import zone_shares_m2
from optimizer.instance import Instance
from optimizer.solve.priced import priced
from optimizer.solve.trial import Trial


@dataclass(frozen=True)
class Goal:
    """Most coverage at a price of at most `budget`, or, where coverage is asked for, the least price that covers so
    many exact weighted m². Infinite and 0 where not asked for."""

    budget: float = np.inf
    coverage_m2: float = 0.0

    @property
    def cheapest(self) -> bool:
        """Whether the price is to be as low as can be."""
        return self.coverage_m2 > 0.0


@dataclass(frozen=True)
class Answer:
    """A trial with the price that its option reckons with and the exact weighted m² that it covers."""

    trial: Trial
    price: float
    exact_m2: float

    def meets(self, goal: Goal) -> bool:
        """Verified, within the budget, and covering enough."""
        proof = self.trial.design.verification
        return proof.verified and self.price <= goal.budget and self.exact_m2 >= goal.coverage_m2


def answer(trial: Trial) -> Answer:
    """A trial, priced and measured."""
    made = trial.layout
    price = priced(made, trial.design).price
    return Answer(trial, price, exact_weighted_m2(made.instance, made.chosen))


def exact_weighted_m2(instance: Instance, chosen: tuple[int, ...]) -> float:
    """Exact area covered of each zone's own ground, times its weight; of the cell model where some ground counts only
    once two nozzles reach it."""
    zones, found = instance.scenario.site.zones, instance.candidates
    if (found.cells.need > 1).any():
        hits = np.asarray(found.cells.incidence[:, list(chosen)].sum(axis=1)).ravel()
        return float(found.cells.value[hits >= found.cells.need].sum())
    weights = np.array([zone.weight for zone in zones])
    return float(zone_shares_m2(found.polygons[list(chosen)], zones) @ weights)


def weighted_area_m2(instance: Instance) -> float:
    """Exact area of all zones, times their weights; ground in several counts once, with the highest."""
    zones = instance.scenario.site.zones
    areas = zone_shares_m2([zone.polygon for zone in zones], zones)
    return float(areas @ np.array([zone.weight for zone in zones]))
