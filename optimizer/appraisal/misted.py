"""Where the mist of a design goes: by wind and over all winds, at both ends of what evaporation may do; and how much of
it people's air, the ground of zones and keep-outs get in a cycle.

Shares are of the volume sprayed in a day, by the real flow of each nozzle and the cycles of its circuit. The model
knows level open ground, neutral air and no foliage. What it may tell too little to drift is added to what is claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.geojson import geometry_of
from geometry.ground_raster import GroundRaster, cell_for
from hydraulics.mist.account import Account
from hydraulics.mist.dosage import Maps, dosage
from hydraulics.mist.plume import FASTEST_KNOWN_M_S, fastest_m_s
from hydraulics.mist.spectrum import approximate_class, figures_m, surface_m2_per_litre
from optimizer.brief import Source
from optimizer.cautions import MIST_LIMITS
from optimizer.design import Design
from optimizer.drift import accounts, mist_of, mists_of, nozzles_of, raster_of, wind_of
from optimizer.instance import Instance
from optimizer.mist_basis import MistBasis
from optimizer.solve.calmed import Calm

Floats = NDArray[np.float64]
GRID_MARGIN_M = 15.0  # of the maps, beyond the boundary
GRID_CELLS = 40_000
ELSEWHERE = "elsewhere on site"


@dataclass(frozen=True)
class Fate:
    """Shares of the mist's volume that sum to 1: `down` in each place of the account, over_boundary, evaporated.

    carried_over: share of what the drops carry that leaves the site, though water has left them; beyond: what of
    over_boundary comes down in each place, as in keep-outs of neighbours.
    """

    down: tuple[float, ...]
    over_boundary: float
    evaporated: float
    carried_over: float
    beyond: tuple[float, ...]

    def into(self, place: int) -> float:
        """Share that comes down in a place, on site or over the boundary."""
        return self.down[place] + self.beyond[place]


@dataclass(frozen=True)
class WindFate:
    """The fates in one wind of a share of the misting hours, or in all (from_deg and speed_m_s None, share 1).

    over_boundary_most: without evaporation, with the model's bias.
    """

    from_deg: float | None
    speed_m_s: float | None
    share: float
    no_evaporation: Fate
    free_drops: Fate
    over_boundary_most: float


@dataclass(frozen=True)
class PlaceMist:
    """Means over a zone or keep-out, all winds together and without evaporation, of one cycle: dosage_s, volume of mist
    in a volume of air times seconds, in the layer that people are in; deposit_m, volume on an area of ground."""

    name: str
    kind: str
    dosage_s: float
    deposit_m: float


@dataclass(frozen=True)
class LimitKept:
    """A limit of drift: share of the mist that is allowed, and that may drift at most."""

    name: str
    most: float
    share: float


@dataclass(frozen=True, eq=False)
class MistGrid:
    """Maps of one cycle, all winds together and without evaporation, [rows, columns] from the south-west corner:
    dosage_s in the layer that people are in, deposit_m on the ground."""

    west_m: float
    south_m: float
    cell_m: float
    dosage_s: Floats
    deposit_m: Floats


@dataclass(frozen=True)
class MistAccount:
    """Where the mist of a design goes.

    places: keep-outs, zones and what is left of the site, which `down` of every fate counts; winds, and rose: all
    winds by their hours; volume_m3: of one cycle of all circuits; cycles_s: the shortest and the longest of them;
    assumed: what the scenario does not state, in words; dv_m: diameters below which 10, 50 and 90 % of the volume lie;
    surface_m2_per_litre: of the drops; calm: what limits of drift cost.
    """

    places: tuple[str, ...]
    winds: tuple[WindFate, ...]
    rose: WindFate
    by_place: tuple[PlaceMist, ...]
    limits: tuple[LimitKept, ...]
    bias: float
    volume_m3: float
    cycles_s: tuple[float, float]
    layer_top_m: float
    wind_source: Source
    spectrum_source: Source
    dv_m: tuple[float, float, float]
    drops: str
    surface_m2_per_litre: float
    assumed: tuple[str, ...]
    calm: Calm
    grid: MistGrid

    @property
    def cycles(self) -> str:
        """The lengths of a cycle in words: one, or the shortest and the longest."""
        return " to ".join(f"{length:g}" for length in dict.fromkeys(self.cycles_s)) + " s"

    @property
    def worst(self) -> WindFate:
        """The wind in which most drifts over the boundary."""
        return max(self.winds, key=lambda wind: wind.over_boundary_most)

    def share_in(self, kind: str) -> float:
        """Share of the mist that comes down in keep-outs or zones, all winds together, without evaporation."""
        fate = self.rose.no_evaporation
        return sum(fate.into(place) for place, name in enumerate(self.places) if name.startswith(f"{kind} "))


def misted(instance: Instance, design: Design, calm: Calm) -> MistAccount | None:
    """The account of a design's mist; None where the drops of its nozzle are not known."""
    basis, spectrum = design.mist, instance.nozzle.spectrum
    if basis is None or spectrum is None:
        return None
    at, flow = nozzles_of(design), np.array([nozzle.flow_m3_s for nozzle in design.nozzles])
    both = accounts(basis, design.zones, at)
    mist = mist_of(design, flow.tolist())
    weights = mist / mist.sum()
    places = both[0].regions[:-1]
    winds = tuple(
        _wind(both, weights, np.eye(len(basis.winds))[number], (wind.from_deg, wind.speed_m_s, wind.share),
              basis.bias_share)
        for number, wind in enumerate(basis.winds)
    )
    hours = np.array([wind.share for wind in basis.winds])
    cycle_s = _cycle_s(basis, design)
    volume_m3 = flow * cycle_s
    raster, maps = _maps(basis, design, volume_m3)
    shape = raster.inside.shape
    climate, drift = instance.scenario.climate, design.verification.drift
    return MistAccount(
        places=(*places[:-1], ELSEWHERE),
        winds=winds,
        rose=_wind(both, weights, hours, (None, None, 1.0), basis.bias_share),
        by_place=_by_place(instance, basis, raster, maps),
        limits=tuple(LimitKept(one.name, one.most, drift[one.name]) for one in basis.limits),
        bias=basis.bias_share,
        volume_m3=float(volume_m3.sum()),
        cycles_s=(float(cycle_s.min()), float(cycle_s.max())),
        layer_top_m=basis.layer_top_m,
        wind_source=climate.rose_source,
        spectrum_source=instance.nozzle.spectrum_source,
        dv_m=figures_m(spectrum),
        drops=approximate_class(spectrum),
        surface_m2_per_litre=surface_m2_per_litre(spectrum),
        assumed=(*climate.assumed, *_assumed(instance, basis)),
        calm=calm,
        grid=MistGrid(raster.west_m, raster.south_m, raster.cell_m, maps.airborne_s.reshape(shape),
                      maps.deposit_m.reshape(shape)),
    )


