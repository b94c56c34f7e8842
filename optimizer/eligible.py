"""Which legal footprints may be candidates: tubing reaches them, their zones may mist together, they are of use.

Of several footprints of one position, a locked one keeps the first that is of use; one that reaches no cell which
another does not is dominated.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array

from geometry.corridors import Corridors
from geometry.coverage import zone_touch
from geometry.footprint import Footprints
from geometry.positions import Positions
from geometry.reached import reached_positions
from optimizer.brief import Schedule
from optimizer.errors import NoDesign
from optimizer.scenario import Scenario

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAY_MIN = 1440


@dataclass(frozen=True)
class Eligible:
    """Footprints that may be candidates, by number (`of`, ascending), each with its schedule group.

    left_out: reasons why positions have none, with their number.
    """

    of: Ints
    group: Ints
    groups: tuple[str, ...]
    left_out: tuple[tuple[str, int], ...]


def eligible(scenario: Scenario, graph: Corridors, positions: Positions, prints: Footprints) -> Eligible:
    """The footprints that may be candidates. Raises NoDesign (rule `locked`) for a locked position without any."""
    touched = zone_touch(prints.polygons, scenario.site.zones)
    groups, group, scheduled = _schedule_groups(scenario, touched)
    at = prints.position
    connected = reached_positions(graph, positions.line, positions.chainage_m)[at]
    continuous = np.array([line.continuous for line in scenario.site.lines], dtype=bool)[positions.line[at]]
    misting: Bools = np.any(touched, axis=1)
    useful = misting | positions.locked[at] | continuous
    fit = connected & scheduled & useful
    _require_locked(scenario, positions, prints, fit)
    fit &= ~positions.locked[at] | _first_of_position(at, fit, misting)
    of = np.flatnonzero(fit)
    reasons = Counter(reason for _, reason in prints.dropped)
    reasons["no tubing reaches it from any pump site"] += _positions_without(at, connected)
    reasons["it would mist zones whose permitted hours do not agree"] += _positions_without(
        at[connected], scheduled[connected]
    )
    allowed = connected & scheduled
    reasons["its footprint meets no zone"] += _positions_without(at[allowed], useful[allowed])
    return Eligible(of, group[of], groups, tuple(sorted((reason, n) for reason, n in reasons.items() if n)))


def dominated(incidence: csr_array, place: Ints, group: Ints) -> Bools:
    """[J] whether a footprint's cells are all another's of the same position and group; of equal ones the first stays.

    incidence: [C, J]; place: [J] ascending. A footprint without cells is dominated by any of its position.
    """
    columns = csc_array(incidence)
    size = np.diff(columns.indptr)
    lost = np.zeros(len(place), dtype=bool)
    for apart in range(1, len(place)):
        first = np.flatnonzero(place[:-apart] == place[apart:])
        if not len(first):
            break
        later = first + apart
        shared = np.asarray(columns[:, first].multiply(columns[:, later]).sum(axis=0)).ravel()
        alike = group[first] == group[later]
        holds_later = (shared == size[later]) & (alike | (size[later] == 0))
        holds_first = (shared == size[first]) & (alike | (size[first] == 0)) & ~holds_later
        lost[later[holds_later]] = True
        lost[first[holds_first]] = True
    return lost


def _first_of_position(at: Ints, fit: Bools, misting: Bools) -> Bools:
    """Of each position's fit footprints the first that mists a zone, else the first."""
    order = np.lexsort((np.arange(len(at)), ~misting, ~fit, at))
    first = np.zeros(len(at), dtype=bool)
    first[order[np.flatnonzero(np.diff(at[order], prepend=-1))]] = True
    return first


def _positions_without(at: Ints, good: Bools) -> int:
    """Number of positions none of whose footprints is good."""
    return len(np.setdiff1d(at, at[good]))


def _schedule_groups(scenario: Scenario, touched: Bools) -> tuple[tuple[str, ...], Ints, Bools]:
    """Group of each footprint: that of the touched zone whose hours lie within the hours of all others it touches.

    Returns the names of the groups in use, [M] index into them, [M] whether there is such a group.
    """
    zones = scenario.site.zones
    hours = {schedule.name: _minutes(schedule) for schedule in scenario.schedules}
    names = tuple(sorted({zone.schedule for zone in zones}))
    has = np.zeros((len(touched), len(names)), dtype=bool)
    for index, zone in enumerate(zones):
        has[:, names.index(zone.schedule)] |= touched[:, index]
    within = np.array([[hours[a] <= hours[b] for b in names] for a in names])
    fits = has & ~(has[:, None, :] & ~within[None, :, :]).any(axis=2)
    found = fits.any(axis=1) | ~has.any(axis=1)
    chosen = np.where(fits.any(axis=1), fits.argmax(axis=1), 0)
    used = sorted(set(chosen[found & has.any(axis=1)].tolist()))
    place = np.array([used.index(c) if c in used else 0 for c in range(len(names))])
    return tuple(names[c] for c in used), place[chosen].astype(np.int64), found


def _minutes(schedule: Schedule) -> frozenset[int]:
    return frozenset(minute % DAY_MIN for start, end in schedule.hours for minute in range(start, end))


def _require_locked(scenario: Scenario, positions: Positions, prints: Footprints, fit: Bools) -> None:
    kept = set(prints.position[fit].tolist())
    for index in np.flatnonzero(positions.locked):
        if int(index) not in kept:
            reason = dict(prints.dropped).get(int(index), "no tubing, schedule or zone suits it")
            place = f"{scenario.site.lines[positions.line[index]].name} at {positions.chainage_m[index]:.2f} m"
            raise NoDesign("locked", f"The locked position on line {place} cannot hold a nozzle: {reason}.")
