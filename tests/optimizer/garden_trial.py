"""A trial in the invented garden: every sixth place fed by one pump, settled."""

from __future__ import annotations

from pathlib import Path

from optimizer.instance import candidates, instance
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.solve.supply import Supply
from optimizer.solve.trial import Effort, Feeder, Trial
from tests.optimizer.garden_site import garden
from tests.optimizer.scenario_files import CATALOGUE, SCENARIO, swapped, yard

SET_PA = 14e5
EFFORT = Effort(2.0, 200, 2, seed=1)


def garden_trial(folder: Path, circuits: int = 1) -> Trial:
    """The trial; its narrow tubing is finer than the catalogue's, so that sizes matter."""
    shop = swapped(CATALOGUE, 'bore = "4 mm"', 'bore = "2 mm"')
    scenario = read_scenario(yard(folder, scenario=SCENARIO, catalogue=shop, site=garden()))
    option = scenario.options[0]
    posed = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    at = {int(place): j for j, place in reversed(list(enumerate(posed.candidates.place)))}
    chosen = sorted(at.values())[::6]
    supply = Supply((posed.pumps[0],), (0,), ((0,) * circuits,), (SET_PA,))
    return Feeder(posed, silent, never).feed(supply, chosen, ((-(-len(chosen) // circuits) + 2,) * circuits,), EFFORT)
