"""What the parts of a design cost at least, for bounds and quick looks: no design of the option is cheaper than the sum
of its parts at these prices."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.costs import tube_cost_per_m
from optimizer.instance import Instance


@dataclass(frozen=True)
class LeastPrices:
    """nozzle: with the tee that it hangs from; tube_m: a metre of the cheapest tubing with its fixing; unit: a pump of
    each type of the instance with filter and valves; site: what each pump site lacks."""

    nozzle: float
    tube_m: float
    unit: tuple[float, ...]
    site: tuple[float, ...]


def least_prices(instance: Instance) -> LeastPrices:
    """The least prices of an option's parts, installed."""
    option, catalogue = instance.option, instance.scenario.catalogue
    return LeastPrices(
        nozzle=instance.nozzle.price + catalogue.fittings.tee_price,
        tube_m=min(tube_cost_per_m(tube) for tube in instance.tubing),
        unit=tuple(
            pump.price + pump.filter.price + option.circuits_least * pump.valve.price for pump in instance.pumps
        ),
        site=tuple(sum(cost for _, cost in site.missing) for site in instance.scenario.site.pump_sites),
    )
