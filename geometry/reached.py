"""What pump sites can reach along the corridors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geometry.chainage import NEAR_M, BoolArray, FloatArray, IntArray
from geometry.corridors import Corridors
from geometry.site import Site


def reached_edges(corridors: Corridors, pump_sites: Sequence[int] | None = None) -> BoolArray:
    """Whether each edge [E] is connected with one of the pump sites given (by index; None: any)."""
    count = len(corridors.x_m)
    ties = (np.ones(len(corridors.tail)), (corridors.tail, corridors.head))
    _, part = connected_components(coo_array(ties, shape=(count, count)), directed=False)
    chosen = corridors.site_node if pump_sites is None else corridors.site_node[list(pump_sites)]
    return np.isin(part[corridors.tail], part[chosen])


def reached_positions(
    corridors: Corridors, line: IntArray, chainage_m: FloatArray, pump_sites: Sequence[int] | None = None
) -> BoolArray:
    """Whether each position [M] on a mounting line lies on a corridor that one of the pump sites reaches."""
    reached = np.zeros(len(line), dtype=bool)
    for edge in np.flatnonzero(reached_edges(corridors, pump_sites) & (corridors.line >= 0)):
        low, high = corridors.from_m[edge] - NEAR_M, corridors.to_m[edge] + NEAR_M
        reached |= (line == corridors.line[edge]) & (chainage_m >= low) & (chainage_m <= high)
    return reached


def unreached_lines(site: Site, corridors: Corridors) -> tuple[str, ...]:
    """Names of the mounting lines no part of which any pump site reaches."""
    reached = set(corridors.line[reached_edges(corridors)].tolist())
    return tuple(line.name for index, line in enumerate(site.lines) if index not in reached)
