"""An explanation in words for people: rows of a table and remarks, every number with its unit. Nothing is computed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from hydraulics.units import System, show
from optimizer.appraisal.explain import Explanation
from optimizer.appraisal.hand import ByHand
from optimizer.appraisal.marginals import Marginal
from optimizer.appraisal.words import NONE

LEAST_SHOWN = 0.5  # of money
HEADING = "Run splits against what is done by hand"
MEANING = (
    "By hand: the same nozzles, pumps and sites, each nozzle from the nearest pump by the nearest way, one tubing size "
    "everywhere, the smallest that gives the worst nozzle its need; circuits of a pump take even shares. Laid: tubing, "
    "fittings and ground work."
)

STEPS_HEADING = "What one step of relief would buy: weighted area and the cost that counts, at least"

Cell = Callable[[ByHand], str]
STEPS = {
    "head": "pumps set 1 m of head higher",
    "band": "band's low edge 1 m lower",
    "tubing_size": "one tubing size more",
    "run_rules": "no rules on runs",
    "trunk": "trunks one size larger",
    "delivery": "5 % more delivery",
    "circuit": "one circuit more",
    "pump": "one pump more",
}


def hand_rows(units: System, currency: str) -> Sequence[tuple[str, Cell]]:
    """Name of each row, and how its cell is written."""

    def money(of: Callable[[ByHand], float | None]) -> Cell:
        return lambda one: NONE if (amount := of(one)) is None else f"{amount:,.0f} {currency}"

    return (
        ("by hand", lambda one: "verified" if one.verified else "not verified" if one.tubing else "none"),
        ("tubing by hand", lambda one: _tubing(one, units)),
        ("set pressure by hand", lambda one: _pressures(one, units)),
        ("laid by hand", money(lambda one: one.laid_cost)),
        ("saved of what is laid", lambda one: _share(one.saving_laid)),
        ("installed cost by hand", money(lambda one: one.installed_cost)),
        ("saved of the installed cost", lambda one: _share(one.saving)),
    )


def step_rows(units: System, currency: str) -> Sequence[tuple[str, Callable[[Explanation], str]]]:
    """Name of each step of relief, and what it buys: weighted area, installed cost."""

    def cell(change: str) -> Callable[[Explanation], str]:
        return lambda one: next((_bought(m, units, currency) for m in one.marginals if m.change == change), NONE)

    return tuple((name, cell(change)) for change, name in STEPS.items())


def _bought(one: Marginal, units: System, currency: str) -> str:
    if one.nozzles is None or one.weighted_m2 is None or one.cost is None:
        return NONE
    sign = "+" if one.weighted_m2 >= 0.0 else ""
    parts = [f"{sign}{show(one.weighted_m2, 'area', units)}"] if one.nozzles else []
    parts += [f"{one.cost:+,.0f} {currency}"] if abs(one.cost) >= LEAST_SHOWN else []
    return ", ".join(parts) or "nothing"


def explain_remarks(one: Explanation) -> Iterator[str]:
    """Which rules bind, and why there is no verified run split by hand, where there is none."""
    yield "what binds: " + ("; ".join(slack.words for slack in one.slacks if slack.binds) or "no rule")
    for marginal in one.marginals:
        if marginal.reason:
            yield f"{marginal.step}: {marginal.reason}"
    if one.by_hand.reason:
        yield f"by hand: {one.by_hand.reason}"


def _tubing(one: ByHand, units: System) -> str:
    return NONE if one.tubing_m is None else f"{show(one.tubing_m, 'length', units, 0)} of {one.tubing}"


def _pressures(one: ByHand, units: System) -> str:
    found = one.set_pressure_pa
    if found is None:
        return NONE
    *others, last = [show(pressure, "pressure", units) for pressure in sorted(set(found))]
    return f"{others[0]} to {last}" if others else last


def _share(share: float | None) -> str:
    return NONE if share is None else f"{100.0 * share:.1f} %"
