"""A design planted on a tiny site, and the rules that it just meets; the site as numbers for the enumeration.

Places, a tree for each circuit and sizes are drawn at random; `physics` gives the state. Band, set pressures and
delivery are then set round that state.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import numpy as np

from geometry.cells import coverage_cells
from geometry.corridors import corridors
from geometry.coverage import incidence
from geometry.footprint import Reach, footprints
from geometry.positions import candidate_positions
from geometry.site import Site
from optimizer.solve.supply import MANIFOLD_BORE_M, MANIFOLD_LENGTH_M, MANIFOLD_ROUGHNESS_M
from tests.benchmarks.joint.enumeration import Tiny, choices, tree_of
from tests.benchmarks.joint.net import Edge, net, trees
from tests.benchmarks.joint.physics import Nozzles, Unit, states
from tests.benchmarks.joint.sites import drawn
from tests.benchmarks.planted.files import (
    BAR,
    BORES_MM,
    ELBOW_K,
    ENTRANCE_K,
    FILTER_BAR,
    LOSS_L_MIN,
    MANIFOLD_BAR,
    ROUGHNESS_MM,
    TEE_BRANCH_K,
    TEE_RUN_K,
    VALVE_BAR,
    Case,
    read,
)

KINDS = ("slack", "capacity", "head", "relief")
ABOVE_CLOSING_BAR = 1.0  # every planted nozzle stands this far above its closing pressure
TIGHT_BAR = 2e-3  # that a tight band leaves
TIGHT_SHARE = 0.01  # of the delivery, that a tight pump leaves
CHOSEN = 0.7  # share of the places
ATTEMPTS = 200
MOST_SIZINGS = 5000  # of one tree, that can be enumerated
L_MIN = 1.0 / 60e3  # m3/s
GROUND_COST = {"lawn": 8.0, "paving": 28.0}  # as planted.files writes them


@dataclass(frozen=True)
class Planted:
    """A case, what is tight in it, and its numbers; places: of the planted design, which meets the rules."""

    seed: int
    case: Case
    kind: str
    tiny: Tiny
    places: tuple[int, ...]


def planted(seed: int) -> Planted:
    """The first attempt of a seed that carries a design."""
    with TemporaryDirectory() as folder:
        for attempt in range(ATTEMPTS):
            found = _planted(seed, drawn(seed, attempt), Random(f"tiny design {seed} {attempt}"), Path(folder))
            if found is not None:
                return found
    raise AssertionError(f"seed {seed}: no design could be planted in {ATTEMPTS} attempts")


def _planted(seed: int, case: Case, draw: Random, folder: Path) -> Planted | None:
    tiny = numbers(read(case, folder).site, case)
    stretches = len({e.stretch for e in tiny.net.edges})
    if len(choices(stretches, len(tiny.bores), tiny.sizes)) > MOST_SIZINGS:
        return None
    count = case.pumps * case.circuits
    owners = [draw.randrange(count) if draw.random() < CHOSEN else -1 for _ in range(tiny.places)]
    shares = [frozenset(i for i, o in enumerate(owners) if o == c) for c in range(count)]
    if not all(shares):
        return None
    sites = draw.sample(range(len(tiny.net.sites)), case.pumps)
    level = case.set_step_bar * round(draw.uniform(9.5, 15.5) / case.set_step_bar)
    sizes = draw.sample(range(len(tiny.bores)), min(case.sizes, len(tiny.bores)))
    pressures: list[float] = []
    flows: list[float] = []
    for c, share in enumerate(shares):
        site = sites[c // case.circuits]
        served = frozenset(tiny.net.spot[i] for i in share)
        order = draw.choice(trees(tiny.net, tiny.net.sites[site], served))
        found, flow = _state(tiny, draw, order, tiny.net.sites[site], served, level, sizes)
        pressures += found
        flows.append(flow)
    if not min(pressures) > case.nozzle.closing_bar + ABOVE_CLOSING_BAR:  # also where a state was not found
        return None
    kind = draw.choice(KINDS)
    ruled = _ruled(draw, case, kind, level, pressures, max(flows))
    chosen = tuple(i for i, owner in enumerate(owners) if owner >= 0)
    return Planted(seed, ruled, kind, numbers(read(ruled, folder).site, ruled), chosen)


def _state(
    tiny: Tiny,
    draw: Random,
    order: Sequence[Edge],
    root: int,
    served: frozenset[int],
    level: float,
    sizes: list[int],
) -> tuple[list[float], float]:
    """Pressures in bar and flow in L/min of a circuit, each stretch in one of the sizes."""
    size = {stretch: draw.choice(sizes) for stretch in sorted({e.stretch for e in order})}
    bores = np.array([[tiny.bores[size[e.stretch]] for e in order]])
    tree = tree_of(tiny, order, root, served)
    pressures, flows = states(tree, bores, tiny.roughness, np.array([level * BAR]), tiny.unit, tiny.nozzle)
    return (pressures[0] / BAR).tolist(), float(flows[0]) / L_MIN


def _ruled(
    draw: Random, case: Case, kind: str, level: float, pressures: list[float], greatest_l_min: float
) -> Case:
    """Band, set pressures and delivery round the planted state; tight where the kind says so."""
    lowest, highest = min(pressures), max(pressures)
    low = lowest - (TIGHT_BAR if kind == "head" else draw.uniform(0.1, 0.8))
    high = highest + (TIGHT_BAR if kind == "relief" else draw.uniform(0.2, 2.0))
    spare = TIGHT_SHARE if kind == "capacity" else draw.uniform(0.1, 0.6)
    below, above = draw.randint(0, 1), draw.randint(0, 1)
    return replace(
        case,
        band_bar=(max(low, case.nozzle.closing_bar + 0.3), high),
        set_bar=(level - below * case.set_step_bar, level + above * case.set_step_bar),
        delivery_l_min=greatest_l_min / (1.0 - case.reserve) * (1.0 + spare),
    )


def numbers(site: Site, case: Case) -> Tiny:
    """The site and its rules as numbers, rounded as the files round them."""
    positions = candidate_positions(site, case.step_m)
    prints = footprints(site, positions, Reach(case.nozzle.reach_m, case.nozzle.spray_deg), case.setback_m)
    at = prints.position
    cells = coverage_cells(site, case.cell_m)
    nozzle = case.nozzle
    closing = nozzle.closing_bar * BAR
    k = nozzle.flow_ml_min * 1e-6 / 60.0 / (nozzle.at_bar * BAR - closing) ** nozzle.exponent
    steps = round((case.set_bar[1] - case.set_bar[0]) / case.set_step_bar)
    line, chainage_m = [int(i) for i in positions.line[at]], [float(s) for s in positions.chainage_m[at]]
    graph, z_m = corridors(site, case.allowance), [float(z) for z in positions.z_m[at]]
    return Tiny(
        net=net(graph, line, chainage_m, z_m, GROUND_COST),
        at=tuple(zip(positions.x_m[at].tolist(), positions.y_m[at].tolist(), strict=True)),
        covers=incidence(cells, prints.polygons).toarray().T > 0,
        cell_value=cells.value,
        bores=tuple(BORES_MM[i] / 1e3 for i in case.tubes),
        prices=tuple(round(0.4 + 0.5 * BORES_MM[i], 2) + 2.5 for i in case.tubes),
        roughness=ROUGHNESS_MM / 1e3,
        sizes=case.sizes,
        nozzle=Nozzles(k, closing, nozzle.exponent),
        unit=Unit(
            minor=(FILTER_BAR + VALVE_BAR + MANIFOLD_BAR) * BAR / (LOSS_L_MIN * L_MIN) ** 2,
            bore=MANIFOLD_BORE_M,
            length=MANIFOLD_LENGTH_M,
            roughness=MANIFOLD_ROUGHNESS_M,
        ),
        k={"tee_run": TEE_RUN_K, "tee_branch": TEE_BRANCH_K, "elbow": ELBOW_K, "entrance": ENTRANCE_K},
        band=(round(case.band_bar[0], 4) * BAR, round(case.band_bar[1], 4) * BAR),
        levels=tuple((case.set_bar[0] + i * case.set_step_bar) * BAR for i in range(steps + 1)),
        usable=(1.0 - case.reserve) * case.delivery_l_min * L_MIN,
        pumps=case.pumps,
        circuits=case.circuits,
    )
