"""A finished trial held to the rules of protection."""

from __future__ import annotations

from dataclasses import replace

from optimizer.design import Design
from optimizer.protection import strictest
from optimizer.solve.trial import Trial
from optimizer.verify import settled


def held(trial: Trial) -> Design:
    """The trial's design with the rules of protection, verified anew against those that it tells of.

    Searches do without: a rate per area is a matter of cycles, which no other choice of nozzles mends.
    """
    scenario = trial.layout.instance.scenario
    design = replace(trial.design, protection=strictest(scenario.protection))
    if scenario.service is not None:
        design = replace(design, dilution=scenario.service.dilution)
    return settled(design, trial.design.verification.band_pa) if design.protection else design
