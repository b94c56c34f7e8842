"""Faults between wind, drops and limits of drift: what the model of the mist cannot reckon with."""

from __future__ import annotations

from collections.abc import Iterator

from geometry.outline import RESTING
from geometry.site import Site
from hydraulics.mist.plume import LEAST_BIAS_SHARE, bias_share
from optimizer.errors import InputFault
from optimizer.input_file import Loc, shown
from optimizer.protection import binding
from optimizer.protection_file import stated
from optimizer.scenario_file import OptionFile
from optimizer.scenario_parts import Parts
from optimizer.weather_file import climate_of, locked_out

DRIFT_KEYS = ("drift_most", "drift_most_any_wind")


def mist_faults(parts: Parts) -> Iterator[InputFault]:
    """Every fault of wind, drops and limits of drift against the rest."""
    if parts.climate is not None and parts.site is not None:
        yield from _rough(parts, parts.site, parts.climate.roughness)
    limits = list(_limits(parts))
    bias = _bias(parts)
    for loc, most in limits:
        if most <= bias:
            problem = f"is not above {bias:g}, by which the model may tell too little drift"
            yield parts.reader.fault_at(loc, problem, "raise it: less cannot be shown to be kept")
    drained = [loc for loc, _ in limits]
    if drained:
        for name in _without_drops(parts):
            mend = f'add spectrum to nozzle {name} in the catalogue, or leave {drained[0][-1]} out'
            yield parts.reader.fault_at(drained[0], f"needs the drops of nozzle {name}, which nobody tells", mend)
    if parts.site is not None:
        yield from _drained_keep_outs(parts, parts.site)
        yield from _footprints(parts, parts.site)


def _rough(parts: Parts, site: Site, roughness_m: float) -> Iterator[InputFault]:
    """The wind is told above the roughness of the ground only, and nozzles stand in it."""
    lowest = min(site.lines, key=lambda line: line.height_m)
    if lowest.height_m <= roughness_m:
        problem = f"is not below mounting line {lowest.name}, {lowest.height_m:g} m above ground"
        yield parts.reader.fault_at(("climate", "roughness"), problem, "lower it")


def _bias(parts: Parts) -> float:
    """What the model may miss on this site, in the winds in which it may mist; the least that it can be where site or
    climate are at fault themselves."""
    if parts.site is None or parts.climate is None:
        return LEAST_BIAS_SHARE
    rose, limit = climate_of(parts.climate).rose, binding(stated(table for _, table in parts.protection), "wind_most")
    if limit is not None and min(state.speed_m_s for state in rose.states) <= limit.value:
        rose = locked_out(climate_of(parts.climate), limit.value).rose
    return bias_share(min(line.height_m for line in parts.site.lines), rose)


def _limits(parts: Parts) -> Iterator[tuple[Loc, float]]:
    for key in DRIFT_KEYS if parts.rules is not None else ():
        most = getattr(parts.rules, key)
        if most is not None:
            yield ("rules", key), most
    for loc, option in parts.options:
        if option.drift_most is not None:
            yield (*loc, "drift_most"), option.drift_most


def _without_drops(parts: Parts) -> list[str]:
    """Nozzles asked for, of which the catalogue does not tell the drops."""
    asked = sorted({option.nozzle for _, option in parts.options})
    sold = parts.on_sale.nozzles
    return [name for name in asked if name in sold and sold[name].spectrum is None]


def _footprints(parts: Parts, site: Site) -> Iterator[InputFault]:
    """Footprints by dosage need the drops, and what is enough."""
    for loc, option in parts.options if parts.rules is not None else ():
        if option.coverage_by == "summed dosage":
            yield from _summed(parts, loc, option, site)
        if option.footprint != "dosage":
            continue
        assert parts.rules is not None
        place = (*loc, "footprint")
        if option.nozzle in _without_drops(parts):
            mend = f"add spectrum to nozzle {option.nozzle} in the catalogue"
            yield parts.reader.fault_at(place, f"needs the drops of nozzle {option.nozzle}, which nobody tells", mend)
        if parts.rules.dosage_least is None:
            mend = 'add it, a dosage of one cycle like "4 mL.s/m3"'
            yield parts.reader.fault_at(place, "needs dosage_least in [rules]", mend)
        resting = [zone.name for zone in site.zones if zone.kind == RESTING]
        if resting and parts.rules.deposit_least is None:
            problem = f"needs deposit_least in [rules], for zone {resting[0]} is of resting places"
            yield parts.reader.fault_at(place, problem, 'add it, a deposit of one cycle like "0.2 mL/m2"')


def _summed(parts: Parts, loc: Loc, option: OptionFile, site: Site) -> Iterator[InputFault]:
    """Summed dosage needs footprints by dosage, counts ground in part, and is no measure for cost."""
    place = (*loc, "coverage_by")
    if option.footprint != "dosage":
        yield parts.reader.fault_at(place, "needs footprints by dosage", 'add footprint = "dosage"')
    if option.objective == "cost" or option.budget is not None:
        mend = "leave it out, or ask for most coverage without a budget"
        yield parts.reader.fault_at(place, "does not go together with a cost that counts", mend)
    for zone in site.zones:
        if zone.cover_by > 1:
            problem = f"does not go together with cover_by {zone.cover_by} of zone {zone.name}"
            yield parts.reader.fault_at(place, problem, "leave one of them out: dosage sums what several nozzles bring")
            return


def _drained_keep_outs(parts: Parts, site: Site) -> Iterator[InputFault]:
    """A limit of what drifts into a keep-out needs the drops as well."""
    for keep_out in site.keep_outs:
        for name in _without_drops(parts) if keep_out.drift_most is not None else ():
            path = f'(keep_out "{keep_out.name}").properties.drift_most'
            problem = f"needs the drops of nozzle {name}, which nobody tells"
            mend = f"add spectrum to nozzle {name} in the catalogue, or leave drift_most out"
            yield InputFault(parts.site_file, path, shown(keep_out.drift_most), problem, mend)
