"""The contracted run-split model: flow and head over segments between junctions, one tree a circuit.

    sets        PASS  a circuit's tube along a whole way a: u -> v     STUB  a circuit's dead end t that feeds the first
                SIZE  tubing sizes d                                         n_t nozzles of its group on a way from u
                REACH (circuit c, junction v)                          PART  (segment, group) with nozzles
                OWN   (circuit c, nozzle k on a junction)              DUG   segments with ground work
    data        n_a nozzles fed by a pass        L length        r_a rise (bar)       t_a highest rise to a nozzle fed
                lines (alpha, beta) of the loss of a pass by size          N_td need at the start of a stub (bar)
                p low edge of the band (bar)     M_cv pressure at v without loss (bar)     C_c nozzles of c at most
                price of tubing and of ground work              L_s tubing of a part, its longest gap left out
    variables   X_ad  1 where the pass is laid in size d        g_ad  nozzles fed beyond its end    h_ad  its loss (bar)
                W_td  1 where the stub is laid in size d        o_ck  1 where c feeds nozzle k      P_cv  pressure (bar)
                U_d   1 where size d is used                    R_s   1 where the ground of s is opened
                m_a   nozzles that a pass feeds on a loose part

    min  sum price_d L_a X_ad + sum price_d L_t W_td + sum price_s R_s                               cost
    (1)   passes that feed + splits = 1                       every part                             serve
    (2)   stubs of b from one end = stubs of n - b from the other, 0 < b < n                         meet
    (3)   sum_a m_a + sum n_t W_td = nozzles of the part      every loose part                       share
    (4)   sum L_t W_td + L_s sum X_ad >= L_s                  every loose part                       gap
    (5)   m_a <= n_a sum_d X_ad                               every pass of a loose part             feed
    (6)   sum_c o_ck = 1                                      every nozzle on a junction             serve_own
    (7)   sum_a,d into v X_ad <= 1                            every (c, v)                           enter
    (8)   sum_a,d X_ad <= IN_cu                               every pass, with those on its segment  leave
    (9)   sum_t,d W_td <= IN_cu                               every circuit and way with stubs       leave_stub
    (10)  o_ck <= IN_cv                                       every own                              leave_own
    (11)  g_ad <= (C_c - n_a) X_ad                            every pass and size                    carry
    (12)  sum_in g = sum_out (g + n X + m) + sum n W + sum o      every (c, v) but pumps             balance
    (13)  sum_out (g + n X + m) + sum n W + sum o <= C_c          every circuit, at its pump         room
    (14)  h_ad >= alpha g_ad + beta X_ad                      every pass, size and line              loss
    (15)  P_cv <= P_cu - sum_d h_ad - r_a + M_cv (1 - sum_d X_ad)    every pass                      head
    (16)  P_cu >= sum_d h_ad + (p + t_a) sum_d X_ad           every pass that feeds (h left out if optimistic)   inside
    (17)  P_cu >= sum_t,d N_td W_td                           every circuit and way with stubs       need_stub
    (18)  P_cv >= p o_ck                                      every own                              need_own
    (19)  P_c,pump <= alpha nozzles fed + beta                every circuit and line                 supply
    (20)  sum_a X_ad <= U_d                                   every circuit, segment and size        size_used
    (21)  sum_t W_td <= U_d                                   every circuit, way and size           size_used_stub
    (22)  sum_d U_d <= sizes at most                                                                 sizes_most
    (23)  sum_a,d X_ad <= R_s                                 every circuit, every s in DUG          trench
    (24)  sum X_ad into K >= 1, or >= IN_cv, v in K           where a relaxation violates it         connect

A part is loose in optimistic data where its group has several circuits: they may share its nozzles in any way.
IN_cv: passes of c into v, 1 at its pump. Flow is counted in nozzles. Each row stands in the function of its name.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pyomo.environ as pyo
from pyomo.common.collections import ComponentMap

from optimizer.runs.contracted import Contracted, Pass
from optimizer.runs.cuts import Cut
from optimizer.runs.places import owns, places, pumps

BAR = 1e5  # pascals; pressures in bar keep the rows' numbers within a few orders of magnitude


def build(data: Contracted, *, relaxed: bool = False) -> Any:
    """The `pyo.ConcreteModel` of the data; components are named as in the table above. relaxed: 0-1 variables may take
    any value between, until `make_integral`.
    """
    model: Any = pyo.ConcreteModel("run splits")
    model.data, model.at = data, places(data)
    sizes = range(len(data.prepared.sizes))
    passes, stubs, at = range(len(data.passes)), range(len(data.stubs)), model.at
    model.X = pyo.Var(passes, sizes, domain=pyo.UnitInterval)
    model.W = pyo.Var(stubs, sizes, domain=pyo.UnitInterval)
    model.o = pyo.Var(owns(data), domain=pyo.UnitInterval)
    model.U = pyo.Var(sizes, domain=pyo.UnitInterval)
    model.R = pyo.Var(sorted(data.dug), domain=pyo.UnitInterval)
    model.g = pyo.Var(passes, sizes, domain=pyo.NonNegativeReals)
    model.h = pyo.Var(passes, sizes, domain=pyo.NonNegativeReals)
    model.m = pyo.Var([a for a in passes if data.passes[a].at_most], domain=pyo.NonNegativeReals)
    model.P = pyo.Var(at.reach, bounds=lambda _, c, v: (0.0, max(0.0, data.highest_pa[c][v] / BAR)))
    model.cost = pyo.Objective(expr=cost(model))
    circuits = range(len(data.most))
    ends = [key for key in at.reach if key not in pumps(data)]
    lines = [(a, d, i) for a in passes for d in sizes for i in range(len(data.passes[a].lines[d]))]
    splits = [(s, g, b) for (s, g), n in sorted(data.shares.items()) for b in range(1, n)]
    rows: list[tuple[Any, Any]] = [
        (serve, sorted(data.shares)),
        (meet, splits),
        (share, sorted(data.loose)),
        (gap, sorted(data.loose)),
        (feed, list(model.m)),
        (serve_own, data.at_junctions),
        (enter, [key for key in ends if at.into.get(key)]),
        (leave, passes),
        (leave_stub, sorted(at.stubs_along)),
        (leave_own, owns(data)),
        (carry, [(a, d) for a in passes for d in sizes]),
        (balance, ends),
        (room, circuits),
        (loss, lines),
        (head, passes),
        (inside, [a for a in passes if data.passes[a].nozzles]),
        (need_stub, sorted(at.stubs_along)),
        (need_own, owns(data)),
        (supply, [(c, i) for c in circuits for i in range(len(data.supply[c]))]),
        (size_used, [(c, s, d) for c, s in sorted(at.along) for d in sizes]),
        (size_used_stub, [(c, w, d) for c, w in sorted(at.stubs_along) for d in sizes]),
        (trench, [(c, s) for c, s in sorted(at.along) if s in data.dug]),
    ]
    for row, index in rows:
        setattr(model, row.__name__, pyo.Constraint(list(index), rule=row))
    model.sizes_most = pyo.Constraint(expr=sizes_most(model))
    model.connect = pyo.ConstraintList()
    if not relaxed:
        make_integral(model)
    return model


def make_integral(model: Any) -> None:
    """Let tubes, ownership, sizes and ground work be whole."""
    for variables in (model.X, model.W, model.o, model.U, model.R):
        for variable in variables.values():
            variable.domain = pyo.Binary


def cost(model: Any) -> Any:
    """sum price_d L_a X_ad + sum price_d L_t W_td + sum price_s R_s: tubing and ground work."""
    data: Contracted = model.data
    price = [size.cost_per_m for size in data.prepared.sizes]
    laid = pyo.quicksum(price[d] * data.passes[a].length_m * model.X[a, d] for a, d in model.X)
    ends = pyo.quicksum(price[d] * data.stubs[t].length_m * model.W[t, d] for t, d in model.W)
    return laid + ends + pyo.quicksum(data.dug[s] * model.R[s] for s in model.R)


def serve(model: Any, s: int, g: int) -> Any:
    """sum_a,d X_ad + sum_t,d W_td = 1 over passes that feed the part, and over stubs by the number fed from the
    segment's first end (0 to n): a stub that feeds all n from the other end stands for 0.
    """
    data: Contracted = model.data
    count = data.shares[s, g]
    passes = [a for c in _of_group(data, g) for a in model.at.along.get((c, s), []) if data.passes[a].nozzles]
    first, other = _stubs(model, 2 * s, g), _stubs(model, 2 * s + 1, g)
    stubs = [*first, *(t for t in other if data.stubs[t].nozzles == count)]
    return _laid(model, passes) + _ended(model, stubs) == 1


def meet(model: Any, s: int, g: int, b: int) -> Any:
    """sum_t,d W_td over stubs of b nozzles from the first end = the same over stubs of n - b from the other."""
    data: Contracted = model.data
    rest = data.shares[s, g] - b
    first = [t for t in _stubs(model, 2 * s, g) if data.stubs[t].nozzles == b]
    other = [t for t in _stubs(model, 2 * s + 1, g) if data.stubs[t].nozzles == rest]
    return _ended(model, first) == _ended(model, other) if first or other else pyo.Constraint.Skip


def share(model: Any, s: int, g: int) -> Any:
    """sum_a m_a + sum_t,d n_t W_td = nozzles of the loose part."""
    data: Contracted = model.data
    circuits = _of_group(data, g)
    passed = pyo.quicksum(
        model.m[a] for c in circuits for a in model.at.along.get((c, s), []) if a in model.m
    )
    ended = pyo.quicksum(
        data.stubs[t].nozzles * model.W[t, d] for t in _stubs_on(model, s, g) for d in _sizes(model)
    )
    return passed + ended == data.loose[s, g][0]


def gap(model: Any, s: int, g: int) -> Any:
    """sum_t,d L_t W_td + L_s sum_a,d X_ad >= L_s, L_s the loose part's tubing with its longest gap left out."""
    data: Contracted = model.data
    least = data.loose[s, g][1]
    passes = [a for c in _of_group(data, g) for a in model.at.along.get((c, s), [])]
    ended = pyo.quicksum(
        data.stubs[t].length_m * model.W[t, d] for t in _stubs_on(model, s, g) for d in _sizes(model)
    )
    return ended + least * _laid(model, passes) >= least


