"""Every run split of a few nozzles: shares of circuits x trees x tubing sizes, each judged by its steady state.

A search sizes at least cost and with a head budget; where that leaves a nozzle above the band, or lets a circuit draw
more than its pump may give, another tree or narrower tubing may keep both. Here all are looked at, cheapest first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from optimizer.instance import usable_m3_s
from optimizer.pump_type import PumpType
from optimizer.runs.faults import run_fault
from optimizer.runs.layout import Layout as Ground
from optimizer.runs.plan import CircuitPlan, RunPlan
from optimizer.runs.prepared import Prepared, prepare
from optimizer.runs.problem import RunProblem
from optimizer.runs.spanning import every_tree
from optimizer.runs.steady import steady
from optimizer.runs.trees import tree_of
from optimizer.runs.written import circuit_plan
from optimizer.solve.posed import most_limits
from optimizer.solve.supply import Supply, run_layout, run_problem
from optimizer.solve.trial import Feeder, Trial, least_factor

MOST_TREES = 2_000  # spanning trees of one circuit
MOST_SIZINGS = 20_000  # of one tree
MOST_SHARES = 5_000  # ways to share the nozzles among circuits
MOST_CHECKED = 20  # whole designs whose full state is found, of one set from one supply


class TooManyError(Exception):
    """More trees or sizes than may be looked at."""


@dataclass
class Allowance:
    """Sized trees that may still be looked at, the limit of the work."""

    left: int

    def take(self, count: int) -> None:
        """Raises TooManyError where a tree has too many, or more than are left."""
        if count > min(self.left, MOST_SIZINGS):
            raise TooManyError(f"{count} sizings of a tree")
        self.left -= count


@dataclass(frozen=True)
class _Fed:
    """One circuit's tree with a size for each unit, and what its tubing costs."""

    flags: bytes
    units: tuple[int, ...]
    cost: float


_Key = tuple[frozenset[int], frozenset[int]]  # pieces dug, sizes used
_Table = dict[_Key, _Fed]  # the cheapest of each


@dataclass(frozen=True)
class _Outlet:
    """A pump type at a site and set pressure, alone: all that its circuits may be."""

    prepared: Prepared
    band_pa: tuple[float, float]
    usable_m3_s: float
    allowance: Allowance
    tables: dict[frozenset[int], _Table] = field(default_factory=dict)

    def fed(self, share: frozenset[int]) -> _Table:
        """The cheapest ways to feed these nozzles that keep the band, by ground opened and sizes used."""
        if share not in self.tables:
            self.tables[share] = self._fed(share) if share else {(frozenset(), frozenset()): _Fed(b"", (), 0.0)}
        return self.tables[share]

    def _fed(self, share: frozenset[int]) -> _Table:
        served = _served(self.prepared, share)
        spots = frozenset(self.prepared.spot[k] for k in share)
        trees = every_tree(self.prepared, self.prepared.root[0], spots, MOST_TREES)
        if trees is None:
            raise TooManyError(f"more than {MOST_TREES} trees")
        found: _Table = {}
        for flags in trees:
            if self._keeps_rules(flags, served):
                for key, one in self._sized(flags, served, sorted(share)):
                    found[key] = min(found.get(key, one), one, key=lambda fed: fed.cost)
        return found

    def _keeps_rules(self, flags: bytes, served: bytes) -> bool:
        plan = circuit_plan(self.prepared, 0, flags, served, [0] * len(flags))
        alone = replace(self.prepared.problem, balance=None)
        return run_fault(alone, RunPlan((plan,), 0.0, 0.0, 0.0, "", "")) is None

    def _sized(self, flags: bytes, served: bytes, nozzles: Sequence[int]) -> Iterator[tuple[_Key, _Fed]]:
        prepared, problem = self.prepared, self.prepared.problem
        tree = tree_of(prepared, 0, flags, served)
        state = steady(prepared, 0, tree, served, nozzles)
        self.allowance.take(sum(len(some) ** len(tree.units) for some in problem.size_sets))
        sizes = _assignments(problem, len(tree.units))
        price = np.array([tube.cost_per_m for tube in problem.tubing])
        cost = price[sizes[:, state.unit]] @ state.length_m
        good = np.flatnonzero(state.within(sizes, self.band_pa, self.usable_m3_s))
        dug = frozenset(e for e in prepared.dug if flags[e])
        for i in good[np.argsort(cost[good], kind="stable")[::-1]]:
            units = tuple(sizes[i].tolist())
            yield (dug, frozenset(units)), _Fed(flags, units, float(cost[i]))


@dataclass(frozen=True)
class _Whole:
    """All circuits of a supply."""

    shares: tuple[frozenset[int], ...]
    fed: tuple[_Fed, ...]
    tubing_cost: float
    trench_cost: float


