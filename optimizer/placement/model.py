"""Model A: maximal covering of merged cells with least spacing (Church and ReVelle 1974), in Pyomo.

    sets        CELL  merged cells c         POSITION  candidate positions j       WINDOW  spacing windows w
                ROW   windows of continuous lines k    LOCK  locked positions      LIMIT   limits on some positions l
                LINE  lines with rows r, lines of even pitch l, with patterns t    ZONE    zones f with a floor
                NEAR  near neighbours a = (i, k) on r: k may be next after i, and i bears upon it (`chains`)
                GROUP positions g of one r that cover a cell                           DRIFT  limits of drift d
    data        v_c   weighted m² of a cell  a_jc  1 where j covers c (incidence); where cells count by summed dosage
                      D_jc / D_least, the dosage that j brings to c as a share of what is enough
                r_c   nozzles that must reach c before it counts, 1 or 2           b_j  weighted m² of a preferred j
                most_l  of the positions of l that may be chosen                   area_fc, least_f  m² in a zone
                fewest_f  nozzles that a floor takes at least (`floors`)
                excess_dj  drift of j to d less what is allowed, in nozzles' mist
                off_i   first place on r from which on a next nozzle has nothing to do with one at i
    variables   x_j   1 where a nozzle stands at j        u_c  1 where cell c counts (integral by itself for r_c = 1)
                y_t   1 where the nozzles of l stand in pattern t
                z_a   1 where the nozzle at i and the next one stand at a = (i, k) (integral by itself)
                o_i   1 where place i of r lies between off of the last nozzle and the next one (likewise)
                h_g   1 where a nozzle of g stands (likewise)

    max  sum_c v_c u_c + sum_j b_j x_j                                                          coverage
    min  sum_j (1 - d_j) x_j  with u, (1) only where there is a floor, see `build_fewest`       fewest
    (1)  r_c u_c <= sum_j a_jc x_j, a group or pattern but once (h_g, y_t) for r_c = 1      every c  covered
    (1)  u_c <= sum_j (D_jc / D_least) x_j for summed dosage, 0 <= u_c <= 1      every c        dosed
    (2)  sum_{j in w} x_j <= 1                      every w                                     spacing
    (3)  sum_{j in k} x_j >= 1                      every k                                     continuous
    (4)  x_j = 1                                    every locked j                              locked
    (4)  x_j = 0                                    every barred j                              barred
    (5)  sum_{j in l} x_j <= most_l                 every l                                     capacity
    (6)  t_i = x_i - sum_{a = (i, .)} z_a >= 0      every r, i: none near is next               leads
    (6)  e_k = x_k - sum_{a = (., k)} z_a >= 0      every r, k: next to none near               follows
    (7)  o_k + e_k = o_{k-1} + sum_{i: off_i = k} t_i                           every r, k      passes
    (7)  o_{n-1} + sum_{a over the seam} z_a + sum_{i: off_i over it} t_i = 1   every closed r  seam
    (7)  h_g <= sum_{i in g} x_i - sum_{a within g} z_a                         every r, g      hit
    (8)  x_j = sum_{t holds j} y_t                  every l, every j in one of its patterns     even
    (8)  sum_{t of l} y_t <= 1                      every l                                     one_pattern
    (9)  sum_c area_fc u_c >= least_f               every f                                     floor
    (9)  sum_{j reaches f} x_j >= fewest_f          every f, holds for any choice that meets f  fewest_for_floor
    (10) sum_j excess_dj x_j <= 0                   every d                                     drift

Each row stands in the function of its name below.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import pyomo.environ as pyo
from pyomo.common.collections import ComponentMap
from pyomo.core.expr.numeric_expr import LinearExpression

from optimizer.placement.chains import chains_of, near_by_place, walked
from optimizer.placement.floors import fewest_for
from optimizer.placement.problem import PlacementProblem, Window


def build(problem: PlacementProblem) -> Any:
    """The `pyo.ConcreteModel` of the problem; its components are named as in the table above."""
    model = pyo.ConcreteModel("placement")
    _add_variables(model, problem, cells=True)
    model.coverage = pyo.Objective(expr=coverage(model, problem), sense=pyo.maximize)
    _add_rows(model, problem, (*CELLS, *RULES))
    return model


def build_fewest(problem: PlacementProblem) -> Any:
    """Fewest nozzles that meet every rule: a legal start, or the proof that none is.

    d_j < 1 / 2 |J| grows with what j alone covers, so that of equal counts the better one is found.
    """
    model = pyo.ConcreteModel("fewest")
    _add_variables(model, problem, cells=bool(problem.floors))
    model.fewest = pyo.Objective(expr=fewest(model, problem))
    _add_rows(model, problem, (*CELLS, *RULES) if problem.floors else RULES)
    return model


def start_values(model: Any, problem: PlacementProblem, chosen: Iterable[int]) -> Any:
    """Values of all variables of `build`'s model for a legal choice."""
    picked = np.zeros(problem.candidates)
    picked[list(chosen)] = 1.0
    counts = problem.counted(problem.incidence.astype(float) @ picked)
    values = ComponentMap(zip(model.x.values(), picked.tolist(), strict=True))
    values.update(zip(model.u.values(), counts.tolist(), strict=True))
    for r, chain in enumerate(model.chains.chains):
        neighbours, passed, hits = walked(chain, picked[list(chain.members)])
        values.update((model.z[r, i, k], float((i, k) in neighbours)) for i, k in chain.near)
        values.update(zip((model.o[r, k] for k in range(len(passed))), passed.tolist(), strict=True))
        values.update((model.h[r, g], float(hit)) for g, hit in enumerate(hits))
    for (line, t), pattern in model.y.items():
        standing = {j for one in problem.even[line] for j in one if picked[j]}
        values[pattern] = float(standing == set(problem.even[line][t]))
    return values


