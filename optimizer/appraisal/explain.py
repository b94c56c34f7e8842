"""One design explained: its run split held against one by hand, which rules bind, what relief of them would buy."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.appraisal.binding import Slack, slacks
from optimizer.appraisal.figures import Appraisal
from optimizer.appraisal.hand import ByHand, held_against_hand
from optimizer.appraisal.marginals import Marginal, marginals
from optimizer.progress import Report, Stop
from optimizer.solve.posed import placement_problem
from optimizer.solve.trial import Feeder, Trial


@dataclass(frozen=True)
class Explanation:
    """by_hand: the rival's figures; slacks: what every rule has left, those that bind among them; marginals: what steps
    of relief buy, none for a design that does not verify."""

    by_hand: ByHand
    slacks: tuple[Slack, ...]
    marginals: tuple[Marginal, ...] = ()


def explain(trial: Trial, appraisal: Appraisal, seed: int, report: Report, stop: Stop) -> Explanation:
    """The explanation of a settled design that has been appraised."""
    bought: tuple[Marginal, ...] = ()
    if trial.design.verification.verified and not stop():
        instance = trial.layout.instance
        bought = marginals(Feeder(instance, report, stop), placement_problem(instance), trial, seed)
    return Explanation(held_against_hand(trial), slacks(trial, appraisal.next_nozzle_m2), bought)
