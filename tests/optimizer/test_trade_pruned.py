"""A verified design thinned to a goal without any look: behaviour on an invented yard. Prices are those of the bill,
coverage is measured by shapely on the design's own footprints, and verification is called anew on the design."""

from __future__ import annotations

import itertools

import pytest
from shapely import union_all
from shapely.geometry import box as rectangle
from shapely.geometry import shape

from optimizer.instance import candidates, instance
from optimizer.placement.selection import Cover, Selection
from optimizer.progress import never, silent
from optimizer.solve.arranged import arrangements
from optimizer.solve.clock import Clock
from optimizer.solve.posed import placement_problem
from optimizer.solve.priced import priced
from optimizer.solve.supply import run_layout, run_problem
from optimizer.solve.trade.carried import carried, ways_of
from optimizer.solve.trade.goal import Answer, Goal, answer
from optimizer.solve.trade.prices import least_prices
from optimizer.solve.trade.pruned import Pruner
from optimizer.solve.trade.spurs import grown, thinned
from optimizer.solve.trial import Feeder, limits_of, supply_of
from optimizer.solve.worked import Task, work_out
from optimizer.verify import verify
from tests.optimizer.trade_sites import option, scenario

YARD = rectangle(0.25, 0.25, 32.25, 20.25)


@pytest.fixture(scope="module")
def posed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Pruner, Answer]:
    read = scenario(tmp_path_factory.mktemp("yard"), option("free"))
    made = instance(read, read.options[0], candidates(read, read.catalogue.nozzle("N1")))
    feeder = Feeder(made, silent, never)
    task = Task(feeder, placement_problem(made), 0.005, 0, Clock(never, None))
    kept = work_out(task, arrangements(made))[0].outcome.kept
    return Pruner(feeder, kept.problem, least_prices(made), 0), answer(kept.trial)


def covered_m2(found: Answer) -> float:
    footprints = [shape(nozzle.footprint) for nozzle in found.trial.design.nozzles]
    return float(union_all(footprints).intersection(YARD).area)


def bill(found: Answer) -> float:
    return priced(found.trial.layout, found.trial.design).installed


def test_thinning_alone_keeps_each_budget_with_a_verified_design_and_more_money_covers_no_less(
    posed: tuple[Pruner, Answer],
) -> None:
    pruner, free = posed
    tubing = free.trial.layout.plan.cost
    covered = []
    for share in (0.35, 0.2, 0.1):
        budget = bill(free) - share * tubing
        found = pruner.reach(Goal(budget=budget), free)
        assert found is not None
        assert verify(found.trial.design).verified
        assert bill(found) <= budget
        covered.append(covered_m2(found))
    assert all(one <= other for one, other in itertools.pairwise([*covered, covered_m2(free)]))
    assert 0.0 < covered[0] < covered_m2(free)


def test_thinning_alone_reaches_a_coverage_for_less_than_the_free_price(posed: tuple[Pruner, Answer]) -> None:
    pruner, free = posed
    least = 0.7 * covered_m2(free)
    found = pruner.reach(Goal(coverage_m2=least), free)
    assert found is not None
    assert verify(found.trial.design).verified
    assert covered_m2(found) >= least
    assert bill(found) < bill(free)


def test_each_step_is_legal_and_says_what_the_cells_say(posed: tuple[Pruner, Answer]) -> None:
    pruner, free = posed
    cover, before = Cover(pruner.problem), set(free.trial.layout.chosen)
    steps = list(thinned(pruner.problem, free.trial, pruner.prices))
    assert steps
    for step in steps:
        selection = Selection(cover, step.chosen)
        assert selection.is_legal()
        assert step.value == pytest.approx(selection.value)
        assert set(step.chosen) < before
        before = set(step.chosen)
    assert [step.saved for step in steps] == sorted(step.saved for step in steps)


def test_what_thinning_saves_is_what_the_carried_trees_save(posed: tuple[Pruner, Answer]) -> None:
    """Metres of the trees carried over, counted on the new pieces; the saving of one step is of tubes and nozzles."""
    pruner, free = posed
    made = free.trial.layout
    supply, limits = supply_of(free.trial), limits_of(free.trial)

    def laid(chosen: tuple[int, ...]) -> tuple[float, float]:
        ground = run_layout(made.instance, chosen, supply)
        plan = carried(made, ways_of(made), chosen, run_problem(made.instance, supply, chosen, ground, limits, 1.0))
        assert plan is not None
        used = {use.piece for circuit in plan.circuits for use in circuit.pieces}
        metres = sum(float(ground.length_m[piece]) for piece in used)
        return metres, sum(float(ground.trench_cost[piece]) for piece in used)

    metres, dug = laid(made.chosen)
    rates = [made.problem.tubing[use.tubing].cost_per_m for c in made.plan.circuits for use in c.pieces]
    for step in thinned(pruner.problem, free.trial, pruner.prices):
        less, dug_less = laid(step.chosen)
        nozzles = pruner.prices.nozzle * (len(made.chosen) - len(step.chosen))
        tubes = step.saved - nozzles - (dug - dug_less)
        assert min(rates) * (metres - less) - 1e-6 <= tubes <= max(rates) * (metres - less) + 1e-6


def test_nozzles_come_back_legally_and_their_ways_lead_to_them(posed: tuple[Pruner, Answer]) -> None:
    pruner, free = posed
    thin = pruner.reach(Goal(budget=bill(free) - 0.35 * free.trial.layout.plan.cost), free)
    assert thin is not None
    more = list(itertools.islice(grown(pruner.problem, thin.trial, pruner.prices, 0.1), 3))
    made, cover = thin.trial.layout, Cover(pruner.problem)
    assert more
    for one in more:
        assert Selection(cover, one.chosen).is_legal()
        assert set(made.chosen) < set(one.chosen)
        supply = supply_of(thin.trial)
        ground = run_layout(made.instance, one.chosen, supply)
        problem = run_problem(made.instance, supply, one.chosen, ground, limits_of(thin.trial), 1.0)
        assert carried(made, one.ways, one.chosen, problem) is not None
