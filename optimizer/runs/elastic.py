"""The elastic model: which rules are in conflict where given nozzles cannot all be fed, and what would resolve it.

A relaxation of the run split: what it asks for, every verified design needs as well. So where no slack is needed it
says nothing; where some is, no design can be, and each slack is the least by which its rule must give way.

    sets        NOZZLE k    CIRCUIT c of pump p    BRANCH j after i, of one circuit; LINE (alpha, beta) of its loss
    data        M_c nozzles that a circuit carries, m_c whole ones    P_p set pressure (bar)
                n_kc pressure that k takes (bar)    f_kc shortest way to k (m)    L longest run (m)
                G_kc enough for a nozzle that is not fed by c (bar)
    variables   x_kc 1 where c feeds k    a_c nozzles of c beyond m_c    D_j loss up to the end of j (bar)
    slacks      t_p delivery, as a share more    b_p set pressure, bar more    r_p longest run, metres more
                w_k 1 where k is fed with another schedule group    u_k 1 where k is left out

    min  sum weights x slacks                                                            violation
    (1)  sum_c x_kc + u_k = 1                            every nozzle                    serve
    (2)  sum x_kc over circuits of other groups <= w_k   every nozzle                    schedule
    (3)  sum_k x_kc <= m_c + a_c                         every circuit                   room
    (4)  m_c + a_c <= M_c (1 + t_p) where a_c > 0        every circuit, two lines        more
    (5)  D_j >= D_i + alpha sum_k beyond j x_kc + beta   every branch and line           loss
    (6)  D_j + n_kc <= P_p + b_p + G_kc (1 - x_kc)       every nozzle and circuit        band
    (7)  f_kc x_kc <= L + r_p                            every nozzle and circuit        longest

Each row stands in the function of its name.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import pyomo.environ as pyo

from optimizer.errors import SolverLimit
from optimizer.runs.required import Required
from optimizer.solver import Limits, solve

BAR = 1e5
RULES: Mapping[str, float] = {
    "reserve": 100.0,
    "set_pressure": 10.0,
    "run_longest": 1.0,
    "schedule": 10.0,
    "locked": 10.0,
}
"""Weight of one unit of each slack: all of the delivery, a bar, a metre, a nozzle with another group or left out."""
SLACKS = {"reserve": "t", "set_pressure": "b", "run_longest": "r", "schedule": "w", "locked": "u"}
TOLERANCE = 1e-6
LIMITS = Limits(gap=1e-4, checks=60)


def build(data: Required, rules: Collection[str] = tuple(RULES)) -> Any:
    """The `pyo.ConcreteModel` in which only the rules named may give way."""
    model: Any = pyo.ConcreteModel("elastic run splits")
    model.data = data
    circuits, pumps = range(len(data.carried)), sorted(set(data.pump))
    fed = [(k, c) for k in range(data.nozzles) for c in circuits if data.able[c][k]]
    model.x = pyo.Var(fed, domain=pyo.Binary)
    model.a = pyo.Var(circuits, domain=pyo.NonNegativeIntegers)
    model.D = pyo.Var(range(len(data.branches)))
    for name in SLACKS.values():
        index = range(data.nozzles) if name in ("w", "u") else pumps
        setattr(model, name, pyo.Var(list(index), domain=pyo.NonNegativeReals))
    for rule, name in SLACKS.items():
        if rule not in rules:
            getattr(model, name).fix(0.0)
    model.violation = pyo.Objective(expr=violation(model))
    lines = [(j, i) for j, branch in enumerate(data.branches) for i in range(len(branch.lines))]
    for row, over in (
        (serve, range(data.nozzles)), (schedule, range(data.nozzles)), (room, circuits),
        (more, [(c, i) for c in circuits for i in (0, 1)]), (loss, lines), (band, fed),
        (longest, fed if math.isfinite(data.longest_m) else []),
    ):  # fmt: skip
        setattr(model, row.__name__, pyo.Constraint(list(over), rule=row))
    return model


def violation(model: Any) -> Any:
    """sum weights x slacks."""
    return sum(RULES[rule] * pyo.quicksum(getattr(model, name).values()) for rule, name in SLACKS.items())


def serve(model: Any, k: int) -> Any:
    """sum_c x_kc + u_k = 1."""
    return pyo.quicksum(model.x[n, c] for n, c in model.x if n == k) + model.u[k] == 1


def schedule(model: Any, k: int) -> Any:
    """sum x_kc over circuits of other groups <= w_k."""
    others = [model.x[n, c] for n, c in model.x if n == k and not model.data.own[c][k]]
    return pyo.quicksum(others) <= model.w[k] if others else pyo.Constraint.Skip


def room(model: Any, c: int) -> Any:
    """sum_k x_kc <= m_c + a_c."""
    fed = pyo.quicksum(model.x[k, n] for k, n in model.x if n == c)
    return fed <= math.floor(model.data.carried[c] + TOLERANCE) + model.a[c]


def more(model: Any, c: int, i: int) -> Any:
    """M_c t_p >= a_c - f_c, and >= (1 - f_c) a_c, f_c = M_c - m_c: the hull of m_c + a_c <= M_c (1 + t_p), a_c > 0."""
    data: Required = model.data
    rest = max(0.0, data.carried[c] - math.floor(data.carried[c] + TOLERANCE))
    beyond = model.a[c] - rest if i == 0 else (1.0 - rest) * model.a[c]
    return data.carried[c] * model.t[data.pump[c]] >= beyond


def loss(model: Any, j: int, i: int) -> Any:
    """D_j >= D_i + alpha sum x_kc + beta."""
    branch = model.data.branches[j]
    slope, value = branch.lines[i]
    before = model.D[branch.before] if branch.before >= 0 else 0.0
    fed = pyo.quicksum(model.x[k, branch.circuit] for k in branch.nozzles if (k, branch.circuit) in model.x)
    return model.D[j] >= before + slope / BAR * fed + value / BAR


def band(model: Any, k: int, c: int) -> Any:
    """D_j + n_kc <= P_p + b_p + G_kc (1 - x_kc)."""
    data: Required = model.data
    need, supply = data.need_pa[c][k] / BAR, data.set_pa[c] / BAR
    enough = max(0.0, need + _most_lost(data, data.at[c][k]) / BAR - supply)
    return model.D[data.at[c][k]] + need <= supply + model.b[data.pump[c]] + enough * (1.0 - model.x[k, c])


def _most_lost(data: Required, j: int) -> float:
    """Loss up to the end of a branch if its circuit fed every nozzle."""
    lost = 0.0
    while j >= 0:
        branch = data.branches[j]
        lost += max(slope * len(branch.nozzles) + value for slope, value in branch.lines)
        j = branch.before
    return lost


def longest(model: Any, k: int, c: int) -> Any:
    """f_kc x_kc <= L + r_p."""
    data: Required = model.data
    return data.far_m[c][k] * model.x[k, c] <= data.longest_m + model.r[data.pump[c]]


def in_conflict(data: Required) -> bool:
    """Whether the nozzles cannot all be fed, whatever the tubing: some rule must give way."""
    try:
        return solve(build(data), limits=LIMITS, stage="elastic").bound > TOLERANCE
    except SolverLimit:  # nothing is proven
        return False


def reliefs(data: Required) -> dict[str, float]:
    """How much each rule must give way at least if no other does; without the rules that cannot resolve it alone.

    Units as in `RULES`, summed over pumps or nozzles; 0 where limits came before any amount was proven.
    """
    found = {}
    for rule, weight in RULES.items():
        try:
            outcome = solve(build(data, (rule,)), limits=LIMITS, stage="elastic")
        except SolverLimit:  # it may resolve the conflict, by an amount that nobody knows
            found[rule] = 0.0
            continue
        if outcome.incumbent is not None and math.isfinite(outcome.bound):
            found[rule] = max(0.0, outcome.bound) / weight
    return found
