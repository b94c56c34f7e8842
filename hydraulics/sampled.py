"""Many states of one tree at once, compiled: each has bores, nozzles, fittings, water and set pressure of its own.

The laws are those of `steady_tree`, whose Newton step this is, node by node in one pass from the leaves to the supply
and one back; a nozzle stands at the flow of its pressure throughout, and a leak is an orifice, q = k sqrt(p). What is
not proven by its own residuals in a few steps is left to the general solver.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hydraulics.chance import sample_key, spread_draw, uniform_draw
from hydraulics.compiled import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GRAVITY_M_S2 = 9.80665
LAMINAR_END_RE, TURBULENT_START_RE = 2000.0, 4000.0
MOST_STEPS = 25

NOZZLE_FLOW, BORE_BATCH, BORE_TUBE, ROUGHNESS, MINOR_LOSSES, TEMPERATURE, SET_PRESSURE, CLOG, LEAK, LEAK_AT = range(10)

_LN10_HALF_SQUARED = 0.25 * math.log(10.0) ** 2  # of Swamee and Jain: 0.25 / log10(x)^2 = this / ln(x)^2
_SMOOTH_4000 = 5.74 * TURBULENT_START_RE**-0.9
_QUARTER_PI = math.pi / 4


class Tree(NamedTuple):
    """A tree as arrays [N], each node after its parent; as in TreeNetwork. Start: a state near those asked for."""

    parent: Ints
    z_m: Floats
    length_m: Floats
    bore_m: Floats
    roughness_m: Floats
    minor_k: Floats
    nozzle_k: Floats
    nozzle_p0_pa: Floats
    nozzle_n: Floats
    reducer_pa: Floats
    reducer_k: Floats
    start_pa: Floats
    start_m3_s: Floats
    start_set_pa: float
    start_holds: NDArray[np.bool_]
    reduced: bool


class States(NamedTuple):
    """What differs by sample: bore_m and nozzle_k [S, N], the others [S]; roughness and minor losses as factors;
    delivery at the set pressure; leak_at is the node that leaks, -1 where none does, leak_k its orifice in m3/s per
    sqrt(Pa)."""

    bore_m: Floats
    nozzle_k: Floats
    roughness: Floats
    minor: Floats
    density_kg_m3: Floats
    viscosity_pa_s: Floats
    set_pa: Floats
    delivery_m3_s: Floats
    leak_at: Ints
    leak_k: Floats


class Parts(NamedTuple):
    """Numbers of parts over all circuits, so that what is shared is drawn alike: [N] size and tube of the link into
    each node (tube -1: its bore is as drawn), [N] nozzle, and pump and circuit."""

    size: Ints
    tube: Ints
    nozzle: Ints
    pump: int
    circuit: int


class Chances(NamedTuple):
    """spread: [7, 3] low, high and normal of the sources NOZZLE_FLOW to SET_PRESSURE; each nozzle is clogged with a
    chance and lets a share of its flow through; with another the circuit has a leak of leak_k."""

    spread: Floats
    clog_chance: float
    clog_left: float
    leak_chance: float
    leak_k: float


@jit
def temperatures(chances: Chances, seed: int, first: int, count: int) -> Floats:
    """Water temperature of each sample, °C [S]."""
    low, high, normal = chances.spread[TEMPERATURE]
    found = np.empty(count)
    for s in range(count):
        found[s] = spread_draw(low, high, normal, sample_key(seed, first + s), TEMPERATURE, 0)
    return found


@jit
def draw(tree: Tree, parts: Parts, chances: Chances, seed: int, first: int, states: States) -> None:
    """Fill the states of the samples first, first + 1, ... but for density and viscosity."""
    count, nodes = states.bore_m.shape
    spread = chances.spread
    for s in range(count):
        key = np.uint64(sample_key(seed, first + s))
        batch, size = 0.0, -1
        for i in range(1, nodes):
            if parts.tube[i] < 0:
                states.bore_m[s, i] = tree.bore_m[i]
                continue
            if parts.size[i] != size:
                size = parts.size[i]
                batch = spread_draw(spread[BORE_BATCH, 0], spread[BORE_BATCH, 1], spread[BORE_BATCH, 2],
                                    key, BORE_BATCH, size)
            tube = spread_draw(spread[BORE_TUBE, 0], spread[BORE_TUBE, 1], spread[BORE_TUBE, 2],
                               key, BORE_TUBE, parts.tube[i])
            states.bore_m[s, i] = tree.bore_m[i] * (1.0 + batch) * (1.0 + tube)
        for i in range(nodes):
            k = tree.nozzle_k[i]
            if k > 0.0:
                k *= 1.0 + spread_draw(spread[NOZZLE_FLOW, 0], spread[NOZZLE_FLOW, 1], spread[NOZZLE_FLOW, 2],
                                       key, NOZZLE_FLOW, parts.nozzle[i])
                if chances.clog_chance > 0.0 and uniform_draw(key, CLOG, parts.nozzle[i]) < chances.clog_chance:
                    k *= chances.clog_left
            states.nozzle_k[s, i] = k
        states.roughness[s] = 1.0 + spread_draw(spread[ROUGHNESS, 0], spread[ROUGHNESS, 1], spread[ROUGHNESS, 2],
                                                key, ROUGHNESS, 0)
        states.minor[s] = 1.0 + spread_draw(spread[MINOR_LOSSES, 0], spread[MINOR_LOSSES, 1], spread[MINOR_LOSSES, 2],
                                            key, MINOR_LOSSES, 0)
        states.set_pa[s] = tree.start_set_pa + spread_draw(
            spread[SET_PRESSURE, 0], spread[SET_PRESSURE, 1], spread[SET_PRESSURE, 2], key, SET_PRESSURE, parts.pump)
        states.leak_at[s], states.leak_k[s] = -1, chances.leak_k
        if nodes > 1 and uniform_draw(key, LEAK, parts.circuit) < chances.leak_chance:
            states.leak_at[s] = 1 + int(uniform_draw(key, LEAK_AT, parts.circuit) * (nodes - 1))


@jit
def solve_samples(tree: Tree, states: States, tolerance: float, pressure_pa: Floats, net_m3_s: Floats,
                  residual: Floats) -> None:
    """Pressures [S, N], net flow [S] and worst residual [S]: of mass over the net flow, of energy over the set
    pressure; NaN or above tolerance where the few steps do not prove a state."""
    count, nodes = states.bore_m.shape
    flow, holds = np.empty(nodes), np.empty(nodes, dtype=np.bool_)
    laws, work = np.zeros((5, nodes)), np.zeros((5, nodes))
    for s in range(count):
        drift = states.set_pa[s] - tree.start_set_pa
        for i in range(nodes):
            pressure_pa[s, i], flow[i] = tree.start_pa[i] + drift, tree.start_m3_s[i]
            holds[i] = tree.start_holds[i]
        _prepare(tree, states, s, laws)
        residual[s] = np.nan
        for _ in range(MOST_STEPS):
            residual[s] = _gather(tree, states, s, laws, pressure_pa[s], flow, holds, work)
            if not residual[s] > tolerance:
                break
            _scatter(tree, states, s, pressure_pa[s], flow, holds, work)
            if tree.reduced:
                _switch(tree, laws, pressure_pa[s], flow, holds)
        net_m3_s[s] = flow[0]


@jit
def _prepare(tree: Tree, states: States, s: int, laws: Floats) -> None:
    """By link: Reynolds number over flow, laminar loss over flow, Darcy's loss over f q^2, relative roughness over 3.7,
    and the loss of one velocity head over q^2."""
    density, viscosity = states.density_kg_m3[s], states.viscosity_pa_s[s]
    for i in range(1, tree.parent.size):
        bore, length = states.bore_m[s, i], tree.length_m[i]
        area = _QUARTER_PI * bore * bore
        head = 0.5 * density / (area * area)
        laws[0, i] = density * bore / (area * viscosity)
        laws[1, i] = 32.0 * viscosity * length / (area * bore * bore)
        laws[2, i] = head * length / bore
        laws[3, i] = tree.roughness_m[i] * states.roughness[s] / (3.7 * bore)
        laws[4, i] = head


@jit
def _gather(tree: Tree, states: States, s: int, laws: Floats, p: Floats, flow: Floats, holds: NDArray[np.bool_],
            work: Floats) -> float:
    """The worst residual of an iterate, and in `work` what its Newton step needs: each link's dQ = a + b dp(start),
    from the leaves to the supply, beside what its law lacks and its slope."""
    a, b, lack, slope, mass = work[0], work[1], work[2], work[3], work[4]
    nodes, minor = tree.parent.size, states.minor[s]
    weight = states.density_kg_m3[s] * GRAVITY_M_S2
    set_pa, delivery = states.set_pa[s], states.delivery_m3_s[s]
    energy, imbalance = 0.0, 0.0
    for i in range(nodes):
        over, k = p[i] - tree.nozzle_p0_pa[i], states.nozzle_k[s, i]
        a[i], b[i], mass[i] = 0.0, 0.0, -flow[i]
        if k > 0.0 and over > 0.0:
            q = k * over ** tree.nozzle_n[i]
            b[i], mass[i] = tree.nozzle_n[i] * q / over, q - flow[i]
    leak = states.leak_at[s]
    if leak >= 0 and p[leak] > 0.0:
        q = states.leak_k[s] * math.sqrt(p[leak])
        b[leak] += 0.5 * q / p[leak]
        mass[leak] += q
    for i in range(nodes - 1, 0, -1):
        above = tree.parent[i]
        imbalance = max(imbalance, abs(mass[i]))
        head = tree.minor_k[i] * minor * laws[4, i]
        loss, slope[i] = _link(laws[0, i], laws[1, i], laws[2, i], laws[3, i], head, flow[i])
        start = p[above]
        if tree.reduced and not np.isnan(tree.reducer_pa[i]):
            head = tree.reducer_k[i] * laws[4, i]
            spare = start - head * flow[i] * abs(flow[i]) - tree.reducer_pa[i]
            energy = max(energy, -spare if holds[i] else spare)  # held from less than it takes, or open to more
            if holds[i]:
                start = tree.reducer_pa[i]
            else:
                start -= head * flow[i] * abs(flow[i])
                slope[i] += 2.0 * head * abs(flow[i])
        lack[i] = start + weight * (tree.z_m[above] - tree.z_m[i]) - loss - p[i]
        energy = max(energy, abs(lack[i]))
        share = 1.0 / (1.0 + b[i] * slope[i])
        a[i] = (a[i] + mass[i] + b[i] * lack[i]) * share
        b[i] *= share
        a[above] += a[i]
        mass[above] += flow[i]
        if not holds[i]:
            b[above] += b[i]
    a[0] += mass[0]
    imbalance = max(imbalance, abs(mass[0]))
    idle, left = (set_pa - p[0]) / set_pa, 1.0 - flow[0] / delivery
    supply = abs(min(idle, left))  # the supply law: neither below 0, one of them 0
    return max(energy / set_pa, supply, imbalance / (flow[0] if flow[0] > 0.0 else delivery))


@jit
def _scatter(tree: Tree, states: States, s: int, p: Floats, flow: Floats, holds: NDArray[np.bool_],
             work: Floats) -> None:
    """The step, from the supply to the leaves: to the set pressure, or to where the net flow is the delivery."""
    a, b, lack, slope, change = work[0], work[1], work[2], work[3], work[4]
    to_set, spare = states.set_pa[s] - p[0], states.delivery_m3_s[s] - flow[0] - a[0]
    change[0] = to_set if b[0] * to_set <= spare else spare / b[0]
    flow[0] += a[0] + b[0] * change[0]
    p[0] += change[0]
    for i in range(1, tree.parent.size):
        above = 0.0 if holds[i] else change[tree.parent[i]]
        step = a[i] + b[i] * above
        change[i] = above + lack[i] - slope[i] * step
        flow[i] += step
        p[i] += change[i]


@jit
def _switch(tree: Tree, laws: Floats, p: Floats, flow: Floats, holds: NDArray[np.bool_]) -> None:
    """Reducers hold that get more than their setting takes."""
    for i in range(1, tree.parent.size):
        if not np.isnan(tree.reducer_pa[i]):
            taken = tree.reducer_k[i] * laws[4, i] * flow[i] * abs(flow[i])
            holds[i] = p[tree.parent[i]] - taken > tree.reducer_pa[i]


@jit
def _link(
    re_per_flow: float, laminar: float, darcy: float, rough: float, head: float, flow: float
) -> tuple[float, float]:
    """Loss along a link, with the sign of its flow, and its derivative: the laws of `friction` and `fittings`."""
    size = abs(flow)
    re, head = re_per_flow * size, head * size
    if re < LAMINAR_END_RE:
        return (laminar + head) * flow, laminar + 2.0 * head
    if re > TURBULENT_START_RE:
        smooth = 5.74 * math.exp(-0.9 * math.log(re))
        logarithm = math.log(rough + smooth)
        factor = _LN10_HALF_SQUARED / (logarithm * logarithm)
        elastic = factor * 1.8 * smooth / ((rough + smooth) * logarithm)
    else:
        factor, elastic = _dunlop(re / LAMINAR_END_RE, rough)
    darcy *= size
    return (darcy * factor + head) * flow, darcy * (2.0 * factor + elastic) + 2.0 * head


@jit
def _dunlop(r: float, rough: float) -> tuple[float, float]:
    """Dunlop's cubic at Re = 2000 r, and Re times its slope."""
    logarithm = math.log(rough + _SMOOTH_4000)
    fa = _LN10_HALF_SQUARED / (logarithm * logarithm)
    fb = 2.0 * fa + fa * 1.8 * _SMOOTH_4000 / ((rough + _SMOOTH_4000) * logarithm)
    x1, x2 = 7.0 * fa - fb, 0.128 - 17.0 * fa + 2.5 * fb
    x3, x4 = -0.128 + 13.0 * fa - 2.0 * fb, 0.032 - 3.0 * fa + 0.5 * fb
    return x1 + r * (x2 + r * (x3 + r * x4)), r * (x2 + r * (2.0 * x3 + r * 3.0 * x4))
