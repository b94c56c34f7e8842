"""A design planted on a drawn site, and the rules that it just meets.

It knows nothing of how the optimiser searches: legal positions from `geometry`, the distance between nozzles from
`spacing`, shortest trees and one tubing size from `tubes`, the state from `hydraulics.solve_tree`. Band, set pressures
and delivery are then set round that state.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from geometry.cells import coverage_cells
from geometry.corridors import corridors
from geometry.coverage import incidence, zone_touch
from geometry.footprint import Reach, footprints
from geometry.positions import candidate_positions
from geometry.site import Site
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import Pump
from hydraulics.water import water_at
from optimizer.errors import InputFaults
from tests.benchmarks.planted import tubes
from tests.benchmarks.planted.files import BAR, BORES_MM, WATER_C, Case, Feature, read
from tests.benchmarks.planted.sites import drawn
from tests.benchmarks.planted.spacing import Spot, stand_apart

KINDS = ("slack", "capacity", "head", "capacity and head", "relief")
ORDERS = ("any", "greedy", "near", "near and greedy")
ABOVE_CLOSING_BAR = 1.0  # every planted nozzle stands this far above its closing pressure
TIGHT_BAR = 1e-4  # that a tight band leaves, for what the files round away
TIGHT_SHARE = 0.01  # of the delivery, that a tight pump leaves: what nozzles take depends on their tubing
BOTH_TIGHT = 0.02  # bar and share where head and capacity are tight at once: with less, each pressure has but one value
MOST_NOZZLES = 14
ATTEMPTS = 400
NO_LIMIT_M3_S = 1.0


@dataclass(frozen=True)
class Planted:
    """A case, and the design that shows it to be possible.

    kind: which rules are tight; order: how the positions were chosen; nozzles: (line, chainage); value: weighted m² of
    the cells covered; pressures in bar over all circuits, flows in L/min by circuit.
    """

    seed: int
    case: Case
    kind: str
    order: str
    nozzles: tuple[tuple[str, float], ...]
    value: float
    set_bar: float
    bore_mm: float
    pressures_bar: tuple[float, ...]
    flows_l_min: tuple[float, ...]


@dataclass(frozen=True)
class Spots:
    """Legal positions: line, chainage, group of permitted hours, point of the tubing; covers: [spots, cells]; stands:
    where each stands and what it mists."""

    site: Site
    net: tubes.Ways
    line: tuple[int, ...]
    chainage_m: tuple[float, ...]
    group: tuple[str, ...]
    stands: tuple[Spot, ...]
    covers: NDArray[np.bool_]
    cell_value: NDArray[np.float64]
    bare: frozenset[int]  # lines on which some position is not legal

    def value(self, chosen: list[int]) -> float:
        """Weighted m² of the cells that these cover."""
        return float(self.cell_value[self.covers[chosen].any(axis=0)].sum())

    def has_room(self, spot: int, chosen: list[int], least_m: float) -> bool:
        """Whether a spot stands far enough from all these."""
        return all(stand_apart(self.stands[spot], self.stands[other], least_m) for other in chosen)


@dataclass(frozen=True)
class Circuit:
    """A circuit of a pump at a site, for the nozzles of one group."""

    site: int
    group: str


def planted(seed: int) -> Planted:
    """The first attempt of a seed that the reader takes and that carries a design."""
    with TemporaryDirectory() as folder:
        for attempt in range(ATTEMPTS):
            found = _planted(seed, drawn(seed, attempt), Random(f"design {seed} {attempt}"), Path(folder))
            if found is not None:
                return found
    raise AssertionError(f"seed {seed}: no design could be planted in {ATTEMPTS} attempts")


def _planted(seed: int, case: Case, draw: Random, folder: Path) -> Planted | None:
    try:
        site = read(case, folder).site
    except InputFaults:
        return None
    spots = legal_spots(site, case)
    groups = sorted(set(spots.group))
    if not groups or len(groups) > case.pumps * case.circuits:
        return None
    sites = draw.sample(range(len(site.pump_sites)), case.pumps)
    circuits = [Circuit(s, groups[i % len(groups)]) for i, s in enumerate(sites * case.circuits)]
    order = draw.choice(ORDERS)
    rows = _continuous(draw, spots, case.spacing_m) if len(groups) == 1 and draw.random() < 0.2 else {}
    chosen = _chosen(draw, spots, order, case.spacing_m[0], circuits, [i for row in rows.values() for i in row])
    owner = _owners(spots, chosen, circuits)
    if {*owner.values()} != {*range(len(circuits))}:
        return None
    found = _fed(draw, case, spots, circuits, owner)
    if found is None:
        return None
    names = [(site.lines[spots.line[i]].name, spots.chainage_m[i]) for i in chosen]
    locked = draw.sample(names, min(len(names), draw.choice((1, 2)))) if draw.random() < 0.25 else []
    features = _marked(case, [site.lines[line].name for line in rows], locked)
    kind = draw.choice(KINDS)
    ruled = _ruled(draw, replace(case, features=features), kind, found)
    _prove(replace(found, case=ruled), spots, circuits, owner)
    value = spots.value(chosen)
    return replace(found, seed=seed, case=ruled, kind=kind, order=order, nozzles=tuple(names), value=value)


def curve_of(case: Case) -> NozzleCurve:
    """The case's nozzle: k from the one flow given."""
    nozzle = case.nozzle
    above_pa = (nozzle.at_bar - nozzle.closing_bar) * BAR
    k = nozzle.flow_ml_min * 1e-6 / 60.0 / above_pa**nozzle.exponent
    return NozzleCurve("N", k, nozzle.closing_bar * BAR, nozzle.exponent)


