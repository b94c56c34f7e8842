"""Candidate positions of nozzles along mounting lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.chainage import (
    NEAR_M,
    BoolArray,
    FloatArray,
    IntArray,
    places_at,
    strictly_inside,
    within_stretches,
)
from geometry.errors import ArgumentError
from geometry.site import KeepOut, MountingLine, Site


@dataclass(frozen=True, eq=False)
class Positions:
    """M candidate positions, by line in the site's order and by chainage.

    `line` indexes the site's lines; `z_m` is the nozzle's elevation above the datum, `height_m` above the
    ground.
    """

    line: IntArray
    chainage_m: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    z_m: FloatArray
    height_m: FloatArray
    locked: BoolArray
    preferred: BoolArray

    def __len__(self) -> int:
        return len(self.line)


def candidate_positions(site: Site, step_m: float) -> Positions:
    """Every `step_m` metres from each line's start, both ends, and all locked and preferred chainages.

    Left out are positions strictly inside stretches without nozzles or tubing or inside keep-outs that forbid
    mounting or tubing, and those within half a step of a forbidden chainage; a locked or preferred one stays in
    any case. A line with supports has candidates at its supports only, apart from these. Raises ArgumentError
    for a step that is not above 0.
    """
    if not step_m > 0.0:
        raise ArgumentError(f"step_m: {step_m} m is no step; give one above 0 m")
    keep_outs = [one for one in site.keep_outs if one.forbids & {"mounting", "tubing"}]
    found = [_on_line(line, step_m, keep_outs) for line in site.lines]
    pairs = list(zip(site.lines, found, strict=True))
    places = [places_at(line.line, line.ground_m, at) for line, at in pairs]
    heights = [np.full(len(at), line.height_m) for line, at in pairs]
    height_m = _joined(heights)
    return Positions(
        line=np.repeat(np.arange(len(site.lines)), [len(at) for at in found]),
        chainage_m=_joined(found),
        x_m=_joined([x for x, _, _ in places]),
        y_m=_joined([y for _, y, _ in places]),
        z_m=_joined([ground for _, _, ground in places]) + height_m,
        height_m=height_m,
        locked=_joined([_among(at, line.locked_m, line) for line, at in pairs]) > 0.0,
        preferred=_joined([_among(at, line.preferred_m, line) for line, at in pairs]) > 0.0,
    )


def _joined(arrays: list[FloatArray]) -> FloatArray:
    return np.concatenate([np.zeros(0), *arrays])


def _on_line(line: MountingLine, step_m: float, keep_outs: list[KeepOut]) -> FloatArray:
    """Chainages of a line's candidates in order."""
    length = float(line.line.length)
    free = np.array(line.supports_m) if line.supports_m else _stepped(length, step_m)
    free = _round_trip(np.minimum(free, length), line)
    x, y, _ = places_at(line.line, line.ground_m, free)
    barred = within_stretches(free, (*line.no_nozzles, *line.no_tubing))
    for keep_out in keep_outs:
        barred |= strictly_inside(keep_out.polygon, x, y)
    for forbidden in line.forbidden_m:
        barred |= _apart(free, forbidden, line) <= step_m / 2.0 + NEAR_M
    asked = _asked(line)
    for chainage in asked:
        barred |= _apart(free, float(chainage), line) <= NEAR_M
    return np.sort(np.concatenate([free[~barred], asked]))


def _asked(line: MountingLine) -> FloatArray:
    """Locked and preferred chainages of a line; of two at one place the locked one."""
    locked, preferred = (
        _round_trip(np.minimum(np.array(asked, dtype=float), line.line.length), line)
        for asked in (line.locked_m, line.preferred_m)
    )
    return np.concatenate([locked, preferred[_among(preferred, locked, line) == 0.0]])


def _among(chainage_m: FloatArray, asked_m: Sequence[float] | FloatArray, line: MountingLine) -> FloatArray:
    """1 where a chainage is one of those asked for, else 0."""
    among = np.zeros(len(chainage_m))
    for asked in asked_m:
        among[_apart(chainage_m, min(float(asked), float(line.line.length)), line) <= NEAR_M] = 1.0
    return among


def _stepped(length_m: float, step_m: float) -> FloatArray:
    steps = np.arange(int(np.floor(length_m / step_m)) + 1) * step_m
    return np.append(steps[steps < length_m - NEAR_M], length_m)


def _round_trip(chainage_m: FloatArray, line: MountingLine) -> FloatArray:
    """Distinct chainages in order; on a closed line its end is its start."""
    if line.closed:
        chainage_m = np.where(chainage_m > line.line.length - NEAR_M, 0.0, chainage_m)
    ordered = np.sort(chainage_m)
    return ordered[np.diff(ordered, prepend=-1.0) > NEAR_M]


def _apart(chainage_m: FloatArray, other_m: float, line: MountingLine) -> FloatArray:
    """Distance along the line, the shorter way round on a closed one."""
    apart = np.abs(chainage_m - other_m)
    return np.minimum(apart, np.abs(line.line.length - apart)) if line.closed else apart