def mist_figures(account: MistAccount) -> dict[str, Any]:
    """The account for study.json: all but its maps."""
    calm = account.calm
    return {
        **{one.name: _plain(getattr(account, one.name)) for one in fields(account) if one.name not in ("calm", "grid")},
        "model": MIST_LIMITS,
        "drift_cost": calm.cost and {**asdict(calm.cost), "lost_m2": calm.cost.lost_m2},
        "drift_frontier": [asdict(point) for point in calm.points],
    }


def _plain(value: Any) -> Any:
    """Data classes, in tuples or by themselves, as dictionaries."""
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value


def _wind(
    both: tuple[Account, Account], weights: Floats, hours: Floats, told: tuple[float | None, float | None, float],
    bias: float,
) -> WindFate:
    """Both ends of what becomes of the mist of nozzles that weigh as told, in winds that weigh so."""
    none, free = (_fate(end, weights, hours) for end in both)
    return WindFate(*told, none, free, min(1.0, none.over_boundary + bias))


def _fate(end: Account, weights: Floats, hours: Floats) -> Fate:
    down, beyond = (
        np.einsum("n,nwr,w->r", weights, each, hours) for each in (end.liquid_share, end.beyond_liquid_share)
    )
    airborne, evaporated, carried = (
        float(weights @ part @ hours)
        for part in (end.airborne_liquid_share, end.evaporated_share, end.gone_share)
    )
    return Fate(tuple(down[:-1].tolist()), float(down[-1]) + airborne, evaporated, carried, (*beyond.tolist(), 0.0))


def _cycle_s(basis: MistBasis, design: Design) -> Floats:
    """Length of a cycle of each nozzle: that of its circuit, where the design tells it."""
    told = {misting.circuit: misting.cycle_s for misting in design.misting}
    return np.array([told.get(nozzle.circuit, basis.cycle_s) for nozzle in design.nozzles])


def _maps(basis: MistBasis, design: Design, volume_m3: Floats) -> tuple[GroundRaster, Maps]:
    """Dosage and deposit of a cycle over the site and a margin round it."""
    cell_m = cell_for(geometry_of(basis.boundary), GRID_MARGIN_M, GRID_CELLS)
    raster = raster_of(basis, design.zones, GRID_MARGIN_M, cell_m)
    x_m, y_m = raster.centres_m()
    found = dosage(nozzles_of(design), volume_m3, wind_of(basis), mists_of(basis)[0], x_m, y_m, basis.layer_top_m)
    return raster, found


def _by_place(instance: Instance, basis: MistBasis, raster: GroundRaster, maps: Maps) -> tuple[PlaceMist, ...]:
    """Means over the cells of every keep-out and zone; of one smaller than a cell, 0."""
    site = instance.scenario.site
    named: Sequence[tuple[str, str]] = [
        *((place.name, "keep-out") for place in basis.keep_outs),
        *((zone.name, f"{zone.kind} zone") for zone in site.zones),
    ]
    return tuple(
        PlaceMist(name, kind, *(float(each[mask.ravel()].mean()) if mask.any() else 0.0
                                for each in (maps.airborne_s, maps.deposit_m)))
        for (name, kind), mask in zip(named, raster.masks, strict=True)
    )


def _assumed(instance: Instance, basis: MistBasis) -> list[str]:
    """What the account takes for given that the scenario does not state, or that is not known."""
    found = [] if instance.scenario.service is not None else [
        f"cycles of {basis.cycle_s:g} s",
        f"{100.0 * basis.residue_share:g} % of the mist that does not evaporate",
    ]
    if fastest_m_s(wind_of(basis)) > FASTEST_KNOWN_M_S * (1 + 1e-9):
        found.append(
            f"that the model misses no more in winds above {FASTEST_KNOWN_M_S:g} m/s at 10 m, where it was not tested"
        )
    return found