def legal_spots(site: Site, case: Case) -> Spots:
    """Positions whose first legal footprint covers some cell in zones of one group, reached by every pump site's
    corridors, each with a point of its own."""
    positions = candidate_positions(site, case.step_m)
    prints = footprints(site, positions, Reach(case.nozzle.reach_m, case.nozzle.spray_deg), case.setback_m)
    at, first = np.unique(prints.position, return_index=True)
    polygons = prints.polygons[first]
    net = tubes.ways(
        corridors(site, case.allowance),
        [int(i) for i in positions.line[at]],
        [float(s) for s in positions.chainage_m[at]],
        [float(z) for z in positions.z_m[at]],
    )
    touched = zone_touch(polygons, site.zones)
    cells = coverage_cells(site, case.cell_m)
    covers = incidence(cells, polygons).toarray().T
    reached = set.intersection(*(set(tubes.shortest(net, root)[0]) for root in net.sites))
    kept, groups = [], []
    for i in range(len(at)):
        names = {zone.schedule for zone, touches in zip(site.zones, touched[i], strict=True) if touches}
        if len(names) == 1 and net.spot[i] in reached and covers[i].any():
            kept.append(i)
            groups.append(names.pop())
    of = at[kept]
    lost = set(range(len(positions))) - {int(i) for i in of}
    line = tuple(int(i) for i in positions.line[of])
    chainage_m = tuple(float(s) for s in positions.chainage_m[of])
    shapes = polygons[kept].tolist()
    return Spots(
        site=site,
        net=replace(net, spot=tuple(net.spot[i] for i in kept)),
        line=line,
        chainage_m=chainage_m,
        group=tuple(groups),
        stands=tuple(Spot(site.lines[i].line, s, p) for i, s, p in zip(line, chainage_m, shapes, strict=True)),
        covers=covers[kept],
        cell_value=cells.value,
        bare=frozenset(int(positions.line[i]) for i in lost),
    )


def _continuous(draw: Random, spots: Spots, spacing_m: tuple[float, float]) -> dict[int, list[int]]:
    """A chain of spots along one open line that keeps least and greatest spacing, where one is found."""
    lines = [i for i, line in enumerate(spots.site.lines) if not line.closed and i not in spots.bare]
    for line in draw.sample(lines, len(lines)):
        length = float(spots.site.lines[line].line.length)
        members = [i for i, of in enumerate(spots.line) if of == line]
        for _ in range(20):
            row: list[int] = []
            while length - (spots.chainage_m[row[-1]] if row else -math.inf) > spacing_m[1]:
                here = spots.chainage_m[row[-1]] if row else None
                low, high = (0.0, spacing_m[1]) if here is None else (here + spacing_m[0], here + spacing_m[1])
                near = (i for i in members if low - 1e-9 <= spots.chainage_m[i] <= high + 1e-9)
                choices = [i for i in near if spots.has_room(i, row, spacing_m[0])]
                if not choices:
                    break
                row.append(draw.choice(choices))
            else:
                return {line: row}
    return {}


def _chosen(
    draw: Random, spots: Spots, order: str, least_m: float, circuits: list[Circuit], fixed: list[int]
) -> list[int]:
    """Spots that keep the least spacing, in the order asked for, some of each circuit's group."""
    most = max(len(fixed), draw.randint(len(circuits), MOST_NOZZLES))
    length, _ = tubes.shortest(spots.net, spots.net.sites[circuits[0].site])
    left = [i for i in range(len(spots.line)) if i not in fixed]
    draw.shuffle(left)
    if "near" in order:
        left.sort(key=lambda i: length[spots.net.spot[i]])
    if order == "near and greedy":
        left = left[: 3 * most]
    chosen = list(fixed)
    while left and len(chosen) < most:
        covered = spots.covers[chosen].any(axis=0)
        if "greedy" in order:
            left.sort(key=lambda i: float(spots.cell_value[spots.covers[i] & ~covered].sum()), reverse=True)
        spot = left.pop(0)
        if spots.has_room(spot, chosen, least_m):
            chosen.append(spot)
    return chosen


