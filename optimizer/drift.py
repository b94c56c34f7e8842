"""Where mist goes, nozzle by nozzle: what limits of drift are made of, and whether a design keeps them.

A nozzle's shares do not depend on its flow, so that the drift of a design is the mean of its nozzles', each weighing by
what it mists in a day: linear in what is chosen. Limits are held for drops that do not evaporate, the end that the
model's bias is known for; the account of a design tells the other end, free drops, beside it: most of a fine mist then
turns to vapour, and what is left of the drops goes far.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from geometry.errors import GeometryError
from geometry.geojson import geometry_of, mapping_of
from geometry.ground_raster import GroundRaster, cell_for, ground_raster
from hydraulics.errors import HydraulicsError
from hydraulics.mist.account import Account, Regions, account, regions_of
from hydraulics.mist.air import Air
from hydraulics.mist.dosage import Nozzles
from hydraulics.mist.evaporation import NO_EVAPORATION, free_drop
from hydraulics.mist.kernel import Mist
from hydraulics.mist.plume import bias_share
from hydraulics.mist.spectrum import Classes, classes
from hydraulics.mist.wind import Wind, WindState
from optimizer.brief import Option
from optimizer.design import Design, ZoneArea
from optimizer.errors import UnsoundDesign
from optimizer.mist_basis import DriftLimit, DropClass, MistBasis, Place, WindAt
from optimizer.reached import CYCLE_S
from optimizer.scenario import Scenario

Floats = NDArray[np.float64]
RESIDUE = 0.005  # of the mist's volume, that does not evaporate, where the scenario states no dilution; assumed
OVER = "over the boundary"
LINES_M = 1.0  # further outside the boundary no mounting line stands
LIMIT_TOLERANCE = 1e-6  # of a share: coordinates in a design are rounded


def basis_of(scenario: Scenario, option: Option) -> MistBasis | None:
    """What the account of an option's mist is reckoned from; None where the drops of its nozzle are not known."""
    nozzle = scenario.nozzle_of(option)
    if nozzle.spectrum is None:
        return None
    climate, service, site = scenario.climate, scenario.service, scenario.site
    drops = classes(nozzle.spectrum)
    return MistBasis(
        temperature_c=climate.air.temperature_c,
        humidity_share=climate.air.humidity_share,
        residue_share=1.0 / service.dilution if service else RESIDUE,
        reference_height_m=climate.rose.reference_height_m,
        roughness_m=climate.rose.roughness_m,
        layer_top_m=climate.layer_top_m,
        cycle_s=service.cycle_s if service else CYCLE_S,
        cell_m=cell_for(site.boundary),
        bias_share=_bias(scenario),
        boundary=mapping_of(site.boundary),
        winds=tuple(WindAt(s.from_deg, s.speed_m_s, s.share) for s in climate.rose.states),
        drops=tuple(DropClass(float(d), float(s)) for d, s in zip(drops.diameter_m, drops.share, strict=True)),
        keep_outs=tuple(Place(keep_out.name, mapping_of(keep_out.polygon)) for keep_out in site.keep_outs),
        limits=tuple(_limits(scenario, option)),
    )


def _bias(scenario: Scenario) -> float:
    return bias_share(min(line.height_m for line in scenario.site.lines), scenario.climate.rose)


def _limits(scenario: Scenario, option: Option) -> list[DriftLimit]:
    rules = scenario.rules
    stated = [most for most in (rules.drift_most, option.drift_most) if most is not None]
    found = [DriftLimit(OVER, None, None, min(stated), _bias(scenario))] if stated else []
    if rules.drift_most_any_wind is not None:
        for number, wind in enumerate(scenario.climate.rose.states):
            name = f"{OVER} in wind from {wind.from_deg:g}° at {wind.speed_m_s:g} m/s"
            found.append(DriftLimit(name, None, number, rules.drift_most_any_wind, _bias(scenario)))
    for one in scenario.site.keep_outs:
        if one.drift_most is not None:
            found.append(DriftLimit(f"into {one.name}", one.name, None, one.drift_most, 0.0))
    return found


def wind_of(basis: MistBasis) -> Wind:
    """The winds of a basis."""
    states = tuple(WindState(wind.speed_m_s, wind.from_deg, wind.share) for wind in basis.winds)
    return Wind(states, basis.reference_height_m, basis.roughness_m)


def mists_of(basis: MistBasis) -> tuple[Mist, Mist]:
    """The mist whose drops do not evaporate, and that of free drops."""
    drops = Classes(
        np.array([drop.diameter_m for drop in basis.drops]), np.array([drop.share for drop in basis.drops])
    )
    air = Air(basis.temperature_c, basis.humidity_share)
    return Mist(drops, air, NO_EVAPORATION), Mist(drops, air, free_drop(air, basis.residue_share))


def raster_of(basis: MistBasis, zones: Sequence[ZoneArea], margin_m: float = 0.0, cell_m: float = 0.0) -> GroundRaster:
    """The site as a raster, masks of keep-outs first, then of zones; cell_m: its own unless 0."""
    polygons = [*(place.polygon for place in basis.keep_outs), *(zone.polygon for zone in zones)]
    shapes = [geometry_of(polygon) for polygon in polygons]
    return ground_raster(geometry_of(basis.boundary), shapes, cell_m or basis.cell_m, margin_m)


