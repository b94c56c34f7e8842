"""What the parts of a design cost at least, for bounds and quick looks: no design of the option is cheaper than the sum
of its parts at these prices."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.brief import Service
from optimizer.costs import tube_cost_per_m
from optimizer.instance import Instance


@dataclass(frozen=True)
class LeastPrices:
    """nozzle: with the tee that it hangs from, and what it sprays; tube_m: a metre of the cheapest tubing with its
    fixing; unit: a pump of each type of the instance with filter and valves; site: what each pump site lacks; dug:
    share of ground work that counts, 1 or 0; once: whatever the design."""

    nozzle: float
    tube_m: float
    unit: tuple[float, ...]
    site: tuple[float, ...]
    dug: float = 1.0
    once: float = 0.0


def least_prices(instance: Instance) -> LeastPrices:
    """The least prices of an option's parts, as far as the cost that the option reckons with counts them."""
    option, catalogue, service = instance.option, instance.scenario.catalogue, instance.scenario.service
    built = 0.0 if option.cost_of == "service" else 1.0
    run = None if option.cost_of == "installed" else service
    units = (p.price + p.filter.price + option.circuits_least * p.valve.price for p in instance.pumps)
    sites = (sum(cost for _, cost in site.missing) for site in instance.scenario.site.pump_sites)
    nozzle = built * (instance.nozzle.price + catalogue.fittings.tee_price)
    return LeastPrices(
        nozzle=nozzle + (_a_nozzle(instance, run) if run else 0.0),
        tube_m=built * min(tube_cost_per_m(tube) for tube in instance.tubing),
        unit=tuple(built * price for price in units),
        site=tuple(built * price for price in sites),
        dug=built,
        once=run.seasons * run.visits_per_season * run.visit_price if run else 0.0,
    )


def _a_nozzle(instance: Instance, service: Service) -> float:
    """Product, water and wear of a nozzle over all seasons, at the least that it sprays inside the band."""
    flow = float(instance.nozzle.curve.flow_m3_s(instance.scenario.rules.band_low_pa))
    in_use = [one for one in instance.scenario.schedules if one.name in instance.candidates.groups]
    least_s = min(cycles * cycle_s for cycles, cycle_s in map(service.cycles, in_use))
    mist = service.seasons * service.days_per_season * flow * least_s
    concentrate = mist / service.dilution
    used = service.concentrate_per_m3 * concentrate + service.water_per_m3 * (mist - concentrate)
    return used + service.seasons * service.nozzles_replaced * instance.nozzle.price