@dataclass(frozen=True)
class Enumeration:
    """A set of positions, with what is known of its circuits from every outlet asked for so far."""

    feeder: Feeder
    chosen: tuple[int, ...]
    allowance: Allowance
    outlets: dict[tuple[PumpType, int, float], _Outlet] = field(default_factory=dict)

    def cheapest(self, supply: Supply) -> Trial | None:
        """The cheapest design that verifies; None where none does. Raises TooManyError where that is too much work."""
        outlets = [self._outlet(*at) for at in zip(supply.pumps, supply.sites, supply.set_pa, strict=True)]
        limits = most_limits(self.feeder.instance, supply)
        problem = run_problem(self.feeder.instance, supply, self.chosen, self._ground, limits, 1.0)
        problem = replace(problem, flow_factor=least_factor(problem))  # every state in the band keeps this budget
        wholes = sorted(_wholes(problem, outlets), key=lambda one: one.tubing_cost + one.trench_cost)
        if not wholes:
            return None
        prepared = prepare(problem)
        for whole in wholes[:MOST_CHECKED]:
            trial = self.feeder.trial(supply.pumps, self.chosen, problem, _plan(prepared, whole))
            if trial.design.verification.verified:
                return trial
        return None

    def _outlet(self, pump: PumpType, site: int, set_pa: float) -> _Outlet:
        key, instance = (pump, site, set_pa), self.feeder.instance
        if key not in self.outlets:
            alone, rules = Supply((pump,), (site,), ((0,),), (set_pa,)), instance.scenario.rules
            problem = run_problem(instance, alone, self.chosen, self._ground, ((len(self.chosen),),), 1.0)
            band_pa = rules.band_low_pa, rules.band_high_pa
            self.outlets[key] = _Outlet(prepare(problem), band_pa, usable_m3_s(rules, pump, set_pa), self.allowance)
        return self.outlets[key]

    @cached_property
    def _ground(self) -> Ground:
        return run_layout(self.feeder.instance, self.chosen)


def _wholes(problem: RunProblem, outlets: Sequence[_Outlet]) -> Iterator[_Whole]:
    for shares in _shares(problem):
        tables = []
        for circuit, share in zip(problem.circuits, shares, strict=True):
            tables.append(outlets[circuit.pump].fed(share))
            if not tables[-1]:
                break
        else:
            for parts in product(*(table.items() for table in tables)):
                used = frozenset[int]().union(*(key[1] for key, _ in parts))
                if len(used) <= problem.sizes_at_most:
                    dug = frozenset[int]().union(*(key[0] for key, _ in parts))
                    fed = tuple(one for _, one in parts)
                    trench = sum(outlets[0].prepared.trench_cost[e] for e in dug)
                    yield _Whole(shares, fed, sum(one.cost for one in fed), trench)


def _shares(problem: RunProblem) -> Iterator[tuple[frozenset[int], ...]]:
    """Every way to share the nozzles among the circuits, equal circuits not told apart."""
    circuits = problem.circuits
    own = [[c for c, one in enumerate(circuits) if one.group == group] for group in problem.group]
    if np.prod([float(len(some)) for some in own]) > MOST_SHARES:
        raise TooManyError(f"more than {MOST_SHARES} ways to share the nozzles")
    seen = set()
    for owners in product(*own):
        shares = tuple(frozenset(k for k, o in enumerate(owners) if o == c) for c in range(len(circuits)))
        key = tuple(sorted((one.pump, one.group, *sorted(s)) for one, s in zip(circuits, shares, strict=True)))
        fits = all(len(share) <= one.nozzles_at_most for one, share in zip(circuits, shares, strict=True))
        if fits and key not in seen:
            seen.add(key)
            yield shares


def _plan(prepared: Prepared, whole: _Whole) -> RunPlan:
    circuits: list[CircuitPlan] = []
    for c, (share, fed) in enumerate(zip(whole.shares, whole.fed, strict=True)):
        served, flags = _served(prepared, share), fed.flags or bytes(len(prepared.segments.piece))
        size = [0] * len(flags)
        tree = tree_of(prepared, prepared.problem.circuits[c].pump, flags, served)
        for unit, chosen in zip(tree.units, fed.units, strict=True):
            for e in prepared.segments.ways[unit.way].pieces[: unit.pieces]:
                size[e] = chosen
        circuits.append(circuit_plan(prepared, c, flags, served, size))
    return RunPlan(tuple(circuits), whole.tubing_cost, whole.trench_cost, 0.0, "", "search")


def _served(prepared: Prepared, share: frozenset[int]) -> bytes:
    """By point, whether one of these nozzles stands there."""
    return bytes(nozzle in share for nozzle in prepared.nozzle)


def _assignments(problem: RunProblem, units: int) -> NDArray[np.int64]:
    """[S, U] every size for every unit, no more different ones than allowed."""
    rows = {row for sizes in problem.size_sets for row in product(sizes, repeat=units)}
    return np.array(sorted(rows), dtype=np.int64)
