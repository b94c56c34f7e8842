"""Gaps along mounting lines that are longer than the greatest spacing, and why they are there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geometry.site import MountingLine, Site
from optimizer.appraisal.figures import Gap
from optimizer.placement.problem import TOLERANCE_M

CHOSEN, FREE_STRETCH, NO_CANDIDATE = "chosen so", "stretch without nozzles", "no candidate position"

Floats = NDArray[np.float64]


def gaps(
    site: Site, line: NDArray[np.int64], chainage_m: Floats, chosen: Sequence[int], greatest_m: float
) -> tuple[Gap, ...]:
    """Every gap between nozzles of a line, or between its end and a nozzle, that is longer than `greatest_m`.

    line, chainage_m: [J] of the candidates. A gap is *chosen so* where other candidates could have closed it; else
    its reason is that of its longest part without candidates. Lines in the site's order, gaps by chainage.
    """
    taken = np.zeros(len(line), dtype=bool)
    taken[list(chosen)] = True
    return tuple(
        gap
        for number, one in enumerate(site.lines)
        for gap in _of_line(one, chainage_m[line == number], chainage_m[(line == number) & taken], greatest_m)
    )


def _of_line(line: MountingLine, places_m: Floats, nozzles_m: Floats, greatest_m: float) -> Iterator[Gap]:
    length = float(line.line.length)
    for low, high in _between(nozzles_m, length, line.closed):
        if high - low > greatest_m + TOLERANCE_M:
            stops = _between(_within(places_m, low, high, length if line.closed else 0.0), high, False, low)
            bare_low, bare_high = max(stops, key=lambda stop: stop[1] - stop[0])
            if bare_high - bare_low <= greatest_m + TOLERANCE_M:
                yield Gap(line.name, low, high, high - low, CHOSEN)
            else:
                yield Gap(line.name, low, high, high - low, *_why(line, bare_low, bare_high))


def _between(at_m: Floats, end_m: float, closed: bool, start_m: float = 0.0) -> list[tuple[float, float]]:
    """Intervals between places, from start to end of a line or once round a closed one."""
    at = np.unique(at_m)
    stops = np.append(at, at[0] + end_m) if closed and len(at) else np.concatenate([[start_m], at, [end_m]])
    return [(float(a), float(b)) for a, b in pairwise(stops)]


def _within(places_m: Floats, low: float, high: float, lap_m: float) -> Floats:
    """Places strictly between two chainages, those of the next lap too on a closed line."""
    laps = np.concatenate([places_m, places_m + lap_m]) if lap_m else places_m
    found: Floats = laps[(laps > low + TOLERANCE_M) & (laps < high - TOLERANCE_M)]
    return found


def _why(line: MountingLine, low: float, high: float) -> tuple[str, str]:
    """Reason and detail of a gap whose longest part without candidates is from low to high."""
    lap = float(line.line.length) if line.closed else 0.0
    for stretch in (*line.no_nozzles, *line.no_tubing):
        for shift in {0.0, lap}:
            if stretch.from_m + shift < high - TOLERANCE_M and stretch.to_m + shift > low + TOLERANCE_M:
                return FREE_STRETCH, stretch.reason
    return NO_CANDIDATE, ""
