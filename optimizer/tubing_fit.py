"""Which tubing of an option stands what its pumps bring up."""

from __future__ import annotations

from collections.abc import Iterable

from geometry.corridors import Corridors
from hydraulics.friction import GRAVITY_M_S2
from hydraulics.tubing import to_withstand_pa
from hydraulics.units import show_both
from hydraulics.water import water_at
from optimizer.brief import Option
from optimizer.catalogue import Tubing
from optimizer.errors import NoDesign
from optimizer.pump_type import PumpType
from optimizer.scenario import Scenario, set_range_pa


def fit_tubing(
    scenario: Scenario, option: Option, pumps: Iterable[PumpType], graph: Corridors
) -> tuple[Tubing, ...]:
    """The tubing rated above what any of the pumps, at the highest of their sites, brings up at the lowest point.

    Raises NoDesign where there is none.
    """
    names = [site.name for site in scenario.site.pump_sites]
    tops = [float(graph.z_m[graph.site_node[names.index(site)]]) for site in option.pump_sites]
    fall_m = max(tops) - float(graph.z_m.min())
    weight = water_at(scenario.climate.water_temperature_c).density_kg_m3 * GRAVITY_M_S2
    works = [(set_range_pa(scenario.rules, p)[1] if p.bypass_pa is None else p.bypass_pa, p.relief_pa) for p in pumps]
    asked = max((to_withstand_pa(at, relief, fall_m, weight) for at, relief in works), default=0.0)
    hot = scenario.climate.tubing_temperature_c
    found = tuple(tube for tube in scenario.tubing_of(option) if (tube.rating_at_pa(hot) or 0.0) > asked)
    if not found:
        raise NoDesign(
            "tubing",
            f"No tubing of option {option.name} ({', '.join(option.tubing)}) is rated at the hottest above "
            f"{show_both(asked, 'pressure')}, which the pumps bring up at the lowest point, {fall_m:.1f} m below the "
            "highest pump site; "
            "name tubing of a higher rating, or pumps whose relief valve opens lower.",
        )
    return found