def coverage(model: Any, problem: PlacementProblem) -> Any:
    """max sum_c v_c u_c + sum_j b_j x_j: weighted square metres covered, and what preferred positions are worth."""
    preferred = np.flatnonzero(problem.bonus).tolist()
    coefficients = [*problem.value.tolist(), *problem.bonus[preferred].tolist()]
    return _linear(coefficients, [*model.u.values(), *(model.x[j] for j in preferred)])


def fewest(model: Any, problem: PlacementProblem) -> Any:
    """min sum_j (1 - d_j) x_j: nozzles before their coverage."""
    alone = problem.incidence.T @ problem.value
    worth = 0.5 * alone / (max(float(alone.max()), 1e-12) * (problem.candidates + 1.0))
    return _linear((1.0 - worth).tolist(), list(model.x.values()))


def covered(model: Any, problem: PlacementProblem, c: int) -> Any:
    """(1) r_c u_c <= sum_j a_jc x_j: a cell counts only where enough chosen positions cover it.

    Where one is enough, positions of one group count as one, h_g, however many of them are chosen, and so do those of
    one pattern, y_t.
    """
    once = [model.h[group] for group in model.chains.groups[c]]
    once += [model.y[pattern] for pattern in model.chains.patterns[c]]
    alone = [model.x[j] for j in model.chains.alone[c]]
    coefficients = [float(problem.need[c])] + [-1.0] * len(alone + once)
    return _linear(coefficients, [model.u[c], *alone, *once]) <= 0.0


def dosed(model: Any, problem: PlacementProblem, c: int) -> Any:
    """(1) u_c <= sum_j (D_jc / D_least) x_j: a cell counts by the summed dosage of all nozzles, once in full."""
    own = slice(problem.incidence.indptr[c], problem.incidence.indptr[c + 1])
    brought = problem.incidence.data[own].tolist()
    nozzles = [model.x[j] for j in problem.incidence.indices[own].tolist()]
    return _linear([1.0, *(-dose for dose in brought)], [model.u[c], *nozzles]) <= 0.0


def spacing(model: Any, problem: PlacementProblem, w: int) -> Any:
    """(2) sum_{j in w} x_j <= 1: no two nozzles of one line closer than the least spacing."""
    return _sum(model, problem.spacing[w]) <= 1.0


def continuous(model: Any, problem: PlacementProblem, k: int) -> Any:
    """(3) sum_{j in k} x_j >= 1: no gap of a continuous line longer than its greatest spacing."""
    return _sum(model, problem.cover[k]) >= 1.0


def locked(model: Any, problem: PlacementProblem, j: int) -> Any:
    """(4) x_j = 1: a position that the designer has decided."""
    return model.x[j] == 1.0


def barred(model: Any, problem: PlacementProblem, j: int) -> Any:
    """(4) x_j = 0: a position that nothing can serve, or that stands in no pattern of its line."""
    return model.x[j] == 0.0


