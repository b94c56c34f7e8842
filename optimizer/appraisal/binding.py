"""Which rules bind a design, and where: what each has left, and whether that is less than one step of it.

A rule binds where its slack is smaller than one nozzle, one step of the set pressure, one tubing size, or 1 % of the
length, area or money that it allows: there is no room for the next whole thing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hydraulics.units import show, show_both
from optimizer.design import Nozzle
from optimizer.instance import usable_m3_s
from optimizer.protection_table import protection_rows
from optimizer.runs.plan import CircuitPlan
from optimizer.solve.held import held
from optimizer.solve.priced import priced
from optimizer.solve.supply import set_levels_pa
from optimizer.solve.trade.goal import exact_weighted_m2, weighted_area_m2
from optimizer.solve.trial import Trial

CLOSE_SHARE = 0.01  # of a length or an area that a rule allows
CLOSE_STEP = 1e-6  # so that a whole step is one, whatever the rounding


@dataclass(frozen=True)
class Slack:
    """What a rule has left in a design.

    rule: as scenario.toml names it; at: circuit, pump, nozzle or zone, "" for the whole design; slack: what is left, in
    `unit` (nozzles, Pa, sizes, m, m², share, money), below 0 where the rule is broken; step: the least that is of use;
    binds: slack < step; words: a sentence, of what is left or of what binds.
    """

    rule: str
    at: str
    slack: float
    step: float
    unit: str
    words: str

    @property
    def binds(self) -> bool:
        """Less is left than one step."""
        return self.slack < self.step


def slacks(trial: Trial, next_nozzle_m2: float) -> tuple[Slack, ...]:
    """What every rule has left in a settled design. next_nozzle_m2: weighted m² that one more nozzle would add."""
    return (
        *_capacity(trial),
        *_schedule(trial),
        *_least_gain(trial, next_nozzle_m2),
        *_band(trial),
        *_set_pressure(trial),
        *_sizes(trial),
        *_run_longest(trial),
        *_run_nozzles(trial),
        *_balance(trial),
        *_least_coverage(trial),
        *_drift(trial),
        *_protection(trial),
        *_goal(trial),
    )


def _circuits(trial: Trial) -> Iterator[tuple[str, CircuitPlan]]:
    yield from ((f"C{plan.circuit + 1}", plan) for plan in trial.layout.plan.circuits)


def _rooms(trial: Trial) -> dict[str, tuple[float, float]]:
    """Room of each circuit that feeds any: in nozzles of its mean flow, and in m³/s."""
    made, flows = trial.layout, trial.design.verification.flow_m3_s
    rooms = {}
    for (name, plan), mean in zip(_circuits(trial), trial.mean_flows_m3_s, strict=True):
        if mean > 0.0:
            set_pa = made.problem.pumps[plan.pump].set_pressure_pa
            left = usable_m3_s(made.instance.scenario.rules, made.pumps[plan.pump], set_pa) - flows[name]
            rooms[name] = (left / mean, left)
    return rooms


def _capacity(trial: Trial) -> Iterator[Slack]:
    rooms = _rooms(trial)
    for name, plan in _circuits(trial):
        if (room := rooms.get(name)) is None:
            continue
        left = f"{room[0]:.1f} nozzles ({show(room[1], 'small_flow', 'metric')})"
        words = f"{name} has room for {left} within P{plan.pump + 1}'s delivery less its reserve"
        yield Slack("reserve", name, room[0], 1.0, "nozzles", words)


def _schedule(trial: Trial) -> Iterator[Slack]:
    """A schedule group whose circuits are full while those of another have room for a nozzle."""
    groups, rooms = trial.layout.instance.candidates.groups, _rooms(trial)
    if len(groups) < 2:
        return
    own = {g: max((rooms[n][0] for n, p in _circuits(trial) if p.group == g and n in rooms), default=0.0)
           for g in range(len(groups))}  # fmt: skip
    for group, left in own.items():
        if left >= 1.0 or all(other < 1.0 for g, other in own.items() if g != group):
            words = f"no room of another schedule is kept from {groups[group]}"
            yield Slack("schedule", groups[group], max(left, 1.0), 1.0, "nozzles", words)
            continue
        words = f"the circuits of schedule {groups[group]} are full, and the room of others is not for them"
        yield Slack("schedule", groups[group], left, 1.0, "nozzles", words)


def _least_gain(trial: Trial, next_m2: float) -> Iterator[Slack]:
    least = trial.layout.instance.scenario.rules.least_gain_m2
    gain = f"the next nozzle would add {next_m2:.1f} weighted m²" if next_m2 > 0.0 else "no free position adds anything"
    yield Slack("least_gain", "", next_m2 - least, 0.0, "m²", f"{gain}, least_gain is {least:g}")


def _band(trial: Trial) -> Iterator[Slack]:
    """The nozzle of least and the one of most pressure on each circuit."""
    rules = trial.layout.instance.scenario.rules
    for name, _ in _circuits(trial):
        own = [nozzle for nozzle in trial.design.nozzles if nozzle.circuit == name]
        if not own:
            continue
        margin = rules.yield_margin_pa
        raised = f" raised by {show_both(margin, 'pressure')} for the least yield" if margin else ""
        lowest, highest = (pick(own, key=lambda n: (n.pressure_pa, n.id)) for pick in (min, max))
        for rule, nozzle, slack, edge in (
            ("band.low", lowest, lowest.pressure_pa - rules.band_low_pa, f"above its low edge{raised}"),
            ("band.high", highest, rules.band_high_pa - highest.pressure_pa, "below its high edge"),
        ):
            words = f"{_place(nozzle)} on {name} stands {show_both(slack, 'pressure')} {edge}"
            yield Slack(rule, nozzle.id, slack, rules.set_step_pa, "Pa", words)


def _place(nozzle: Nozzle) -> str:
    return f"{nozzle.id} ({nozzle.line} at {show_both(nozzle.chainage_m, 'length')})"


def _set_pressure(trial: Trial) -> Iterator[Slack]:
    """How much higher and lower each pump might be set."""
    made = trial.layout
    step = made.instance.scenario.rules.set_step_pa
    levels = set_levels_pa(made.instance, made.pumps, [pump.site for pump in made.problem.pumps])
    for number, (pump, allowed) in enumerate(zip(made.problem.pumps, levels, strict=True), start=1):
        now = pump.set_pressure_pa
        for rule, slack, way, end in (
            ("set_pressure.high", allowed[0] - now, "higher", "highest"),
            ("set_pressure.low", now - allowed[-1], "lower", "lowest"),
        ):
            words = f"P{number}, set at {show_both(now, 'pressure')}, may be set {show_both(slack, 'pressure')} {way}"
            if slack < step * (1.0 - CLOSE_STEP):
                words = f"P{number} stands at {show_both(now, 'pressure')}, the {end} set pressure that may be"
            yield Slack(rule, f"P{number}", slack, step * (1.0 - CLOSE_STEP), "Pa", words)


def _sizes(trial: Trial) -> Iterator[Slack]:
    """Tubing sizes that may still be used, where more are on offer than are."""
    made = trial.layout
    used = {use.tubing for circuit in made.plan.circuits for use in circuit.pieces}
    most = made.problem.sizes_at_most
    if len(made.problem.tubing) > len(used):
        words = f"{len(used)} tubing sizes of at most {most} are used, {len(made.problem.tubing)} are on offer"
        yield Slack("tubing_sizes", "", float(most - len(used)), 1.0, "sizes", words)


def _run_longest(trial: Trial) -> Iterator[Slack]:
    most = trial.layout.instance.scenario.rules.run_longest_m
    if most is None:
        return
    length = trial.layout.problem.layout.length_m
    for name, plan in _circuits(trial):
        far = {trial.layout.problem.outlet_point(plan.pump): 0.0}
        for use in plan.pieces:
            far[use.to_point] = far[use.from_point] + float(length[use.piece])
        slack = most - max(far.values())
        words = f"the longest run of {name} may be {show_both(slack, 'length')} longer"
        yield Slack("run_longest", name, slack, CLOSE_SHARE * most, "m", words)


def _run_nozzles(trial: Trial) -> Iterator[Slack]:
    most = trial.layout.instance.scenario.rules.run_nozzles_most
    if most is None:
        return
    runs = [nozzle.run for nozzle in trial.design.nozzles]
    for run in sorted(set(runs)):
        slack = float(most - runs.count(run))
        yield Slack("run_nozzles_most", run, slack, 1.0, "nozzles", f"{run} may bear {slack:.0f} nozzles more")


def _balance(trial: Trial) -> Iterator[Slack]:
    """What the fullest circuit of a pump may take more before the emptiest is too small for it, in nozzles."""
    share = trial.layout.instance.scenario.rules.circuit_balance
    if share is None:
        return
    flows = trial.design.verification.flow_m3_s
    for pump in range(len(trial.layout.pumps)):
        own = [flows[name] for name, plan in _circuits(trial) if plan.pump == pump and plan.served]
        if len(own) > 1:
            mean = float(np.mean([f for f in trial.mean_flows_m3_s if f > 0.0]))
            slack = (min(own) - (1.0 - share) * max(own)) / mean
            words = f"the smallest circuit of P{pump + 1} could do with {slack:.1f} nozzles less beside its largest"
            yield Slack("circuit_balance", f"P{pump + 1}", slack, 1.0, "nozzles", words)


def _least_coverage(trial: Trial) -> Iterator[Slack]:
    """Area that zones with a least coverage have above it, in the cell model."""
    cells = trial.layout.instance.candidates.cells
    hit = _covered(trial)
    for number, zone in enumerate(trial.layout.instance.scenario.site.zones):
        if zone.least_coverage > 0.0:
            area = float(cells.zone_area_m2[number] @ hit)
            whole = float(zone.polygon.area)
            slack = area - zone.least_coverage * whole
            words = f"zone {zone.name} has {show_both(slack, 'area')} covered above its least coverage"
            yield Slack("least_coverage", zone.name, slack, CLOSE_SHARE * whole, "m²", words)


def _drift(trial: Trial) -> Iterator[Slack]:
    """What each limit of drift has left, as a share of the mist; what one nozzle moves is a step."""
    basis, drift = trial.design.mist, trial.design.verification.drift
    for limit in basis.limits if basis is not None else ():
        slack = limit.most - drift[limit.name]
        words = f"{100.0 * slack:.2f} % more of the mist may drift {limit.name}"
        yield Slack("drift_most", limit.name, slack, limit.most / max(1, len(trial.design.nozzles)), "share", words)


def _protection(trial: Trial) -> Iterator[Slack]:
    """What each rule of protection that the design decides has left, by its name in scenario.toml."""
    for row in protection_rows(trial.layout.instance.scenario, held(trial)):
        if row.reached is not None:
            left = row.limit.value - row.reached
            step = 1.0 if row.limit.rule == "cycles_per_day" else CLOSE_SHARE * row.limit.value
            slack = left if row.limit.kind.most else -left
            yield Slack("protection", row.limit.name, slack, step, row.unit, row.words)


def _goal(trial: Trial) -> Iterator[Slack]:
    """What the option's budget, or its least coverage of the zones' weighted area, has left."""
    instance = trial.layout.instance
    option = instance.option
    if option.budget is not None:
        slack, currency = option.budget - priced(trial.layout, trial.design).price, instance.scenario.catalogue.currency
        words = f"{slack:,.0f} {currency} of the budget of {option.budget:,.0f} {currency} are left"
        yield Slack("budget", "", slack, CLOSE_SHARE * option.budget, currency, words)
    if option.least_coverage is not None:
        whole = weighted_area_m2(instance)
        slack = exact_weighted_m2(instance, trial.layout.chosen) - option.least_coverage * whole
        words = f"{slack:.1f} weighted m² are covered above the option's least coverage"
        yield Slack("least_coverage", "", slack, CLOSE_SHARE * whole, "m²", words)


def _covered(trial: Trial) -> NDArray[np.float64]:
    """[C]: the share of each cell that counts."""
    return trial.layout.instance.candidates.counted(trial.layout.chosen)
