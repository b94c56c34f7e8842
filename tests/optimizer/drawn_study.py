"""An invented study round the invented design of drawn_design.py; the program has computed none of its figures."""

from __future__ import annotations

from optimizer.appraisal.dirty_filter import FilterLoss
from optimizer.appraisal.duty import pump_duties
from optimizer.appraisal.figures import Appraisal, Cause, Gap, Pitch, ReachCase, Rival, Uncovered
from optimizer.appraisal.operation import CircuitDay, Operation, PumpPlan
from optimizer.appraisal.running import Running
from optimizer.appraisal.start_up import CircuitStart, LineStart
from optimizer.costs import CostLine
from optimizer.design import Design
from optimizer.protection import Stated
from optimizer.protection_table import Row
from optimizer.study import Alternative, Study
from optimizer.tubing_load import loads
from optimizer.upkeep import Upkeep
from optimizer.yields import Bar, FieldYield, Weak
from tests.optimizer.drawn_mist import example_mist


def example_alternative(design: Design) -> Alternative:
    """An alternative that the design answers, its figures invented."""
    state = design.verification
    return Alternative(
        option=design.option,
        title="Two pumps",
        status="verified" if state.verified else "unverified",
        reason=None if state.verified else "2 nozzles stand below the band",
        pump_count=2,
        circuit_count=2,
        objective="coverage",
        nozzle_count=len(design.nozzles),
        covered_area_m2=state.covered_area_m2,
        zone_area_m2=2469.0,
        coverable_area_m2=2000.0,
        model_covered_area_m2=1240.0,
        objective_value=2500.0,
        objective_bound=2510.0,
        gap=0.0125,
        gap_at_count=0.004,
        installed_cost=12345.6,
        tubing_m=381.4,
        min_pressure_pa=state.min_pressure_pa,
        max_pressure_pa=state.max_pressure_pa,
        flow_m3_s=sum(state.flow_m3_s.values()),
        reserve=0.171,
        verified=state.verified,
        seconds={"geometry": 0.12345, "placement": 2.0},
        rounds=("round 1: 2 nozzles added",),
        notes=("fence 88.0-98.0 m is left out: gate",),
        design=design,
        quantities=(
            CostLine("fine 30", "nozzles", 54, "pc", 9.5, 513.0),
            CostLine("tee", "fittings", 50, "pc", 2.25, 112.5),
        ),
        upkeep=Upkeep(
            3,
            5.4,
            37.037,
            4.0,
            (
                CostLine("concentrate", "service", 9.72, "L", 90.0, 874.8),
                CostLine("visit", "service", 12.0, "pc", 80.0, 960.0),
            ),
        ),
        operation=example_operation(),
        protection=(
            Row(Stated("nozzle_flow", "", 7.5e-7, "invented label"), 7.0e-7, True, ()),
            Row(Stated("wind_most", "", 3.0, "invented label"), None, None, ()),
        ),
        costs_that_count=(CostLine("fine 30", "nozzles", 54, "pc", 9.5, 513.0),),
        appraisal=example_appraisal(len(design.nozzles)),
        field_yield=example_yield(),
        mist=example_mist(design),
        running=Running(pump_duties(design), loads(design), (), (example_start(),)),
    )


def example_start() -> CircuitStart:
    """An invented circuit whose last nozzle opens after a cycle."""
    line = LineStart("A-R1", 41.0, 0.5, 12, 40.0, 41.0, ((1, "A-17", 0.5),))
    loss = FilterLoss("F-9", 1000.0, 4000.0, True, "N012", 12.5e5, 12.4e5, False, 30e3)
    late = "A: from drained lines the last nozzle, N012, opens after 41 s of a cycle of 30 s"
    figures = (0.5, 40.0, 12.0, 41.0, "N012", 0.1, 30.0, 0.4, 70.0, "N012", 3, loss, 0.2, 5.5e5, 3.2)
    return CircuitStart("A", "P1", *figures, (line,), (late,), "A holds 0.50 L")


def example_yield() -> FieldYield:
    """Invented figures of a design that two thirds of the sampled plants bear out."""
    return FieldYield(
        share=0.65,
        interval=(0.628, 0.67),
        asked=None,
        samples=2000,
        seed=0,
        low_pa=12e5,
        above_band=0.02,
        above_limit=0.0,
        not_held=0.0,
        drawn_pa=12.2e5,
        lowest_pa=(11.7e5, 12.1e5, 12.5e5),
        short_pa=0.2e5,
        weakest=(Weak("N054", "C2", 0.6, 0.3),),
        tornado=(
            Bar("drift of the set pressure", "-0.2 bar", "+0.2 bar", 12e5, 12.4e5, "high end", 0.81),
            Bar("flow of the nozzles", "-5.0 %", "+5.0 %", 12.3e5, 12.1e5, "low end", 0.7),
        ),
        residual=1e-11,
    )


def example_operation() -> Operation:
    """Two pumps with a circuit each, invented."""
    plans = [
        PumpPlan(
            pump,
            (CircuitDay(circuit, "always", 2, 45.0, 3e-5, 2.7, ("05:00:00", "17:00:00")),),
            2.7, 0.014, "K100", 100.0, 37.037,
        )
        for pump, circuit in (("P1", "C1"), ("P2", "C2"))
    ]  # fmt: skip
    return Operation(True, (), tuple(plans), 611.6)


def example_appraisal(nozzles: int) -> Appraisal:
    """Invented figures of a design worth 10 % more than practice."""
    return Appraisal(
        nozzle_count=nozzles,
        covered_area_m2=1100.0,
        weighted_area_m2=2400.0,
        practice=Rival(nozzles, 1000.0, 2000.0, 0.1, 0.2),
        pitches=(Pitch(2.0, 3.5),),
        nozzles_saved=7,
        greedy=Rival(nozzles, 1080.0, 2350.0, 0.0185, 0.0213),
        next_nozzle_m2=20.0,
        last_nozzle_m2=21.5,
        reach_source="assumed",
        reach=(
            ReachCase(0.7, 2.8, 550.0, {"Lawn": 550.0}, 0),
            ReachCase(1.0, 4.0, 1100.0, {"Lawn": 1100.0}, 0),
            ReachCase(1.3, 5.2, 1650.0, {"Lawn": 1650.0}, 3),
        ),
        uncovered=(
            Uncovered("Lawn", 1300.0, 1100.0, (Cause("no line near", "", 150.0), Cause("nozzle count", "", 50.0))),
        ),
        gaps=(Gap("fence", 88.0, 98.0, 10.0, "stretch without nozzles", "gate"),),
    )


def refused_alternative(option: str = "one_pump") -> Alternative:
    """An option that no design answers."""
    return Alternative(option, "One pump", "no_design", "one circuit cannot serve two schedules", 1, 1, "coverage")


def example_study(*alternatives: Alternative) -> Study:
    """A study of these alternatives."""
    return Study("example_court", "Example court (invented)", "EUR", 7, alternatives)