def capacity(model: Any, problem: PlacementProblem, number: int) -> Any:
    """(5) sum_{j in l} x_j <= most_l: no more nozzles than the circuits that can serve them feed."""
    limit = problem.limits[number]
    return _sum(model, limit.members) <= float(limit.most)


def leads(model: Any, problem: PlacementProblem, r: int, i: int) -> Any:
    """(6) t_i = x_i - sum_{a = (i, .)} z_a >= 0: one near neighbour at most is next, and only to a nozzle."""
    return _sum_of(_last(model, r, i)) >= 0.0


def follows(model: Any, problem: PlacementProblem, r: int, k: int) -> Any:
    """(6) e_k = x_k - sum_{a = (., k)} z_a >= 0: only a nozzle is next, and to one near neighbour at most."""
    return _sum_of(_first(model, r, k)) >= 0.0


def passes(model: Any, problem: PlacementProblem, r: int, k: int) -> Any:
    """(7) o_k + e_k = o_{k-1} + sum_{i: off_i = k} t_i: behind `off` of a nozzle the next one may stand anywhere.

    o_{-1} is 1 on an open line, and the o of the last place on a closed one.
    """
    chain = model.chains.chains[r]
    count = len(chain.members)
    terms = [(1.0, model.o[r, k]), *_first(model, r, k)]
    if k > 0 or chain.is_closed:
        terms.append((-1.0, model.o[r, (k - 1) % count]))
    for i, off in enumerate(chain.off):
        if off == k or (chain.is_closed and off == k + count):
            terms += [(-factor, variable) for factor, variable in _last(model, r, i)]
    return _sum_of(terms) == float(k == 0 and not chain.is_closed)


def seam(model: Any, problem: PlacementProblem, r: int) -> Any:
    """(7) o_{n-1} + sum_{a over the seam} z_a + sum_{i: off_i over it} t_i = 1: a closed line is gone round once."""
    chain = model.chains.chains[r]
    near, off = chain.over_seam()
    terms = [(1.0, model.o[r, len(chain.members) - 1]), *((1.0, model.z[r, i, k]) for i, k in near)]
    for i in off:
        terms += _last(model, r, i)
    return _sum_of(terms) == 1.0


def hit(model: Any, problem: PlacementProblem, r: int, g: int) -> Any:
    """(7) h_g <= sum_{i in g} x_i - sum_{a in g} z_a: of nozzles that are next to each other one counts."""
    chain = model.chains.chains[r]
    here = [(-1.0, model.x[chain.members[i]]) for i in chain.groups[g]]
    pairs = [(1.0, model.z[r, i, k]) for i, k in chain.within(g)]
    return _sum_of([(1.0, model.h[r, g]), *here, *pairs]) <= 0.0


def even(model: Any, problem: PlacementProblem, line: int, j: int) -> Any:
    """(8) x_j = sum_{t holds j} y_t: the nozzles of a line of even pitch are those of its pattern."""
    holding = [t for t, pattern in enumerate(problem.even[line]) if j in pattern]
    return _linear([1.0] + [-1.0] * len(holding), [model.x[j], *(model.y[line, t] for t in holding)]) == 0.0


def one_pattern(model: Any, problem: PlacementProblem, line: int) -> Any:
    """(8) sum_{t of l} y_t <= 1: a line of even pitch has one pattern, or no nozzle."""
    patterns = [model.y[line, t] for t in range(len(problem.even[line]))]
    return _linear([1.0] * len(patterns), patterns) <= 1.0


def floor(model: Any, problem: PlacementProblem, f: int) -> Any:
    """(9) sum_c area_fc u_c >= least_f: a zone's least coverage."""
    area = problem.floors[f].area_m2
    cells = np.flatnonzero(area).tolist()
    return _linear(area[cells].tolist(), [model.u[c] for c in cells]) >= problem.floors[f].least_m2


def fewest_for_floor(model: Any, problem: PlacementProblem, f: int) -> Any:
    """(9) sum_{j reaches f} x_j >= fewest_f: follows from (9) for whole nozzles, cuts off shares of them."""
    reaching, needed = fewest_for(problem, problem.floors[f])
    return _sum(model, reaching) >= float(needed)


