"""One design explained: its run split held against one by hand, and which rules bind."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.appraisal.binding import Slack, slacks
from optimizer.appraisal.figures import Appraisal
from optimizer.appraisal.hand import ByHand, held_against_hand
from optimizer.solve.trial import Trial


@dataclass(frozen=True)
class Explanation:
    """by_hand: the rival's figures; slacks: what every rule has left, those that bind among them."""

    by_hand: ByHand
    slacks: tuple[Slack, ...]


def explain(trial: Trial, appraisal: Appraisal) -> Explanation:
    """The explanation of a settled design that has been appraised."""
    return Explanation(held_against_hand(trial), slacks(trial, appraisal.next_nozzle_m2))