def _owners(spots: Spots, chosen: list[int], circuits: list[Circuit]) -> dict[int, int]:
    """Circuit of each spot: of its group, at the nearest pump, the one with fewest nozzles; neighbours together."""
    lengths = {circuit.site: tubes.shortest(spots.net, spots.net.sites[circuit.site])[0] for circuit in circuits}
    owner: dict[int, int] = {}
    for spot in sorted(chosen, key=lambda i: (spots.line[i], spots.chainage_m[i])):
        allowed = [c for c, circuit in enumerate(circuits) if circuit.group == spots.group[spot]]
        nearest = min(lengths[circuits[c].site][spots.net.spot[spot]] for c in allowed)
        near = [c for c in allowed if lengths[circuits[c].site][spots.net.spot[spot]] <= nearest + 1e-9]
        owner[spot] = min(near, key=lambda c: list(owner.values()).count(c))
    return owner


def _fed(draw: Random, case: Case, spots: Spots, circuits: list[Circuit], owner: dict[int, int]) -> Planted | None:
    """The design in the narrowest tubing, from a random one on, that keeps every nozzle open with some margin."""
    set_bar = case.set_step_bar * round(draw.uniform(9.5, 16.0) / case.set_step_bar)
    for bore_mm in BORES_MM[draw.choice((0, 1, 1, 2, 3)) :]:
        states = list(_states(case, spots, circuits, owner, set_bar, bore_mm, NO_LIMIT_M3_S))
        pressures = tuple(p / BAR for _, found in states for p in found)
        if min(pressures) > case.nozzle.closing_bar + ABOVE_CLOSING_BAR:
            flows = tuple(flow / tubes.L_MIN for flow, _ in states)
            return Planted(0, case, "", "", (), 0.0, set_bar, bore_mm, pressures, flows)
    return None


def _states(
    case: Case,
    spots: Spots,
    circuits: list[Circuit],
    owner: dict[int, int],
    set_bar: float,
    bore_mm: float,
    delivery_m3_s: float,
) -> Iterator[tuple[float, list[float]]]:
    """Flow in m3/s and nozzle pressures in Pa of each circuit; circuits mist one at a time."""
    pump, curve, water = Pump(set_bar * BAR, delivery_m3_s, 30.0 * BAR), curve_of(case), water_at(WATER_C)
    for number, circuit in enumerate(circuits):
        root = spots.net.sites[circuit.site]
        served = {spots.net.spot[i] for i, c in owner.items() if c == number}
        onward = tubes.tree(tubes.shortest(spots.net, root)[1], root, sorted(served))
        found, pressures = tubes.state(spots.net, root, onward, served, bore_mm, curve, pump, water)
        assert found.supply_pressure_pa > set_bar * BAR * (1.0 - 1e-9), "the planted pump holds its set pressure"
        yield float(found.nozzle_flow_m3_s.sum()), pressures


def _ruled(draw: Random, case: Case, kind: str, found: Planted) -> Case:
    """Band, set pressures, tubing on offer and delivery round the planted state; tight where the kind says so."""
    lowest, highest = min(found.pressures_bar), max(found.pressures_bar)
    head, capacity, relief = "head" in kind, "capacity" in kind, kind == "relief"
    tight_bar, tight_share = (BOTH_TIGHT, BOTH_TIGHT) if head and capacity else (TIGHT_BAR, TIGHT_SHARE)
    low = lowest - tight_bar if head else max(lowest - draw.uniform(0.3, 1.5), case.nozzle.closing_bar + 0.3)
    high = highest + (TIGHT_BAR if relief else draw.uniform(0.3, 2.0))
    below, above = (draw.randint(0, 4) for _ in range(2))
    tube = BORES_MM.index(found.bore_mm)
    only = head and draw.random() < 0.6
    spare = tight_share if capacity else draw.uniform(0.1, 0.6)
    return replace(
        case,
        band_bar=(min(low, found.set_bar - 0.2), high),
        set_bar=(found.set_bar - below * case.set_step_bar, found.set_bar + above * case.set_step_bar),
        tubes=(tube,) if only else tuple(range(max(0, tube - 1), len(BORES_MM))),
        sizes=draw.choice((1, 2)),
        delivery_l_min=max(found.flows_l_min) / (1.0 - case.reserve) * (1.0 + spare),
    )


def _marked(case: Case, continuous: list[str], locked: list[tuple[str, float]]) -> tuple[Feature, ...]:
    """The features with lines marked continuous and positions locked."""
    marked = []
    for feature in case.features:
        own = dict(feature["properties"])
        name = own.get("name")
        if own["role"] == "mounting_line" and name in continuous:
            own["continuous"] = True
        if own["role"] == "mounting_line" and name in {line for line, _ in locked}:
            own["locked_m"] = sorted(at for line, at in locked if line == name)
        marked.append({**feature, "properties": own})
    return tuple(marked)


def _prove(found: Planted, spots: Spots, circuits: list[Circuit], owner: dict[int, int]) -> None:
    """The planted design keeps the rules that were set round it, its pump's delivery included."""
    case = found.case
    delivery_m3_s = case.delivery_l_min * tubes.L_MIN
    for flow, pressures in _states(case, spots, circuits, owner, found.set_bar, found.bore_mm, delivery_m3_s):
        assert flow <= (1.0 - case.reserve) * delivery_m3_s
        assert case.band_bar[0] * BAR <= min(pressures) and max(pressures) <= case.band_bar[1] * BAR
