"""A finished trial held to the rules of protection: what its circuits mist by their schedules, and what may be."""

from __future__ import annotations

from dataclasses import replace

from optimizer.brief import Service
from optimizer.design import Design, Misting
from optimizer.protection import strictest
from optimizer.solve.assemble import circuit_schedules
from optimizer.solve.trial import Trial
from optimizer.verify import settled


def held(trial: Trial) -> Design:
    """The trial's design with its misting and the rules of protection, verified anew against those that it tells of.

    Searches do without: a rate per area is a matter of cycles, which no other choice of nozzles mends.
    """
    scenario = trial.layout.instance.scenario
    design = replace(trial.design, protection=strictest(scenario.protection))
    if scenario.service is not None:
        design = replace(design, misting=mistings(trial, scenario.service), dilution=scenario.service.dilution)
    return settled(design, trial.design.verification.band_pa) if design.protection else design


def mistings(trial: Trial, service: Service) -> tuple[Misting, ...]:
    """Of every circuit of the trial, by the pumps and their circuits."""
    schedules = circuit_schedules(trial.layout)
    circuits = [circuit for pump in trial.design.pumps for circuit in pump.circuits]
    return tuple(Misting(one, schedules[one].name, *service.cycles(schedules[one])) for one in circuits)
