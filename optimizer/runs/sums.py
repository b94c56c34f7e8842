"""Sums over the contracted model's tubes, as its rows use them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pyomo.environ as pyo

from optimizer.runs.contracted import Pass
from optimizer.runs.places import layers_of_group

total = pyo.quicksum
BAR = 1e5  # pascals; pressures in bar keep the rows' numbers within a few orders of magnitude


def sizes_of(model: Any) -> range:
    """Numbers of the sizes."""
    return range(len(model.data.sizes))


def shared(model: Any, layer: int) -> bool:
    """Whether a layer holds several circuits."""
    return bool(model.data.layers[layer].shared)


def feeds(model: Any, a: int) -> bool:
    """Whether a pass may feed nozzles on its way."""
    one: Pass = model.data.passes[a]
    return one.nozzles > 0 or shared(model, one.layer)


def both_ways(model: Any, layer: int, w: int) -> tuple[list[int], list[int]]:
    """The layer's passes along a way, and those along it the other way."""
    along = model.at.along.get((layer, w // 2), [])
    there = [a for a in along if model.data.passes[a].way == w]
    return there, [a for a in along if a not in there]


def laid(model: Any, passes: Iterable[int]) -> Any:
    """sum X_ad."""
    return total(model.X[a, d] for a in passes for d in sizes_of(model))


def opened(model: Any, passes: Iterable[int]) -> Any:
    """sum Y_a, of layers with one circuit sum X_ad."""
    every = list(passes)
    return total(model.Y[a] for a in every if a in model.Y) + laid(model, [a for a in every if a not in model.Y])


def ended(model: Any, stubs: Iterable[int]) -> Any:
    """sum W_td."""
    return total(model.W[t, d] for t in stubs for d in sizes_of(model))


def stubs_from(model: Any, way: int, group: int) -> list[int]:
    """Stubs on a way of all layers of a group."""
    layers = layers_of_group(model.data, group)
    return [t for n in layers for t in model.at.stubs_along.get((n, way), [])]


def reached(model: Any, layer: int, v: int) -> Any:
    """IN_lv: tubes of the layer into v, and its circuits that start there."""
    return laid(model, model.at.into.get((layer, v), [])) + model.data.layers[layer].rooted(v)
