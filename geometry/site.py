"""A site in local metres: x east, y north, z up above the site's datum.

All types are frozen; polygons and lines are shapely geometries in plan, heights stand beside them. Readers
(`geojson`) build sites and check them; the rest of geometry trusts what it is given.
Chainage is plan metres along a line as drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shapely import LineString, Polygon

from geometry.frame import Frame

FACING_WORDS = ("in", "out", "left", "right", "all")
PUMP_SITE_NEEDS = ("power", "water", "backflow", "pad")
BOUNDARY = "boundary"
KINDS = ("water", "food", "air_intake", "hive", "bloom", "neighbour")
"""Kinds of keep-outs that rules of protection name, and what else they may name."""


@dataclass(frozen=True)
class Feature:
    """What every feature has: a name, how well it is known (measured, scaled, assumed), a remark."""

    name: str
    source: str = field(default="assumed", kw_only=True)
    note: str = field(default="", kw_only=True)


@dataclass(frozen=True)
class Zone(Feature):
    """An area to be misted: `weight` its priority, `schedule` its named group of permitted misting hours.

    `least_coverage` is the share of its area that must be covered; `cover_by` the number of nozzles that must
    reach a place before it counts.
    """

    polygon: Polygon
    weight: float = 1.0
    schedule: str = "always"
    kind: str = "people"
    least_coverage: float = 0.0
    cover_by: int = 1


@dataclass(frozen=True)
class KeepOut(Feature):
    """An area that forbids some of mist, mounting, tubing, trench, or of a kind that rules ask a distance from.

    Mist stays `setback_m` away; None leaves the distance to the rules. Of all mist at most the share `drift_most` may
    come down there; None sets no limit. `kind`: one of KINDS, "" for any other.
    """

    polygon: Polygon
    forbids: frozenset[str]
    setback_m: float | None = None
    drift_most: float | None = None
    kind: str = ""


@dataclass(frozen=True)
class Clearance:
    """A distance in plan that nozzles, or the footprints of their mist, keep from keep-outs of a kind or from the
    boundary (kind "boundary"); source: who states it."""

    kind: str
    distance_m: float
    source: str
    of_mist: bool = False


@dataclass(frozen=True)
class HeightLimit:
    """The least or the greatest height of a nozzle above the ground; source: who states it."""

    height_m: float
    source: str
    least: bool


@dataclass(frozen=True)
class Obstacle(Feature):
    """A building, wall or hedge: hides what lies behind it from every nozzle below its top."""

    polygon: Polygon
    height_m: float
    base_m: float = 0.0

    @property
    def top_m(self) -> float:
        """Elevation of the top above the site's datum."""
        return self.base_m + self.height_m


@dataclass(frozen=True)
class Stretch:
    """A stretch of a line by chainage, and why it is kept free (door, window, air unit)."""

    from_m: float
    to_m: float
    reason: str = ""


@dataclass(frozen=True)
class MountingLine(Feature):
    """A line that nozzles and their tubing are fixed to, `height_m` above the ground (`ground_m` per vertex).

    `facings` in order of preference: in, out, left, right, all, or an azimuth in degrees clockwise from
    north; each with each of `tilts_deg` above the level. `supports_m`, where given, are the only chainages that
    can carry a nozzle, apart from `locked_m` and `preferred_m`. A nozzle stands within `near_ends_m` of each end
    and within `near_corners_m` of each outside corner where these are given; `even_pitch` spaces all evenly.
    """

    line: LineString
    ground_m: tuple[float, ...]
    height_m: float
    facings: tuple[str | float, ...] = ("all",)
    tilts_deg: tuple[float, ...] = (0.0,)
    continuous: bool = False
    no_nozzles: tuple[Stretch, ...] = ()
    no_tubing: tuple[Stretch, ...] = ()
    supports_m: tuple[float, ...] = ()
    locked_m: tuple[float, ...] = ()
    forbidden_m: tuple[float, ...] = ()
    preferred_m: tuple[float, ...] = ()
    near_ends_m: float | None = None
    near_corners_m: float | None = None
    even_pitch: bool = False

    @property
    def closed(self) -> bool:
        """Whether the line ends where it starts; its chainage then runs round without a break."""
        return bool(self.line.is_closed)


@dataclass(frozen=True)
class TubingLink(Feature):
    """A way for tubing without nozzles, on or in the ground.

    `unit_cost` is money per metre (None: the price of its `ground` applies), `sleeve_cost` is paid once.
    """

    line: LineString
    ground_m: tuple[float, ...]
    ground: str = ""
    unit_cost: float | None = None
    sleeve_cost: float = 0.0


@dataclass(frozen=True)
class PumpSite(Feature):
    """A place for a pump unit. `missing` pairs what is not at hand (power, water, ...) with its cost."""

    x_m: float
    y_m: float
    elevation_m: float = 0.0
    missing: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Site:
    """Everything drawn on one site plan. `frame` is None where the plan came in local metres.

    clearances, heights: what rules of protection ask of every position, added to the plan by whoever knows the rules.
    """

    name: str
    boundary: Polygon
    zones: tuple[Zone, ...]
    keep_outs: tuple[KeepOut, ...]
    obstacles: tuple[Obstacle, ...]
    lines: tuple[MountingLine, ...]
    links: tuple[TubingLink, ...]
    pump_sites: tuple[PumpSite, ...]
    frame: Frame | None = None
    clearances: tuple[Clearance, ...] = ()
    heights: tuple[HeightLimit, ...] = ()