def feed(model: Any, a: int) -> Any:
    """m_a <= n_a sum_d X_ad, n_a the nozzles of the loose part."""
    return model.m[a] <= model.data.passes[a].at_most * _laid(model, [a])


def serve_own(model: Any, k: int) -> Any:
    """sum_c o_ck = 1: one circuit feeds a nozzle on a junction."""
    return pyo.quicksum(model.o[key] for key in model.o if key[1] == k) == 1


def enter(model: Any, c: int, v: int) -> Any:
    """sum_a,d X_ad <= 1 over passes into v: a tree."""
    return _laid(model, model.at.into[c, v]) <= 1


def leave(model: Any, a: int) -> Any:
    """sum_d X <= IN_cu over the circuit's passes on the segment of pass a, either way and feeding or not."""
    one: Pass = model.data.passes[a]
    return _laid(model, model.at.along[one.circuit, one.way // 2]) <= _reached(model, one.circuit, one.start)


def leave_stub(model: Any, c: int, w: int) -> Any:
    """sum_t,d W_td <= IN_cu over the circuit's stubs on the way."""
    start = model.data.prepared.segments.ways[w].start
    return _ended(model, model.at.stubs_along[c, w]) <= _reached(model, c, start)


def leave_own(model: Any, c: int, k: int) -> Any:
    """o_ck <= IN_cv."""
    return model.o[c, k] <= _reached(model, c, model.data.prepared.spot[k])


def carry(model: Any, a: int, d: int) -> Any:
    """g_ad <= (C_c - n_a) X_ad."""
    one: Pass = model.data.passes[a]
    return model.g[a, d] <= (model.data.most[one.circuit] - one.nozzles) * model.X[a, d]


def balance(model: Any, c: int, v: int) -> Any:
    """sum_in g = sum_out (g + n X + m) + sum n W + sum o."""
    arriving = pyo.quicksum(model.g[a, d] for a in model.at.into.get((c, v), []) for d in _sizes(model))
    return arriving == _leaving(model, c, v)


def room(model: Any, c: int) -> Any:
    """sum_out (g + n X + m) + sum n W + sum o at the pump <= C_c."""
    _, root = pumps(model.data)[c]
    return _leaving(model, c, root) <= model.data.most[c]


def loss(model: Any, a: int, d: int, i: int) -> Any:
    """h_ad >= alpha g_ad + beta X_ad, in bar."""
    slope, value = model.data.passes[a].lines[d][i]
    return model.h[a, d] >= slope / BAR * model.g[a, d] + value / BAR * model.X[a, d]


def head(model: Any, a: int) -> Any:
    """P_cv <= P_cu - sum_d h_ad - r_a + M_cv (1 - sum_d X_ad), M the pressure at v without loss."""
    one: Pass = model.data.passes[a]
    most = max(0.0, model.data.highest_pa[one.circuit][one.end]) / BAR
    lost = pyo.quicksum(model.h[a, d] for d in _sizes(model))
    start, end = model.P[one.circuit, one.start], model.P[one.circuit, one.end]
    laid = _laid(model, [a])
    return end <= start - lost - one.rise_pa / BAR * laid + most * (1 - laid)


def inside(model: Any, a: int) -> Any:
    """P_cu >= sum_d h_ad + (p + t_a) sum_d X_ad, h left out if optimistic: nozzles fed on the way."""
    one: Pass = model.data.passes[a]
    lost = pyo.quicksum(model.h[a, d] for d in _sizes(model)) if model.data.safe else 0.0
    need = (_low(model) + one.top_pa) / BAR
    return model.P[one.circuit, one.start] >= lost + need * _laid(model, [a])


def need_stub(model: Any, c: int, w: int) -> Any:
    """P_cu >= sum_t,d N_td W_td over the circuit's stubs on the way."""
    stubs = model.at.stubs_along[c, w]
    need = pyo.quicksum(
        model.data.stubs[t].need_pa[d] / BAR * model.W[t, d] for t in stubs for d in _sizes(model)
    )
    return model.P[c, model.data.prepared.segments.ways[w].start] >= need


def need_own(model: Any, c: int, k: int) -> Any:
    """P_cv >= p o_ck."""
    return model.P[c, model.data.prepared.spot[k]] >= _low(model) / BAR * model.o[c, k]


def supply(model: Any, c: int, i: int) -> Any:
    """P_c,pump <= alpha nozzles fed + beta, in bar."""
    slope, value = model.data.supply[c][i]
    _, root = pumps(model.data)[c]
    return model.P[c, root] <= slope / BAR * _leaving(model, c, root) + value / BAR


def size_used(model: Any, c: int, s: int, d: int) -> Any:
    """sum X_ad <= U_d over the circuit's passes on the segment; its stubs are counted by `size_used_stub`."""
    return pyo.quicksum(model.X[a, d] for a in model.at.along[c, s]) <= model.U[d]


def size_used_stub(model: Any, c: int, w: int, d: int) -> Any:
    """sum W_td <= U_d over the circuit's stubs on the way."""
    return pyo.quicksum(model.W[t, d] for t in model.at.stubs_along[c, w]) <= model.U[d]


def sizes_most(model: Any) -> Any:
    """sum_d U_d <= sizes at most."""
    return pyo.quicksum(model.U.values()) <= max(1, model.data.prepared.problem.sizes_at_most)


def trench(model: Any, c: int, s: int) -> Any:
    """sum_a,d X_ad <= R_s over the circuit's passes on a segment with ground work."""
    return _laid(model, model.at.along[c, s]) <= model.R[s]


def connect(model: Any, cut: Cut) -> Any:
    """sum X_ad into K >= 1, or >= IN_cv of a junction v in K: over passes of the cut's circuits."""
    passes: list[Pass] = model.data.passes
    enters = [p.circuit in cut.circuits and p.end in cut.inside and p.start not in cut.inside for p in passes]
    entering = [a for a, does in enumerate(enters) if does]
    return _laid(model, entering) >= (1 if cut.reached is None else _reached(model, *cut.reached))


def _sizes(model: Any) -> range:
    return range(len(model.data.prepared.sizes))


def _low(model: Any) -> float:
    return float(model.data.prepared.problem.band_low_pa)


def _laid(model: Any, passes: Iterable[int]) -> Any:
    return pyo.quicksum(model.X[a, d] for a in passes for d in _sizes(model))


def _ended(model: Any, stubs: Iterable[int]) -> Any:
    return pyo.quicksum(model.W[t, d] for t in stubs for d in _sizes(model))


def _of_group(data: Contracted, group: int) -> list[int]:
    return [c for c, circuit in enumerate(data.prepared.problem.circuits) if circuit.group == group]


def _stubs(model: Any, way: int, group: int) -> list[int]:
    return [t for c in _of_group(model.data, group) for t in model.at.stubs_along.get((c, way), [])]


def _stubs_on(model: Any, segment: int, group: int) -> list[int]:
    return [*_stubs(model, 2 * segment, group), *_stubs(model, 2 * segment + 1, group)]


def _reached(model: Any, c: int, v: int) -> Any:
    """IN_cv: passes of the circuit into v, 1 at its pump."""
    return 1 if (c, v) == pumps(model.data)[c] else _laid(model, model.at.into.get((c, v), []))


def _leaving(model: Any, c: int, v: int) -> Any:
    """sum_out (g + n X + m) + sum n W + sum o: nozzles fed at v and beyond."""
    data: Contracted = model.data
    sizes = _sizes(model)
    passes, stubs = model.at.out_of.get((c, v), []), model.at.stubs_at.get((c, v), [])
    through = pyo.quicksum(model.g[a, d] + data.passes[a].nozzles * model.X[a, d] for a in passes for d in sizes)
    ended = pyo.quicksum(data.stubs[t].nozzles * model.W[t, d] for t in stubs for d in sizes)
    through += pyo.quicksum(model.m[a] for a in passes if a in model.m)
    return through + ended + pyo.quicksum(model.o[key] for key in model.at.own_at.get((c, v), []))


def start_values(model: Any, passes: set[int], stubs: set[int], owner: list[int]) -> Any:
    """Zeros for what a start leaves out, and who feeds nozzles on junctions; the solver chooses sizes and the rest."""
    values = ComponentMap((model.X[a, d], 0.0) for a, d in model.X if a not in passes)
    values.update((model.W[t, d], 0.0) for t, d in model.W if t not in stubs)
    values.update((model.o[c, k], float(owner[k] == c)) for c, k in model.o)
    return values
