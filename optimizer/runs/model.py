"""The contracted run-split model: flow and head over segments between junctions, for one set of tubing sizes.

    sets        PASS  a layer's tube along a whole way a: u -> v       STUB  a layer's dead end t that reaches the
                SIZE  tubing sizes d                                         n_t-th nozzle of its group on a way from u
                REACH (layer l, junction v)                            PART  (segment, group) with nozzles, n of them
                OWN   (layer l, nozzle k on a junction)                DUG   segments with ground work
    data        n_a nozzles fed by a pass        L length        r_a rise (bar)       G_ad most nozzles beyond a pass
                lines (alpha, beta) of the loss of a pass by size, and of the need at its start (bar)
                N_td need at the start of a stub (bar)     e_td its loss times nozzles        T_l circuits of a layer
                M_lv, E_lv greatest, least pressure at v (bar)     p low edge of the band (bar)       C room of a pump
                B_lv circuits that start at v              D_l pressure to spare at the pumps (bar x nozzles)
                price of tubing and of ground work
    variables   X_ad  tubes of size d on the pass               g_ad  nozzles fed beyond its end    h_ad  its loss (bar)
                W_td  1 where the stub is laid in size d        o_lk  1 where l feeds nozzle k      P_lv  pressure (bar)
                R_s   1 where the ground of s is opened         S_lv  nozzles fed by the pumps at v
                Y_a   1 where a pass of a shared layer is laid  m_lw  nozzles of a part fed from the start of way w
                e_ad  loss of the pass times the nozzles that bear it (bar x nozzles)

    min  sum price_d L_a X_ad + sum price_d L_t W_td + sum price_s R_s                               cost
    (1)   passes that feed + splits = 1, >= 1 if shared       every part                             serve
    (2)   stubs of b from one end = stubs of n - b from the other, 0 < b < n                         meet
    (3)   m_lw + m_lw' = n                                    every part of a shared layer           share
    (4)   m_lw <= n (Y_a + Y_a' + sum_t,d on w W_td)          every way of such a part               feed
    (5)   sum_l o_lk = 1                                      every nozzle on a junction             serve_own
    (6)   sum_a,d into v X_ad <= T_l - B_lv                   every (l, v)                           enter
    (7)   sum_d X_ad <= IN_lu, passes back left out           every pass                             lead
    (8)   Y_a <= sum Y into u + B_lu, passes back left out    every pass of a shared layer           lead_first
    (9)   Y_a <= sum_d X_ad                                   every pass of a shared layer           first
    (10)  sum_d X_ad <= T_l Y_a                               every pass of a shared layer           many
    (11)  sum_t,d W_td <= IN_lu                               every layer and way with stubs         lead_stub
    (12)  o_lk <= IN_lv                                       every own                              lead_own
    (13)  g_ad <= G_ad X_ad                                   every pass and size                    carry
    (14)  sum_in g + S = sum_out (g + n X) + sum n W + sum m + sum o      every (l, v)               balance
    (15)  h_ad >= alpha g_ad + beta X_ad                      every pass, size and line              loss
    (16)  P_lv <= P_lu - sum_d h_ad - r_a X_a + (M_lv - E_lu) (1 - X_a)    every pass, X_a = sum_d X_ad  head
    (17)  P_lu >= sum_d (alpha g_ad + beta X_ad) + E_lu (1 - X_a)     every pass that feeds, and line    inside
    (18)  P_lu >= sum_t,d N_td W_td + E_lu (1 - sum W)        every layer and way with stubs         need_stub
    (19)  P_lv >= p o_lk                                      every own                              need_own
    (20)  P_lv <= alpha S_lv + beta                           every layer, at its pump, and line     supply
    (21)  sum_a,d X_ad <= R_s, Y_a <= R_s if shared           every layer, every s in DUG            trench
    (22)  e_ad >= alpha g_ad + beta X_ad                      every pass, size and line              spend
    (23)  sum e_ad + sum e_td W_td <= D_l                     every layer of optimistic data         budget
    (24)  sum Y into K >= 1, sum X >= k or IN_lv, sum F(min(G_ad, n)) X_ad >= F(n)    sets K that violate it   connect

Rows 15 to 20 are of layers with one circuit. IN_lv: tubes of l into v and B_lv. Y_a stands for sum_d X_ad where a
layer has one circuit. Flow is counted in nozzles. Each row stands in the function of its name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pyomo.environ as pyo
from pyomo.common.collections import ComponentMap

from optimizer.runs.contracted import Contracted, Pass
from optimizer.runs.cuts import Cut, Tubes
from optimizer.runs.places import draws, layers_of_group, owns, places, starts
from optimizer.runs.pressure_rows import budget, head, inside, loss, need_own, need_stub, spend, supply
from optimizer.runs.sums import BAR, both_ways, ended, feeds, laid, opened, reached, shared, sizes_of, stubs_from, total


def build(data: Contracted, *, relaxed: bool = False) -> Any:
    """The `pyo.ConcreteModel` of the data; components are named as in the table above. relaxed: whole variables may
    take any value between, until `make_integral`.
    """
    model: Any = pyo.ConcreteModel("run splits")
    model.data, model.at = data, places(data)
    _variables(model)
    model.cost = pyo.Objective(expr=cost(model))
    for row, index in _rows(model):
        setattr(model, row.__name__, pyo.Constraint(list(index), rule=row))
    model.connect = pyo.ConstraintList()
    if not relaxed:
        make_integral(model)
    return model


def _variables(model: Any) -> None:
    data: Contracted = model.data
    sizes, passes = range(len(data.sizes)), range(len(data.passes))
    single = [a for a in passes if not shared(model, data.passes[a].layer)]

    def tubes(_: Any, a: int, d: int) -> tuple[float, float]:
        one = data.passes[a]
        return 0.0, data.layers[one.layer].tubes if one.beyond[d] >= 0 else 0.0

    def pressure(_: Any, layer: int, v: int) -> tuple[float, float]:
        least, most = data.range_pa[layer, v]
        return least / BAR, most / BAR

    model.X = pyo.Var(passes, sizes, bounds=tubes)
    model.W = pyo.Var(range(len(data.stubs)), sizes, bounds=lambda _, t, d: (0.0, float(data.stubs[t].may[d])))
    model.o = pyo.Var(owns(data), bounds=(0.0, 1.0))
    model.R = pyo.Var(sorted(data.dug), bounds=(0.0, 1.0))
    model.g = pyo.Var(passes, sizes, domain=pyo.NonNegativeReals)
    model.h = pyo.Var(single, sizes, domain=pyo.NonNegativeReals)
    model.e = pyo.Var(passes if data.budget else [], sizes, domain=pyo.NonNegativeReals)
    model.P = pyo.Var([key for key in model.at.reach if not shared(model, key[0])], bounds=pressure)
    room = {(layer, v): most for layer, v, most in starts(data)}
    model.S = pyo.Var(list(room), bounds=lambda _, layer, v: (0.0, room[layer, v]))
    model.Y = pyo.Var([a for a in passes if a not in set(single)], bounds=(0.0, 1.0))
    model.m = pyo.Var(draws(data), domain=pyo.NonNegativeReals)


def _rows(model: Any) -> list[tuple[Any, list[Any]]]:
    """Every family of rows but `connect`, with its index."""
    data, at = model.data, model.at
    sizes, passes = range(len(data.sizes)), range(len(data.passes))
    splits = [(s, g, b) for (s, g), n in sorted(data.parts.items()) for b in range(1, n)]
    ways = sorted({(one.layer, one.way) for one in data.passes})
    single_stubs = [key for key in sorted(at.stubs_along) if not shared(model, key[0])]
    lines = [(a, d, i) for a in passes for d in sizes for i in range(len(data.passes[a].lines[d]))]
    needs = [(a, i) for a in passes for i in range(max(map(len, data.passes[a].need)))]
    return [
        (serve, sorted(data.parts)),
        (meet, splits),
        (share, [key for key in model.m if key[1] % 2 == 0]),
        (feed, list(model.m)),
        (serve_own, list(data.at_junctions)),
        (enter, sorted(at.into)),
        (lead, ways),
        (lead_first, [key for key in ways if shared(model, key[0])]),
        (first, list(model.Y)),
        (many, list(model.Y)),
        (lead_stub, sorted(at.stubs_along)),
        (lead_own, owns(data)),
        (carry, [(a, d) for a in passes for d in sizes]),
        (balance, at.reach),
        (loss, lines),
        (head, sorted({a for a, _ in model.h})),
        (inside, needs),
        (need_stub, single_stubs),
        (need_own, [key for key in model.o if key[0] in data.supply]),
        (supply, [(layer, i) for layer, own in sorted(data.supply.items()) for i in range(len(own))]),
        (spend, [(a, d, i) for a, d in model.e for i in range(len(data.passes[a].spent[d]))]),
        (budget, sorted(data.budget)),
        (trench, [(layer, w) for layer, w in ways if w // 2 in data.dug]),
    ]


def make_integral(model: Any) -> None:
    """Let tubes, ownership and ground work be whole."""
    for variable in whole(model):
        variable.domain = pyo.NonNegativeIntegers


def whole(model: Any) -> list[Any]:
    """The variables that must be whole."""
    return [v for variables in (model.X, model.W, model.o, model.R, model.Y) for v in variables.values()]


def cost(model: Any) -> Any:
    """sum price_d L_a X_ad + sum price_d L_t W_td + sum price_s R_s: tubing and ground work."""
    data: Contracted = model.data
    price = [data.prepared.sizes[d].cost_per_m for d in data.sizes]
    laid = total(price[d] * data.passes[a].length_m * model.X[a, d] for a, d in model.X)
    ends = total(price[d] * data.stubs[t].length_m * model.W[t, d] for t, d in model.W)
    return laid + ends + total(data.dug[s] * model.R[s] for s in model.R)


def serve(model: Any, s: int, g: int) -> Any:
    """sum_a,d X_ad + sum_t,d W_td = 1 over passes that feed the part, and over stubs by the number fed from the
    segment's first end (0 to n): a stub that feeds all n from the other end stands for 0. In a shared layer, where Y_a
    stands for sum_d X_ad, at least 1: the part's nozzles lie on tubes from its ends.
    """
    data: Contracted = model.data
    layers = layers_of_group(data, g)
    passes = [a for n in layers for a in model.at.along.get((n, s), []) if feeds(model, a)]
    whole = [t for t in stubs_from(model, 2 * s + 1, g) if data.stubs[t].nozzles == data.parts[s, g]]
    served = opened(model, passes) + ended(model, [*stubs_from(model, 2 * s, g), *whole])
    if not passes and not whole and not stubs_from(model, 2 * s, g):
        return pyo.Constraint.Infeasible
    return served >= 1 if any(shared(model, n) for n in layers) else served == 1


def meet(model: Any, s: int, g: int, b: int) -> Any:
    """sum_t,d W_td over stubs of b nozzles from the first end = the same over stubs of n - b from the other."""
    data: Contracted = model.data
    rest = data.parts[s, g] - b
    first_end = [t for t in stubs_from(model, 2 * s, g) if data.stubs[t].nozzles == b]
    other = [t for t in stubs_from(model, 2 * s + 1, g) if data.stubs[t].nozzles == rest]
    return ended(model, first_end) == ended(model, other) if first_end or other else pyo.Constraint.Skip


def share(model: Any, layer: int, w: int) -> Any:
    """m_lw + m_lw' = n: the nozzles of a shared part are fed from one end or the other."""
    group = model.data.layers[layer].group
    return model.m[layer, w] + model.m[layer, w + 1] == model.data.parts[w // 2, group]


def feed(model: Any, layer: int, w: int) -> Any:
    """m_lw <= n (Y_a + Y_a' + sum_t,d W_td): from a way's start only by tubes along it."""
    passes, stubs = model.at.along.get((layer, w // 2), []), model.at.stubs_along.get((layer, w), [])
    count = model.data.parts[w // 2, model.data.layers[layer].group]
    return model.m[layer, w] <= count * (opened(model, passes) + ended(model, stubs))


def serve_own(model: Any, k: int) -> Any:
    """sum_l o_lk = 1: one layer feeds a nozzle on a junction."""
    served = [model.o[key] for key in model.o if key[1] == k]
    return total(served) == 1 if served else pyo.Constraint.Infeasible


def enter(model: Any, layer: int, v: int) -> Any:
    """sum_a,d X_ad <= T_l - B_lv over passes into v: trees."""
    of = model.data.layers[layer]
    return laid(model, model.at.into[layer, v]) <= of.tubes - of.rooted(v)


def lead(model: Any, layer: int, w: int) -> Any:
    """sum_d X_ad <= IN_lu, passes back from the way's end left out: a tube begins where its circuit is."""
    there, back = both_ways(model, layer, w)
    start = model.data.prepared.segments.ways[w].start
    entering = [a for a in model.at.into.get((layer, start), []) if a not in back]
    return laid(model, there) <= laid(model, entering) + model.data.layers[layer].rooted(start)


def lead_first(model: Any, layer: int, w: int) -> Any:
    """Y_a <= sum Y into u + B_lu, passes back from the way's end left out."""
    there, back = both_ways(model, layer, w)
    start = model.data.prepared.segments.ways[w].start
    entering = [a for a in model.at.into.get((layer, start), []) if a not in back]
    return opened(model, there) <= opened(model, entering) + model.data.layers[layer].rooted(start)


def first(model: Any, a: int) -> Any:
    """Y_a <= sum_d X_ad."""
    return model.Y[a] <= laid(model, [a])


def many(model: Any, a: int) -> Any:
    """sum_d X_ad <= T_l Y_a."""
    return laid(model, [a]) <= model.data.layers[model.data.passes[a].layer].tubes * model.Y[a]


def lead_stub(model: Any, layer: int, w: int) -> Any:
    """sum_t,d W_td <= IN_lu over the layer's stubs on the way."""
    start = model.data.prepared.segments.ways[w].start
    return ended(model, model.at.stubs_along[layer, w]) <= reached(model, layer, start)


def lead_own(model: Any, layer: int, k: int) -> Any:
    """o_lk <= IN_lv."""
    return model.o[layer, k] <= reached(model, layer, model.data.prepared.spot[k])


def carry(model: Any, a: int, d: int) -> Any:
    """g_ad <= G_ad X_ad: room of the circuit, and what pressure can carry in this size."""
    return model.g[a, d] <= max(0, model.data.passes[a].beyond[d]) * model.X[a, d]


def balance(model: Any, layer: int, v: int) -> Any:
    """sum_in g + S = sum_out (g + n X) + sum n W + sum m + sum o."""
    data, at, sizes = model.data, model.at, sizes_of(model)
    arriving = total(model.g[a, d] for a in at.into.get((layer, v), []) for d in sizes)
    if (layer, v) in model.S:
        arriving += model.S[layer, v]
    passes, stubs = at.out_of.get((layer, v), []), at.stubs_at.get((layer, v), [])
    leaving = total(model.g[a, d] + data.passes[a].nozzles * model.X[a, d] for a in passes for d in sizes)
    if not shared(model, layer):
        leaving += total(data.stubs[t].nozzles * model.W[t, d] for t in stubs for d in sizes)
    leaving += total(model.m[key] for key in at.ways_at.get((layer, v), []))
    return arriving == leaving + total(model.o[key] for key in at.own_at.get((layer, v), []))


def trench(model: Any, layer: int, w: int) -> Any:
    """sum_a,d X_ad <= R_s over the passes on the segment, either way; of a shared layer Y_a <= R_s each way."""
    there, _ = both_ways(model, layer, w)
    if shared(model, layer):
        return opened(model, there) <= model.R[w // 2]
    return laid(model, model.at.along[layer, w // 2]) <= model.R[w // 2]


def connect(model: Any, cut: Cut) -> Any:
    """sum Y into K >= 1, or sum X into K >= more, or sum F(min(G_ad, n)) X_ad into K >= F(n)."""
    passes: tuple[Pass, ...] = model.data.passes
    enters = [p.layer in cut.layers and p.end in cut.inside and p.start not in cut.inside for p in passes]
    entering = [a for a, does in enumerate(enters) if does]
    if not entering:
        return pyo.Constraint.Infeasible
    if cut.reached is not None:
        return laid(model, entering) >= reached(model, *cut.reached)
    if cut.nozzles:
        able = [(a, d) for a in entering for d in sizes_of(model) if passes[a].beyond[d] > 0]
        carried = total(cut.weight(passes[a].beyond[d]) * model.X[a, d] for a, d in able)
        return carried >= cut.needed if able else pyo.Constraint.Infeasible
    return laid(model, entering) >= cut.tubes if cut.tubes > 1 else opened(model, entering) >= 1


def add_cuts(model: Any, cuts: Iterable[Cut]) -> list[Any] | None:
    """The rows of the cuts, now part of the model; None where no tube can be what one of them asks for."""
    rows = [connect(model, cut) for cut in cuts]
    if any(row is pyo.Constraint.Infeasible for row in rows):
        return None
    return [model.connect.add(row) for row in rows]


def tube_values(model: Any, values: Mapping[Any, float]) -> Tubes:
    """A solution's tubes by pass."""
    by_size = {a: tuple(values.get(model.X[a, d], 0.0) for d in sizes_of(model)) for a in range(len(model.data.passes))}
    laid = {a: sum(of) for a, of in by_size.items()}
    return Tubes({a: values.get(model.Y[a], 0.0) if a in model.Y else x for a, x in laid.items()}, laid, by_size)


def start_values(model: Any, passes: set[int], stubs: set[int], owner: list[int]) -> Any:
    """Zeros for what a start leaves out, and who feeds nozzles on junctions; the solver chooses sizes and the rest."""
    values = ComponentMap((model.X[a, d], 0.0) for a, d in model.X if a not in passes)
    values.update((model.W[t, d], 0.0) for t, d in model.W if t not in stubs)
    values.update((model.o[n, k], float(owner[k] in model.data.layers[n].circuits)) for n, k in model.o)
    return values
