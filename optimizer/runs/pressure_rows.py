"""Rows of the contracted model on pressure: what tubes lose, and what nozzles need.

Heads hold for layers with one circuit. Where circuits share nozzles, pressure only limits what each tube carries, and
what all tubes lose together.
"""

from __future__ import annotations

from typing import Any

from optimizer.runs.contracted import Pass
from optimizer.runs.sums import BAR, ended, laid, sizes_of, total


def loss(model: Any, a: int, d: int, i: int) -> Any:
    """h_ad >= alpha g_ad + beta X_ad, in bar."""
    slope, value = model.data.passes[a].lines[d][i]
    return model.h[a, d] >= slope / BAR * model.g[a, d] + value / BAR * model.X[a, d]


def head(model: Any, a: int) -> Any:
    """P_lv <= P_lu - sum_d h_ad - r_a X_a + (M_lv - E_lu) (1 - X_a)."""
    one: Pass = model.data.passes[a]
    start, end = (one.layer, one.start), (one.layer, one.end)
    spread = (model.data.range_pa[end][1] - model.data.range_pa[start][0]) / BAR
    lost = total(model.h[a, d] for d in sizes_of(model))
    there = laid(model, [a])
    return model.P[end] <= model.P[start] - lost - one.rise_pa / BAR * there + spread * (1 - there)


def inside(model: Any, a: int, i: int) -> Any:
    """P_lu >= sum_d (alpha g_ad + beta X_ad) + E_lu (1 - X_a): nozzles fed on the way."""
    one: Pass = model.data.passes[a]
    start = one.layer, one.start
    need: Any = model.data.range_pa[start][0] / BAR * (1 - laid(model, [a]))
    for d in sizes_of(model):
        if one.need[d]:
            slope, value = one.need[d][min(i, len(one.need[d]) - 1)]
            need += slope / BAR * model.g[a, d] + value / BAR * model.X[a, d]
    return model.P[start] >= need


def need_stub(model: Any, layer: int, w: int) -> Any:
    """P_lu >= sum_t,d N_td W_td + E_lu (1 - sum W) over the layer's stubs on the way."""
    stubs = model.at.stubs_along[layer, w]
    start = layer, model.data.prepared.segments.ways[w].start
    need = total(model.data.stubs[t].need_pa[d] / BAR * model.W[t, d] for t in stubs for d in sizes_of(model))
    return model.P[start] >= need + model.data.range_pa[start][0] / BAR * (1 - ended(model, stubs))


def need_own(model: Any, layer: int, k: int) -> Any:
    """P_lv >= p o_lk."""
    low = model.data.prepared.problem.band_low_pa
    return model.P[layer, model.data.prepared.spot[k]] >= low / BAR * model.o[layer, k]


def supply(model: Any, layer: int, i: int) -> Any:
    """P_lv <= alpha S_lv + beta at the pump of a layer with one circuit, in bar."""
    slope, value = model.data.supply[layer][i]
    key = layer, model.data.layers[layer].roots[0].junction
    return model.P[key] <= slope / BAR * model.S[key] + value / BAR


def spend(model: Any, a: int, d: int, i: int) -> Any:
    """e_ad >= alpha g_ad + beta X_ad, in bar x nozzles: the tubes' losses, each times the nozzles that bear it, convex
    in what a tube carries, so that it holds for several tubes together."""
    slope, value = model.data.passes[a].spent[d][i]
    return model.e[a, d] >= slope / BAR * model.g[a, d] + value / BAR * model.X[a, d]


def budget(model: Any, layer: int) -> Any:
    """sum e_ad + sum e_td W_td <= sum over nozzles of outlet pressure - height - p: what goes to the nozzles is no more
    than what comes from the pumps."""
    data, sizes = model.data, sizes_of(model)
    tubes = total(model.e[a, d] for a, one in enumerate(data.passes) if one.layer == layer for d in sizes)
    ends = total(
        one.spent[d] / BAR * model.W[t, d] for t, one in enumerate(data.stubs) if one.layer == layer for d in sizes
    )
    return tubes + ends <= data.budget[layer] / BAR
