"""An instance posed as a placement problem: windows and rows of its lines, floors of its zones, and what the circuits
of a supply can feed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from geometry.corners import outside_corners_m
from geometry.facing import sides
from geometry.site import MountingLine, Site, Zone
from hydraulics.mist.dosage import Nozzles
from optimizer.drift import basis_of, drift_shares
from optimizer.errors import NoDesign
from optimizer.instance import Instance, Unit, most_usable_m3_s, nozzles_within
from optimizer.placement.crossing import crossing_windows
from optimizer.placement.pitches import even_patterns, tried_pitches
from optimizer.placement.problem import (
    BoolArray,
    Drift,
    FloatArray,
    Floor,
    Limit,
    PlacementProblem,
    Row,
    Window,
    require_possible,
)
from optimizer.placement.windows import cover_windows, line_orders, near_window, spacing_windows
from optimizer.pump_type import PumpType
from optimizer.solve.servable import highest_pressures_pa, keeps_low_edge, within_longest_run
from optimizer.solve.supply import CircuitLimits, Supply, group_choices

MODEL_TOLERANCE = 0.003  # of the cell model's area against the exact one


def placement_problem(instance: Instance) -> PlacementProblem:
    """The placement of an instance before it is known how many nozzles the circuits feed.

    Raises NoDesign where its rules contradict each other at sight.
    """
    found, rules, site = instance.candidates, instance.scenario.rules, instance.scenario.site
    along = spacing_windows(found.line, found.chainage_m, _closed(instance), rules.spacing_least_m)
    xy = np.column_stack([found.x_m, found.y_m])
    even = _even(instance)
    problem = PlacementProblem(
        value=found.cells.value,
        incidence=found.cells.incidence,
        need=found.cells.need,
        bonus=np.where(found.preferred, rules.preferred_gain_m2, 0.0),
        lines=line_orders(found.strand, found.chainage_m),
        spacing=(*along, *crossing_windows(xy, found.cells.incidence.astype(bool), along, rules.spacing_least_m)),
        cover=tuple(sorted({*_continuous(instance), *(window for _, window in near_points(instance) if window)})),
        locked=tuple(int(j) for j in np.flatnonzero(found.locked)),
        barred=tuple(j for line, patterns in even for j in _uneven(found.line == line, patterns)),
        rows=_rows(instance),
        even=tuple(patterns for _, patterns in even),
        floors=tuple(
            _floor(zone, found.cells.zone_area_m2[z]) for z, zone in enumerate(site.zones) if zone.least_coverage > 0.0
        ),
        drifts=_drifts(instance),
        names=tuple(
            f"{site.lines[line].name} at {chainage:.2f} m"
            for line, chainage in zip(found.line, found.chainage_m, strict=True)
        ),
    )
    require_possible(problem)
    return problem


def _drifts(instance: Instance) -> tuple[Drift, ...]:
    """The limits of drift; all nozzles are of one type and draw nearly the same, so each counts by how long it mists
    here, and by its real flow as well in the verification. Raises NoDesign where every position drifts more than is
    allowed."""
    found, basis = instance.candidates, basis_of(instance.scenario, instance.option)
    if basis is None or not basis.limits:
        return ()
    own = drift_shares(basis, Nozzles(found.x_m, found.y_m, found.height_m))
    for limit, share in zip(basis.limits, own, strict=True):
        if (least := float(share.min()) + limit.bias) > limit.most:
            raise NoDesign(
                "drift_most",
                f"at every position more mist may drift {limit.name} than the {100.0 * limit.most:g} % allowed, "
                f"{100.0 * least:.1f} % at the best: allow more, use larger drops, or mist further from the lee side",
            )
    weight = mist_weights(instance)
    return tuple(
        Drift(limit.name, weight * (share - (limit.most - limit.bias)))
        for limit, share in zip(basis.limits, own, strict=True)
    )


def mist_weights(instance: Instance) -> FloatArray:
    """[J]: how long each candidate mists in a day, by its schedule, as a share of the longest."""
    service, found = instance.scenario.service, instance.candidates
    if service is None or not found.groups:
        return np.ones(found.count)
    schedules = {one.name: service.cycles(one) for one in instance.scenario.schedules}
    day_s = np.array([cycles * cycle_s for cycles, cycle_s in map(schedules.__getitem__, found.groups)])[found.group]
    return np.asarray(day_s / day_s.max(), dtype=np.float64)


def at_any_flows(instance: Instance, problem: PlacementProblem) -> PlacementProblem:
    """The placement with limits of drift as loose as flows inside the band can make them, for bounds on designs: what
    drifts more than is allowed gives the least that a nozzle may, all others the most."""
    rules, curve = instance.scenario.rules, instance.nozzle.curve
    most = float(curve.flow_m3_s(rules.band_high_pa)) / float(curve.flow_m3_s(rules.band_low_pa))
    drifts = (replace(one, excess=one.excess * np.where(one.excess > 0.0, 1.0, most)) for one in problem.drifts)
    return replace(problem, drifts=tuple(drifts))


def _floor(zone: Zone, area_m2: FloatArray) -> Floor:
    """Least coverage of a zone, a little more of the cell model than is asked for, so that the exact area is enough."""
    asked = zone.least_coverage * float(zone.polygon.area)
    safe = min(asked * (1.0 + MODEL_TOLERANCE), max(asked, float(area_m2.sum())))
    return Floor(f"zone {zone.name}", area_m2, safe)


def near_points(instance: Instance) -> list[tuple[str, Window]]:
    """Line ends and outside corners that ask for a nozzle nearby, in words, with the candidates that would serve;
    none where no candidate does."""
    found, site = instance.candidates, instance.scenario.site
    closed = _closed(instance)
    asked: list[tuple[str, Window]] = []
    for number, line in enumerate(site.lines):
        members = np.flatnonzero(found.line == number)
        for what, at, within in _points(line, site):
            near = near_window(found.chainage_m[members], closed.get(number, math.inf), at, within)
            asked.append((f"{what} of {line.name} at {at:.2f} m", tuple(int(j) for j in members[near])))
    return asked


def _points(line: MountingLine, site: Site) -> Iterator[tuple[str, float, float]]:
    """What on a line asks for a nozzle nearby: in words, its chainage, and within which distance."""
    if line.near_ends_m is not None and not line.closed:
        yield from (("the end", at, line.near_ends_m) for at in (0.0, float(line.line.length)))
    if line.near_corners_m is not None:
        corners = outside_corners_m(line, sides(line, site.boundary, site.obstacles))
        yield from (("the outside corner", float(at), line.near_corners_m) for at in corners)


def _closed(instance: Instance) -> dict[int, float]:
    """Length of each closed line."""
    return {i: float(line.line.length) for i, line in enumerate(instance.scenario.site.lines) if line.closed}


def _continuous(instance: Instance) -> tuple[Window, ...]:
    found, rules, site = instance.candidates, instance.scenario.rules, instance.scenario.site
    greatest = {i: rules.spacing_greatest_m for i, line in enumerate(site.lines) if line.continuous}
    free = {
        i: [(stretch.from_m, stretch.to_m) for stretch in (*line.no_nozzles, *line.no_tubing)]
        for i, line in enumerate(site.lines)
    }
    known = {i: g for i, g in greatest.items() if g is not None}
    return cover_windows(found.line, found.chainage_m, _closed(instance), known, free)


def _rows(instance: Instance) -> tuple[Row, ...]:
    """The lines whose greatest spacing binds within rows: neither continuous nor of even pitch."""
    found, rules, lines = instance.candidates, instance.scenario.rules, instance.scenario.site.lines
    if rules.row_gap_m is None or rules.spacing_greatest_m is None:
        return ()
    closed = _closed(instance)
    rows = []
    for members in line_orders(found.line, found.chainage_m):
        number = int(found.line[members[0]])
        if not (lines[number].continuous or lines[number].even_pitch):
            s = tuple(found.chainage_m[list(members)].tolist())
            length = closed.get(number, math.inf)
            rows.append(Row(members, s, length, rules.spacing_greatest_m, rules.row_gap_m))
    return tuple(rows)


def _even(instance: Instance) -> list[tuple[int, tuple[Window, ...]]]:
    """The patterns of each line of even pitch: from the least spacing to the greatest, or to twice the reach."""
    found, rules, lines = instance.candidates, instance.scenario.rules, instance.scenario.site.lines
    widest = rules.spacing_greatest_m or max(rules.spacing_least_m, 2.0 * instance.nozzle.reach_m)
    pitches = tried_pitches(rules.spacing_least_m, widest, rules.step_m)
    anchors = found.locked | found.preferred
    patterns: dict[int, list[Window]] = {}
    for members in line_orders(found.strand, found.chainage_m):
        number = int(found.line[members[0]])
        line = lines[number]
        if line.even_pitch:
            s, length = found.chainage_m[list(members)], float(line.line.length)
            own = even_patterns(
                members,
                s,
                length,
                pitches,
                rules.step_m,
                closed=line.closed,
                anchors_m=s[anchors[list(members)]],
            )
            patterns.setdefault(number, []).extend(own)
    return [(number, tuple(sorted(own))) for number, own in sorted(patterns.items())]


def _uneven(on_line: BoolArray, patterns: tuple[Window, ...]) -> list[int]:
    """The candidates of a line of even pitch that stand in none of its patterns."""
    return sorted(set(np.flatnonzero(on_line).tolist()).difference(*patterns))


def most_per_circuit(instance: Instance, pump: PumpType) -> int:
    """Nozzles that one circuit of a pump feeds where each draws least. Raises NoDesign where that is none."""
    rules = instance.scenario.rules
    least_m3_s = float(instance.nozzle.curve.flow_m3_s(rules.band_low_pa))
    most = nozzles_within(most_usable_m3_s(rules, pump), least_m3_s)
    if most < 1:
        raise NoDesign(
            "reserve",
            f"a circuit of {pump.name} serves not even one nozzle: choose a larger pump or a smaller reserve",
        )
    return most


def most_limits(instance: Instance, supply: Supply) -> CircuitLimits:
    """Nozzles that each circuit of a supply feeds where each draws least. Raises NoDesign where that is none."""
    return tuple(
        tuple(most_per_circuit(instance, pump) for _ in groups)
        for pump, groups in zip(supply.pumps, supply.groups, strict=True)
    )


def shares(units: Sequence[Unit], most: Sequence[int], groups: int) -> list[tuple[int, ...]]:
    """Nozzles of each schedule group that its circuits feed, for every way to give the circuits to the groups; most:
    what a circuit of each unit feeds."""
    return sorted({share_of(choice, most, groups) for choice in group_choices(units, groups)})


def share_of(choice: Sequence[Sequence[int]], most: Sequence[int], groups: int) -> tuple[int, ...]:
    """Nozzles of each schedule group that its circuits feed; choice: [units][circuits] group."""
    return tuple(sum(n * own.count(group) for own, n in zip(choice, most, strict=True)) for group in range(groups))


def shared_out(base: PlacementProblem, instance: Instance, share: Sequence[int]) -> PlacementProblem:
    """The placement for so many nozzles of each schedule group."""
    return _posed(base, [_limit(instance, group, (group,), (most,)) for group, most in enumerate(share)])


def limited(base: PlacementProblem, instance: Instance, supply: Supply, limits: CircuitLimits) -> PlacementProblem:
    """The placement for what the circuits of a supply feed, [pumps][circuits] nozzles at most.

    A limit for each schedule group, and one for what only some of the pumps can keep in the band.
    """
    groups = [group for of_pump in supply.groups for group in of_pump]
    most = [count for of_pump in limits for count in of_pump]
    pump = np.repeat(np.arange(len(limits)), [len(of_pump) for of_pump in limits])
    asked = range(len(instance.candidates.groups))
    posed = [_limit(instance, group, groups, most) for group in asked]
    if len(limits) > 1:
        serves = keeps_low_edge(instance, highest_pressures_pa(instance, supply)) & within_longest_run(instance, supply)
        for some in (some for size in range(1, len(limits)) for some in combinations(range(len(limits)), size)):
            only = np.asarray(~serves[[p for p in range(len(limits)) if p not in some]].any(axis=0))
            own = [count if p in some else 0 for p, count in zip(pump, most, strict=True)]
            parts = [_within(_limit(instance, group, groups, own), only, some) for group in asked]
            posed += [part for part in parts if len(part.members) > part.most]
    return _posed(base, posed)


def _limit(instance: Instance, group: int, groups: Sequence[int], most: Sequence[int]) -> Limit:
    """What the circuits of a schedule group feed: `most` of each circuit, given with its group."""
    found = instance.candidates
    name = f"the circuits of schedule {found.groups[group]}" if len(found.groups) > 1 else "the circuits"
    members = tuple(np.flatnonzero(found.group == group).tolist())
    return Limit(members, sum(n for g, n in zip(groups, most, strict=True) if g == group), name)


def _within(limit: Limit, only: BoolArray, some: tuple[int, ...]) -> Limit:
    """The limit of those candidates that only some of the pumps can serve."""
    pumps = " and ".join(f"P{p + 1}" for p in some)
    members = tuple(j for j in limit.members if only[j])
    return replace(limit, members=members, reason=f"{limit.reason} on {pumps}, the only pumps near enough,")


def _posed(base: PlacementProblem, limits: Sequence[Limit]) -> PlacementProblem:
    """The placement with limits. Raises NoDesign where locked positions ask for more."""
    problem = replace(base, limits=tuple(limits))
    require_possible(problem)
    return problem


def chosen_in(problem: PlacementProblem, chosen: Sequence[int]) -> list[int]:
    """How many of the chosen each limit holds."""
    picked = {int(j) for j in chosen}
    return [len(picked.intersection(limit.members)) for limit in problem.limits]


def worthless(least_gain_m2: float) -> NoDesign:
    """The refusal where not one nozzle is worth its place."""
    return NoDesign(
        "least_gain",
        f"no nozzle adds as much as least_gain, {least_gain_m2:g} weighted m², or makes a cell that needs two count: "
        "lower least_gain, bring mounting lines nearer to the zones, or let one nozzle cover",
    )
