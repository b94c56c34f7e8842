"""A study: the options of a scenario, each answered by an alternative, side by side."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from optimizer.costs import CostLine
from optimizer.design import Design

Status = Literal["verified", "unverified", "no_design", "stopped"]


@dataclass(frozen=True)
class Alternative:
    """The answer to one option. Figures are None where there is no design; `reason` then says why.

    `objective_value`, `objective_bound` and `model_covered_area_m2` are of the cell model (the first two weighted
    by priority); all other areas are exact. `gap` is against the bound at the most nozzles that any in-band design
    can feed, `gap_at_count` against the bound at the count used. `reserve` is the share of the fullest circuit's
    rated capacity that stays unused.
    """

    option: str
    title: str
    status: Status
    reason: str | None
    pump_count: int
    circuit_count: int
    objective: str
    nozzle_count: int | None = None
    covered_area_m2: float | None = None
    zone_area_m2: float | None = None
    coverable_area_m2: float | None = None
    model_covered_area_m2: float | None = None
    objective_value: float | None = None
    objective_bound: float | None = None
    gap: float | None = None
    gap_at_count: float | None = None
    cost_bound: float | None = None
    cost_bound_class: str | None = None
    installed_cost: float | None = None
    tubing_m: float | None = None
    min_pressure_pa: float | None = None
    max_pressure_pa: float | None = None
    flow_m3_s: float | None = None
    reserve: float | None = None
    verified: bool = False
    time_limit_hit: bool = False
    seconds: dict[str, float] = field(default_factory=dict)
    rounds: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    design: Design | None = None
    quantities: tuple[CostLine, ...] = ()


@dataclass(frozen=True)
class Study:
    """All alternatives of a scenario, in the order of its options; money in `currency`."""

    scenario: str
    title: str
    currency: str
    seed: int
    alternatives: tuple[Alternative, ...]


@dataclass(frozen=True)
class StudySettings:
    """What may be asked of a study: which options (None = all), relative gap, seconds an option, seed, processes."""

    options: tuple[str, ...] | None = None
    gap: float = 0.005
    time_limit_s: float | None = None
    seed: int = 0
    workers: int = 2
