"""The frozen figures of an appraisal; `appraise` makes them, `words` shows them. Areas in m², lengths in m."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rival:
    """Another way to place as many nozzles on the same site; it keeps the same rules, but its tubing is not designed.

    covered_area_m2: exact; weighted_area_m2: exact, times the weights of the zones, but of the cell model where some
    ground needs two nozzles. gained, gained_weighted: shares by which the design covers more than it (0.1 = 10 %
    more), None where it covers nothing.
    """

    nozzle_count: int
    covered_area_m2: float
    weighted_area_m2: float
    gained: float | None
    gained_weighted: float | None


@dataclass(frozen=True)
class Pitch:
    """The tightest pitch by hand in front of zones of a weight."""

    weight: float
    pitch_m: float


@dataclass(frozen=True)
class ReachCase:
    """The design's nozzles as they stand and face, if the mist reached `factor` times as far.

    by_zone_m2: exact covered area of each zone, ground in several zones with that of highest weight;
    nozzles_in_keep_outs: nozzles whose mist would then break a keep-out's setback.
    """

    factor: float
    reach_m: float
    covered_area_m2: float
    by_zone_m2: dict[str, float]
    nozzles_in_keep_outs: int


@dataclass(frozen=True)
class Cause:
    """Area of a zone that stays uncovered, and why: `cause` is one of those of `uncovered`, `detail` says more."""

    cause: str
    detail: str
    area_m2: float


@dataclass(frozen=True)
class Uncovered:
    """What stays uncovered of a zone; ground in several zones belongs to that of highest weight, so that all add up."""

    zone: str
    zone_area_m2: float
    covered_area_m2: float
    causes: tuple[Cause, ...]

    @property
    def area_m2(self) -> float:
        """All that is not covered."""
        return self.zone_area_m2 - self.covered_area_m2


@dataclass(frozen=True)
class Gap:
    """A stretch of a mounting line without nozzle that is longer than the greatest spacing.

    On a closed line `to_m` may lie past the seam. reason is one of those of `gaps`.
    """

    line: str
    from_m: float
    to_m: float
    length_m: float
    reason: str
    detail: str = ""


@dataclass(frozen=True)
class Appraisal:
    """All of them for one design.

    covered_area_m2, weighted_area_m2: as those of rivals. practice, greedy: rivals at the same count, of which no least
    coverage is asked, None where they cannot keep the rules; nozzles_saved: how many fewer nozzles of this placement
    still cover as much weighted area as practice. next_nozzle_m2, last_nozzle_m2: weighted m² of the cell model that
    one more nozzle adds, the others staying, and that the least valuable one is worth, None where no nozzle may go.
    gaps: None where the rules state no greatest spacing.
    """

    nozzle_count: int
    covered_area_m2: float
    weighted_area_m2: float
    practice: Rival | None
    pitches: tuple[Pitch, ...]
    nozzles_saved: int | None
    greedy: Rival | None
    next_nozzle_m2: float
    last_nozzle_m2: float | None
    reach_source: str
    reach: tuple[ReachCase, ...]
    uncovered: tuple[Uncovered, ...]
    gaps: tuple[Gap, ...] | None
