"""The mist of the invented design of drawn_design.py in three invented winds, reckoned by the program."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

from hydraulics.mist.air import Air
from hydraulics.mist.spectrum import Lognormal
from hydraulics.mist.wind import Wind, WindState
from optimizer.appraisal.misted import LimitKept, MistAccount, misted
from optimizer.brief import Climate, Option
from optimizer.design import Design
from optimizer.drift import OVER, basis_of
from optimizer.instance import Instance
from optimizer.scenario import Scenario
from optimizer.solve.calmed import NO_LIMITS
from tests.optimizer.drawn_design import example_site

WINDS = (WindState(1.0, 225.0, 0.3), WindState(2.0, 225.0, 0.1), WindState(0.5, 0.0, 0.6))


def example_mist(design: Design) -> MistAccount:
    """The account of the design's mist, with a limit of drift that holds."""
    climate = Climate(20.0, "invented", Air(20.0, 0.6), Wind(WINDS), "assumed", 2.0, ("air at 20 °C",))
    limits = SimpleNamespace(drift_most=None, drift_most_any_wind=None)
    nozzle = SimpleNamespace(spectrum=Lognormal(45e-6, 1.7), spectrum_source="assumed")
    scenario = SimpleNamespace(
        climate=climate, service=None, site=example_site(), rules=limits, nozzle_of=lambda _: nozzle
    )
    basis = basis_of(cast(Scenario, scenario), cast(Option, limits))
    asked = cast(Instance, SimpleNamespace(scenario=scenario, nozzle=nozzle))
    found = misted(asked, replace(design, mist=basis), NO_LIMITS)
    assert found is not None
    return replace(found, limits=(LimitKept(OVER, 0.8, found.rose.over_boundary_most),))