def drift(model: Any, problem: PlacementProblem, d: int) -> Any:
    """(10) sum_j excess_dj x_j <= 0: of the mist of all nozzles no more than the share allowed goes to d."""
    excess = problem.drifts[d].excess
    some = np.flatnonzero(excess).tolist()
    return _linear(excess[some].tolist(), [model.x[j] for j in some]) <= 0.0


CELLS = (covered, dosed, hit)
CHAINS = (leads, follows, passes, seam)
RULES = (spacing, continuous, locked, barred, capacity, *CHAINS, even, one_pattern, floor, fewest_for_floor, drift)

_Row: TypeAlias = Callable[..., Any]
_Term: TypeAlias = tuple[float, Any]


def _add_variables(model: Any, problem: PlacementProblem, *, cells: bool) -> None:
    model.chains = chains_of(problem)
    chains = model.chains.chains
    model.x = pyo.Var(range(problem.candidates), domain=pyo.Binary)
    if cells:
        domains = [pyo.UnitInterval if need == 1 else pyo.Binary for need in problem.need]
        model.u = pyo.Var(range(len(problem.value)), domain=lambda _, c: domains[c])
        model.h = pyo.Var([(r, g) for r, c in enumerate(chains) for g in range(len(c.groups))], domain=pyo.UnitInterval)
    model.z = pyo.Var([(r, i, k) for r, c in enumerate(chains) for i, k in c.near], domain=pyo.UnitInterval)
    model.o = pyo.Var([(r, i) for r, c in enumerate(chains) for i in range(len(c.off))], domain=pyo.UnitInterval)
    patterns = [(line, t) for line, found in enumerate(problem.even) for t in range(len(found))]
    model.y = pyo.Var(patterns, domain=pyo.Binary)
    model.before, model.behind = near_by_place(chains)


def _add_rows(model: Any, problem: PlacementProblem, rows: tuple[_Row, ...]) -> None:
    """Add each row function under its own name, over the indices that its equation names."""
    of_patterns = [(line, j) for line, found in enumerate(problem.even) for j in sorted(set().union(*found))]
    indices: dict[_Row, Iterable[Any]] = {
        covered: () if problem.dosed else range(len(problem.value)),
        dosed: range(len(problem.value)) if problem.dosed else (),
        spacing: range(len(problem.spacing)),
        continuous: range(len(problem.cover)),
        locked: problem.locked,
        barred: problem.barred,
        capacity: range(len(problem.limits)),
        leads: [place for place, found in model.behind.items() if found],
        follows: [place for place, found in model.before.items() if found],
        passes: list(model.o),
        seam: [r for r, chain in enumerate(model.chains.chains) if chain.is_closed],
        hit: list(model.h) if hit in rows else (),
        even: of_patterns,
        one_pattern: range(len(problem.even)),
        floor: range(len(problem.floors)),
        fewest_for_floor: [f for f, floor in enumerate(problem.floors) if fewest_for(problem, floor)[1]],
        drift: [d for d, drift in enumerate(problem.drifts) if drift.excess.any()],
    }
    for row in rows:
        rule = partial(_rule, row, problem)
        model.add_component(row.__name__, pyo.Constraint(indices[row], rule=rule))


def _rule(row: _Row, problem: PlacementProblem, model: Any, *index: int) -> Any:
    return row(model, problem, *index)


def _first(model: Any, r: int, k: int) -> list[_Term]:
    """e_k = x_k - sum_{a = (., k)} z_a."""
    pairs = [(-1.0, model.z[r, i, k]) for i in model.before[r, k]]
    return [(1.0, model.x[model.chains.chains[r].members[k]]), *pairs]


def _last(model: Any, r: int, i: int) -> list[_Term]:
    """t_i = x_i - sum_{a = (i, .)} z_a."""
    pairs = [(-1.0, model.z[r, i, k]) for k in model.behind[r, i]]
    return [(1.0, model.x[model.chains.chains[r].members[i]]), *pairs]


def _sum(model: Any, members: Window) -> Any:
    return _linear([1.0] * len(members), [model.x[j] for j in members])


def _sum_of(terms: list[_Term]) -> Any:
    total = ComponentMap()
    for factor, variable in terms:
        total[variable] = total.get(variable, 0.0) + factor
    kept = [(factor, variable) for variable, factor in total.items() if factor]
    return _linear([factor for factor, _ in kept], [variable for _, variable in kept])


def _linear(coefficients: list[float], variables: list[Any]) -> Any:
    return LinearExpression(linear_coefs=coefficients, linear_vars=variables)