def regions(basis: MistBasis, zones: Sequence[ZoneArea]) -> Regions:
    """Ground that counts as one place: keep-outs, then zones, each as the first that holds it.

    With a margin that holds every line, so that no share of a nozzle depends on which others are reckoned with it.
    """
    raster = raster_of(basis, zones, LINES_M)
    names = [f"keep-out {place.name}" for place in basis.keep_outs] + [f"zone {zone.name}" for zone in zones]
    masks = dict(zip(names, raster.masks, strict=True))
    return regions_of(raster.west_m, raster.south_m, raster.cell_m, raster.inside, masks)


def accounts(basis: MistBasis, zones: Sequence[ZoneArea], at: Nozzles) -> tuple[Account, Account]:
    """Where each nozzle's mist goes in each wind: without evaporation, and as free drops."""
    ground, wind = regions(basis, zones), wind_of(basis)
    none, free = (account(at, wind, mist, ground) for mist in mists_of(basis))
    return none, free


def drift_shares(basis: MistBasis, at: Nozzles) -> Floats:
    """[L, N]: of each nozzle's mist the share that each limit of the basis is about, without evaporation."""
    return _known(json.dumps(asdict(basis), sort_keys=True)).shares(at)


class _Known:
    """Shares of nozzles on one basis, each reckoned once: a search asks for the same positions again and again."""

    def __init__(self, basis: MistBasis) -> None:
        self.basis = basis
        self.found: dict[tuple[float, float, float], Floats] = {}

    def shares(self, at: Nozzles) -> Floats:
        keys = list(zip(at.x_m.tolist(), at.y_m.tolist(), at.height_m.tolist(), strict=True))
        missing = sorted(set(keys) - self.found.keys())
        if missing:
            x, y, height = (np.array(column, dtype=np.float64) for column in zip(*missing, strict=True))
            self.found |= dict(zip(missing, _limited(self.basis, Nozzles(x, y, height)).T, strict=True))
        return np.array([self.found[key] for key in keys]).T.reshape(len(self.basis.limits), len(keys))


@lru_cache(maxsize=8)
def _known(text: str) -> _Known:
    """What is known on the basis of a text: polygons in a basis are dictionaries, by which nothing can be looked up."""
    return _Known(TypeAdapter(MistBasis).validate_json(text))


def _limited(basis: MistBasis, at: Nozzles) -> Floats:
    """[L, N] of `drift_shares`. Each keep-out is looked at by itself: ground that two share counts in both."""
    hours = np.array([wind.share for wind in basis.winds])
    raster, wind, mist = raster_of(basis, (), LINES_M), wind_of(basis), mists_of(basis)[0]
    masks = dict(zip((place.name for place in basis.keep_outs), raster.masks, strict=True))
    gone: dict[str | None, Floats] = {}
    for name in dict.fromkeys(limit.keep_out for limit in basis.limits):
        own = {} if name is None else {name: masks[name]}
        found = account(at, wind, mist, regions_of(raster.west_m, raster.south_m, raster.cell_m, raster.inside, own))
        gone[name] = found.gone_share if name is None else found.into_share(0)
    rows = [
        gone[limit.keep_out] @ hours if limit.wind is None else gone[limit.keep_out][:, limit.wind]
        for limit in basis.limits
    ]
    return np.array(rows, dtype=np.float64).reshape(len(basis.limits), at.x_m.size)


def nozzles_of(design: Design) -> Nozzles:
    """Where the mist of a design starts."""
    place: dict[str, Any] = {node.id: node for node in design.nodes}
    x, y = (np.array([getattr(place[n.node], axis) for n in design.nozzles]) for axis in ("x_m", "y_m"))
    return Nozzles(x, y, np.array([nozzle.height_m for nozzle in design.nozzles]))


def mist_of(design: Design, flow_m3_s: Sequence[float]) -> Floats:
    """[N]: what each nozzle mists in a day, by its flow and the cycles of its circuit; its flow where the design tells
    of no cycles."""
    day_s = {one.circuit: one.cycles_per_day * one.cycle_s for one in design.misting}
    seconds = np.array([day_s.get(nozzle.circuit, 1.0) for nozzle in design.nozzles])
    return np.asarray(np.asarray(flow_m3_s, dtype=np.float64) * seconds, dtype=np.float64)


def drift_of(design: Design, flow_m3_s: Sequence[float]) -> dict[str, float]:
    """Share of all mist, at most, that each limit of a design is about, by its name; flow_m3_s: of each nozzle.

    Raises UnsoundDesign where what the account is reckoned from is unsound.
    """
    if design.mist is None or not design.mist.limits or not design.nozzles:
        return {}
    mist = mist_of(design, flow_m3_s)
    if not mist.sum() > 0.0:
        return {}
    try:
        found = drift_shares(design.mist, nozzles_of(design)) @ mist / mist.sum()
    except (GeometryError, HydraulicsError, LookupError) as error:
        raise UnsoundDesign(f"mist: {error}; take the file as the study wrote it") from error
    return {
        limit.name: min(1.0, float(share) + limit.bias)
        for limit, share in zip(design.mist.limits, found, strict=True)
    }


def drift_faults(design: Design, drift: dict[str, float]) -> tuple[str, ...]:
    """Each limit that is passed, in words; () where there is none."""
    limits = design.mist.limits if design.mist is not None else ()
    return tuple(
        f"{limit.name}: up to {100.0 * drift[limit.name]:.3f} % of the mist, {100.0 * limit.most:g} % is allowed"
        for limit in limits
        if drift.get(limit.name, 0.0) > limit.most + LIMIT_TOLERANCE
    )
